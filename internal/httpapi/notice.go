package httpapi

import (
	"crypto/sha256"
	"encoding/base64"
	"fmt"
	"net/http"
	"slices"
	"strings"

	"readback/internal/access"
	"readback/internal/calibration"
	"readback/internal/fault"
	"readback/internal/job"
	"readback/internal/live"
	"readback/internal/notice"
	"readback/internal/stream"
)

// notice sends the page for the customer of a calibration that was not completed, with its hash as RFC 9530 writes it.
// The VIN is on it: it is for those who may take the calibration out.
func (s *Server) notice(w http.ResponseWriter, r *http.Request, actor stream.Actor) error {
	id, err := stream.ParseID("id", r.PathValue("id"))
	if err != nil {
		return err
	}
	language := "en"
	if r.URL.Query().Has("lang") {
		language = r.URL.Query().Get("lang")
	}
	if !slices.Contains(calibration.NoticeLanguages, language) {
		return fault.Badly("lang", "one of "+strings.Join(calibration.NoticeLanguages, ", "))
	}
	n, err := s.noticeOf(r, actor, stream.Ref{Kind: stream.Calibration, ID: id})
	if err != nil {
		return err
	}
	page, err := notice.Page(language, n)
	if err != nil {
		return fmt.Errorf("notice of calibration %s: %w", id, err)
	}
	sum := sha256.Sum256(page)
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Content-Security-Policy", notice.Policy())
	w.Header().Set("Repr-Digest", "sha-256=:"+base64.StdEncoding.EncodeToString(sum[:])+":")
	w.Write(page) // the caller may have gone
	return nil
}

func (s *Server) noticeOf(r *http.Request, actor stream.Actor, ref stream.Ref) (notice.Notice, error) {
	got, err := s.Hub.View(r.Context(), actor, ref)
	if err != nil {
		return notice.Notice{}, err
	}
	if err := access.Check(actor, got.Relation, ref.Kind, access.Bundle); err != nil {
		return notice.Notice{}, err
	}
	if got.Relation == stream.Ended {
		return notice.Notice{}, fault.New(fault.NotYourRole, "The notice names the car and its owner: it is for the shop, and for the desk while its claim stands.")
	}
	state, ok := got.State.(*calibration.State)
	if !ok {
		return notice.Notice{}, fmt.Errorf("a %T is no calibration", got.State)
	}
	result, declared := state.Result()
	if !declared || result.Outcome == calibration.Completed {
		return notice.Notice{}, fault.New(fault.NotMet, "There is a notice once the calibration is declared not completed, interrupted or withdrawn.",
			fault.Field{Name: "outcome", Want: "another than completed"})
	}
	car, err := s.Hub.View(r.Context(), actor, stream.Ref{Kind: stream.Job, ID: state.Job()})
	if err != nil {
		return notice.Notice{}, err
	}
	n := notice.Notice{
		Calibration: ref.ID.String(), Job: state.Job().String(), Sensor: state.Sensor(), Outcome: result.Outcome,
		Reason: opened(got, result.Reason), Declared: result.At, Entry: result.Seq, Positions: result.Positions,
		Attempts: len(state.Attempts()),
	}
	n.Shop, n.Phone = state.ShopNamed()
	if j, ok := car.State.(*job.State); ok {
		v, _ := j.Vehicle()
		n.VIN, n.Plate = opened(car, v.VIN), opened(car, v.Plate)
	}
	return n, nil
}

// opened is a sealed value in plain text; a dash where its key is gone or there is none.
func opened(v live.View, s *stream.Sealed) string {
	if s == nil {
		return ""
	}
	if plain, ok := v.Opened[s.Sealed.V]; ok {
		return plain
	}
	return "–"
}
