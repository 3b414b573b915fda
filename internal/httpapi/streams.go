package httpapi

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"slices"
	"time"

	"readback/internal/access"
	"readback/internal/calibration"
	"readback/internal/fault"
	"readback/internal/live"
	"readback/internal/stream"
	"readback/internal/wire"
)

// kinds are the words of the address for the kinds of stream.
var kinds = map[string]stream.Kind{
	"calibrations": stream.Calibration,
	"jobs":         stream.Job,
	"registers":    stream.Register,
}

func kindOf(r *http.Request) (stream.Kind, error) {
	kind, ok := kinds[r.PathValue("kinds")]
	if !ok {
		return "", fault.New(fault.NotHere, "There is nothing at this address.")
	}
	return kind, nil
}

func refOf(r *http.Request) (stream.Ref, error) {
	kind, err := kindOf(r)
	if err != nil {
		return stream.Ref{}, err
	}
	id, err := stream.ParseID("id", r.PathValue("id"))
	return stream.Ref{Kind: kind, ID: id}, err
}

// command takes the same commands as the websocket, by the same way. However many somebody sends, one that stops the work
// is taken; only a loop of nothing but these is slowed down.
func (s *Server) command(w http.ResponseWriter, r *http.Request, actor stream.Actor) error {
	late := s.paces.take(actor.Person(), time.Now())
	ref, err := refOf(r)
	if err != nil {
		return err
	}
	raw, err := body(w, r)
	if err != nil {
		return err
	}
	cmd, err := wire.DecodeCommand(raw)
	if late != nil && err == nil && s.Hub.Urgent(cmd.Type) {
		late = s.paces.stop(actor.Person(), time.Now())
	}
	if late != nil {
		return late
	}
	if err != nil {
		return err
	}
	got, err := s.Hub.Do(r.Context(), actor, ref, cmd)
	if err != nil {
		return err
	}
	return answer(w, map[string]any{
		"seq": got.Seq, "hash": got.Hash, "type": got.Type, "at": wire.Instant(got.At), "repeated": got.Repeated,
	})
}

type entryJSON struct {
	Seq    uint64            `json:"seq"`
	Hash   stream.Hash       `json:"hash"`
	Body   json.RawMessage   `json:"body"`
	Opened map[string]string `json:"opened,omitempty"`
}

func entriesJSON(events []live.Event) []entryJSON {
	out := make([]entryJSON, len(events))
	for i, e := range events {
		out[i] = entryJSON{Seq: e.Seq, Hash: e.Hash, Body: e.Body, Opened: e.Opened}
	}
	return out
}

func (s *Server) entries(w http.ResponseWriter, r *http.Request, actor stream.Actor) error {
	ref, err := refOf(r)
	if err != nil {
		return err
	}
	after, err := number(r, "after", 0, 0, 1<<53-1)
	if err != nil {
		return err
	}
	limit, err := number(r, "limit", 500, 1, 1000)
	if err != nil {
		return err
	}
	events, head, err := s.Hub.Read(r.Context(), actor, ref, after, int(limit))
	if err != nil {
		return err
	}
	return answer(w, map[string]any{"entries": entriesJSON(events), "head": head})
}

// show gives a state as clients get it.
func (s *Server) show(ctx context.Context, v live.View) (any, error) {
	switch state := v.State.(type) {
	case *calibration.State:
		shown := state.View(v.Now)
		var err error
		shown.Turn, err = s.turn(ctx, state, v)
		return shown, err
	case interface{ View(time.Time) any }:
		return state.View(v.Now), nil
	}
	return nil, fmt.Errorf("a %T has no view", v.State)
}

func (s *Server) view(w http.ResponseWriter, r *http.Request, actor stream.Actor) error {
	ref, err := refOf(r)
	if err != nil {
		return err
	}
	got, err := s.Hub.View(r.Context(), actor, ref)
	if err != nil {
		return err
	}
	state, err := s.show(r.Context(), got)
	if err != nil {
		return err
	}
	opened := map[string]string{} // never null
	maps.Copy(opened, got.Opened)
	whole := map[string]any{
		"stream": ref, "seq": got.Seq, "head": got.Head, "relation": got.Relation, "state": state, "opened": opened,
	}
	unheard, silent, err := s.unheard(r.Context(), got)
	if err != nil {
		return err
	}
	if silent {
		whole["unheard_s"] = int64(unheard / time.Second)
	}
	return answer(w, whole)
}

// unheard is how long nothing was heard of the specialist who holds the claim. It is told to those who take part, and as
// long as work goes on.
func (s *Server) unheard(ctx context.Context, v live.View) (time.Duration, bool, error) {
	cal, ok := v.State.(*calibration.State)
	if !ok || s.Unheard == nil || v.Relation != stream.Own && v.Relation != stream.Claimed {
		return 0, false, nil
	}
	claim, held := cal.Claim()
	if !held || !cal.InHand() {
		return 0, false, nil
	}
	return s.Unheard(ctx, cal.ID(), claim)
}

// list gives the streams of one's own organisation, and the calibrations that it has claimed, the one opened last first.
func (s *Server) list(w http.ResponseWriter, r *http.Request, actor stream.Actor) error {
	kind, err := kindOf(r)
	if err != nil {
		return err
	}
	limit, err := number(r, "limit", 100, 1, 500)
	if err != nil {
		return err
	}
	page := Page{Limit: int(limit)}
	if query := r.URL.Query(); query.Has("before") {
		id, err := stream.ParseID("before", query.Get("before"))
		if err != nil {
			return err
		}
		page.Before = &id
	}
	if page.Search, err = searchOf(r, kind); err != nil {
		return err
	}
	rows := []Row{}
	may := func(relation stream.Relation) bool { return access.Allowed(actor.Roles, relation, kind, access.List) }
	if may(stream.Own) {
		own, err := s.Lists.OfOrg(r.Context(), kind, actor.Org, page)
		if err != nil {
			return err
		}
		rows = append(rows, own...)
	}
	if kind == stream.Calibration && may(stream.Claimed) {
		guided, err := s.Lists.OfDesk(r.Context(), actor.Org, page)
		if err != nil {
			return err
		}
		rows = append(rows, guided...)
	}
	slices.SortFunc(rows, func(a, b Row) int { return bytes.Compare(b.Stream.ID[:], a.Stream.ID[:]) })
	rows = slices.CompactFunc(rows, func(a, b Row) bool { return a.Stream == b.Stream })
	return answer(w, map[string]any{r.PathValue("kinds"): rows[:min(len(rows), int(limit))]})
}
