package httpapi

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strings"

	"readback/internal/access"
	"readback/internal/fault"
	"readback/internal/procedure"
	"readback/internal/register"
	"readback/internal/stream"
	"readback/internal/vehicle"
)

// method is a procedure that a calibration can be opened with now, as a list has it.
type method struct {
	Register     stream.ID        `json:"register"`
	Organisation string           `json:"organisation"` // whose it is
	ID           stream.ID        `json:"id"`
	Version      int              `json:"version"`
	Digest       string           `json:"digest"`
	Title        string           `json:"title"`
	Sensor       string           `json:"sensor"`
	Source       procedure.Source `json:"source"`
	SetUps       []string         `json:"set_ups"` // their names; none where it is a drive alone
	Drive        bool             `json:"drive"`   // a drive on the road is asked for
	Gates        int              `json:"gates"`
}

func methodOf(org register.Organisation, of stream.ID, p register.Procedure) (method, error) {
	read, err := procedure.DecodeWhole(p.Procedure, "")
	if err != nil {
		return method{}, fmt.Errorf("procedure %s of %s: %w", p.ID, of, err)
	}
	m := method{
		Register: of, Organisation: org.Name, ID: p.ID, Version: p.Version, Digest: p.Digest, Title: read.Title, Sensor: read.Sensor,
		Source: read.Source, SetUps: []string{}, Drive: read.Drive != nil, Gates: len(read.Gates),
	}
	for _, s := range read.SetUps {
		m.SetUps = append(m.SetUps, s.Name)
	}
	return m, nil
}

// procedures lists what a calibration of the asker's organisation can be opened with now: the procedures in use of its own
// register first, then those of the desks that it has an agreement with. It is the rule that opening one goes by.
func (s *Server) procedures(w http.ResponseWriter, r *http.Request, actor stream.Actor) error {
	if err := access.Check(actor, stream.Own, stream.Register, access.See); err != nil {
		return err
	}
	wanted := r.URL.Query().Get("sensor")
	if kinds := vehicle.Sensors(); r.URL.Query().Has("sensor") && !slices.Contains(kinds, wanted) {
		return fault.Badly("sensor", "one of "+strings.Join(kinds, ", "))
	}
	list := []method{}
	err := s.eachBook(r.Context(), actor.Org, func(book *register.State) error {
		org, _ := book.Organisation()
		for _, p := range book.Procedures() {
			if !p.Active {
				continue
			}
			m, err := methodOf(org, book.ID(), p)
			if err != nil {
				return err
			}
			if wanted == "" || m.Sensor == wanted {
				list = append(list, m)
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	slices.SortStableFunc(list, func(a, b method) int {
		if aOwn, bOwn := a.Register == actor.Org, b.Register == actor.Org; aOwn != bOwn {
			return map[bool]int{true: -1, false: 1}[aOwn]
		}
		return cmp.Or(cmp.Compare(a.Organisation, b.Organisation), cmp.Compare(a.Title, b.Title))
	})
	return answer(w, map[string]any{"procedures": list})
}

// procedure gives one of them whole. One that is not among them is not here, for whatever reason.
func (s *Server) procedure(w http.ResponseWriter, r *http.Request, actor stream.Actor) error {
	if err := access.Check(actor, stream.Own, stream.Register, access.See); err != nil {
		return err
	}
	id, err := stream.ParseID("id", r.PathValue("id"))
	if err != nil {
		return err
	}
	of, err := stream.ParseID("register", orElse(r, "register", actor.Org.String()))
	if err != nil {
		return err
	}
	var found *register.Procedure
	var org register.Organisation
	err = s.eachBook(r.Context(), actor.Org, func(book *register.State) error {
		for _, p := range book.Procedures() {
			if book.ID() == of && p.ID == id && p.Active {
				found = &p
				org, _ = book.Organisation()
			}
		}
		return nil
	})
	switch {
	case err != nil:
		return err
	case found == nil:
		return fault.New(fault.NotHere, "There is no such procedure in use, in your register or in that of a desk you have an agreement with.")
	}
	m, err := methodOf(org, of, *found)
	if err != nil {
		return err
	}
	return answer(w, struct {
		method
		Procedure json.RawMessage `json:"procedure"`
	}{m, found.Procedure})
}

// eachBook gives the registers whose procedures the organisation works by, as this node knows them: its own, and those of the
// desks that it has an agreement with.
func (s *Server) eachBook(ctx context.Context, org stream.ID, use func(*register.State) error) error {
	own, err := s.book(ctx, org)
	if err != nil || own == nil {
		return err
	}
	if err := use(own); err != nil {
		return err
	}
	for _, a := range own.Agreements() {
		if a.Ended || a.Desk == org {
			continue
		}
		desk, err := s.book(ctx, a.Desk)
		if err == nil && desk != nil {
			err = use(desk)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

func (s *Server) book(ctx context.Context, org stream.ID) (*register.State, error) {
	state, err := s.Hub.Peek(ctx, stream.Ref{Kind: stream.Register, ID: org})
	if err != nil || state == nil {
		return nil, err
	}
	book, ok := state.(*register.State)
	if !ok {
		return nil, fmt.Errorf("a %T is no register", state)
	}
	return book, nil
}
