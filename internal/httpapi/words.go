package httpapi

import (
	"context"
	"fmt"
	"net/http"

	"readback/internal/calibration"
	"readback/internal/figure"
	"readback/internal/job"
	"readback/internal/live"
	"readback/internal/phrase"
	"readback/internal/stream"
)

// words sends what there is to show and say of a calibration, so that every client has the same words.
func (s *Server) words(w http.ResponseWriter, r *http.Request, actor stream.Actor) error {
	id, err := stream.ParseID("id", r.PathValue("id"))
	if err != nil {
		return err
	}
	lang, unit := orElse(r, "lang", phrase.Languages()[0]), figure.Unit(orElse(r, "unit", string(figure.MM)))
	if _, err := phrase.In(lang, unit, ""); err != nil {
		return err
	}
	got, err := s.Hub.View(r.Context(), actor, stream.Ref{Kind: stream.Calibration, ID: id})
	if err != nil {
		return err
	}
	state, ok := got.State.(*calibration.State)
	if !ok {
		return fmt.Errorf("a %T is no calibration", got.State)
	}
	voice, err := phrase.In(lang, unit, state.Steering())
	if err != nil {
		return err
	}
	turn, err := s.turn(r.Context(), state, got)
	if err != nil {
		return err
	}
	return answer(w, map[string]any{"seq": got.Seq, "lang": lang, "unit": unit, "words": voice.Current(state, turn)})
}

// turn is what is expected next of the calibration, going by its job as it is now: for those who follow it still.
func (s *Server) turn(ctx context.Context, cal *calibration.State, v live.View) (calibration.Turn, error) {
	if v.Relation == stream.Ended {
		return cal.Turn(v.Now), nil
	}
	owner, err := s.Hub.Peek(ctx, stream.Ref{Kind: stream.Job, ID: cal.Job()})
	if err != nil {
		return calibration.Turn{}, err
	}
	j, ok := owner.(*job.State)
	if !ok {
		return cal.Turn(v.Now), nil
	}
	return cal.TurnBy(calibration.JobNow{Withdrawn: j.Withdrawn(), VINInDoubt: j.VINInDoubt()}, v.Now), nil
}

// orElse is a query parameter, or what it is where it is not given.
func orElse(r *http.Request, name, otherwise string) string {
	if query := r.URL.Query(); query.Has(name) {
		return query.Get(name)
	}
	return otherwise
}
