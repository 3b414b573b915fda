package live_test

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"readback/internal/fault"
	"readback/internal/stream"
)

// toy is a small set of rules that uses all that the hub offers. A register holds members (name sealed), agreements and
// a limit; a job holds a plate (sealed); a calibration counts up to the register's limit, takes notes (sealed), and is
// requested, claimed, returned, started and ended. One state serves the three kinds.
type toy struct{ kind stream.Kind }

func toys() map[stream.Kind]stream.Rules {
	return map[stream.Kind]stream.Rules{
		stream.Register: toy{stream.Register}, stream.Job: toy{stream.Job}, stream.Calibration: liveToy{toy: toy{stream.Calibration}},
	}
}

type toyState struct {
	id        stream.ID
	seq       uint64
	shop      stream.ID
	job       stream.ID
	count     int
	requested bool
	desk      *stream.ID
	desks     []stream.ID
	running   bool
	facts     map[string]toyFact
}

type toyFact struct {
	value json.RawMessage
	seq   uint64
}

// toyData is every command's data.
type toyData struct {
	ID     *stream.ID      `json:"id,omitempty"`
	Roles  []stream.Role   `json:"roles,omitempty"`
	Active bool            `json:"active,omitempty"`
	Desk   *stream.ID      `json:"desk,omitempty"`
	Job    *stream.ID      `json:"job,omitempty"`
	N      int             `json:"n,omitempty"`
	Name   json.RawMessage `json:"name,omitempty"`
	Plate  json.RawMessage `json:"plate,omitempty"`
	Note   json.RawMessage `json:"note,omitempty"`
}

func toyRead(data json.RawMessage) (toyData, error) {
	var d toyData
	dec := json.NewDecoder(strings.NewReader(string(data)))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&d); err != nil {
		return d, fault.Badly("data", "the keys of the toy: "+err.Error())
	}
	return d, nil
}

// commands maps each command to its entry type.
var toyEntries = map[string]string{
	"open-organisation": "organisation-opened", "add-member": "member-added", "make-agreement": "agreement-made", "end-agreement": "agreement-ended", "set-limit": "limit-set",
	"open-job": "job-opened",
	"open":     "opened", "add": "added", "note": "noted", "request": "requested", "claim": "claimed", "return": "returned", "start": "started", "end": "ended",
}

func (r toy) Kind() stream.Kind { return r.kind }

func (r toy) New(id stream.ID) stream.State { return &toyState{id: id, facts: map[string]toyFact{}} }

func (r toy) Admit(cmd stream.Command) (json.RawMessage, []string, error) {
	if toyEntries[cmd.Type] == "" {
		return nil, nil, fault.New(fault.UnknownType, "There is no such command.")
	}
	if _, err := toyRead(cmd.Data); err != nil {
		return nil, nil, err
	}
	return cmd.Data, []string{"name", "plate", "note"}, nil
}

func (r toy) limitKey(shop stream.ID) stream.FactKey {
	return stream.FactKey{Stream: stream.Ref{Kind: stream.Register, ID: shop}, Name: "limit"}
}

func (r toy) Needs(state stream.State, actor stream.Actor, cmd stream.Command) ([]stream.FactKey, error) {
	s, d := state.(*toyState), toyData{}
	switch cmd.Type {
	case "open":
		d, _ = toyRead(cmd.Data)
		return []stream.FactKey{{Stream: stream.Ref{Kind: stream.Job, ID: *d.Job}, Name: "shop"}}, nil
	case "add":
		return []stream.FactKey{r.limitKey(s.shop)}, nil
	case "claim":
		return []stream.FactKey{{Stream: stream.Ref{Kind: stream.Register, ID: actor.Org}, Name: "member/" + actor.Member.String()}}, nil
	case "make-agreement": // looks back at the other register, so that two could wait for each other
		d, _ = toyRead(cmd.Data)
		return []stream.FactKey{r.limitKey(*d.Desk)}, nil
	}
	return nil, nil
}

func (r toy) Decide(state stream.State, actor stream.Actor, cmd stream.Command, facts stream.Facts, now time.Time) (stream.Decision, error) {
	s := state.(*toyState)
	d := stream.Decision{Type: toyEntries[cmd.Type], V: 1, Role: actor.Roles[0]}
	data, err := toyRead(cmd.Data)
	if err != nil {
		return d, err
	}
	opens := strings.HasPrefix(cmd.Type, "open")
	if opens != (s.seq == 0) {
		return d, fault.New(fault.AlreadyThere, "It is open.")
	}
	switch cmd.Type {
	case "add":
		var limit int
		if f, ok := facts[r.limitKey(s.shop)]; ok {
			if err := json.Unmarshal(f.Value, &limit); err != nil {
				return d, err
			}
		}
		if limit > 0 && s.count+data.N > limit {
			return d, fault.New(fault.NotMet, fmt.Sprintf("The limit is %d.", limit))
		}
		d.Decided = map[string]int{"count": s.count + data.N}
	case "claim":
		if !s.requested || s.desk != nil {
			return d, fault.New(fault.WrongPhase, "Nothing to claim.")
		}
	case "return":
		if s.desk == nil || *s.desk != actor.Org {
			return d, fault.New(fault.NotClaimed, "Not yours.")
		}
	case "start":
		who := actor.Person()
		d.Runs = &who
	case "end":
		who := actor.Person()
		d.Ends = &who
	}
	return d, nil
}

func (r toy) Apply(state stream.State, e stream.Entry) (stream.State, error) {
	s := *state.(*toyState)
	d, err := toyRead(e.Command.Data)
	if err != nil {
		return nil, err
	}
	s.seq, s.facts = e.Seq, maps.Clone(s.facts)
	give := func(name string, v any) {
		raw, err := json.Marshal(v)
		if err != nil {
			panic(err)
		}
		s.facts[name] = toyFact{raw, e.Seq}
	}
	switch e.Type {
	case "organisation-opened":
		s.shop = s.id
	case "member-added":
		give("member/"+d.ID.String(), map[string]any{"name": d.Name, "roles": d.Roles, "active": d.Active})
	case "agreement-made", "agreement-ended":
		give("agreement/"+d.Desk.String(), e.Type == "agreement-made")
	case "limit-set":
		give("limit", d.N)
	case "job-opened":
		s.shop = e.By.Org
		give("shop", e.By.Org)
	case "opened":
		s.shop, s.job = e.By.Org, *d.Job
	case "added":
		var got struct{ Count int }
		if err := json.Unmarshal(e.Decided, &got); err != nil {
			return nil, err
		}
		s.count = got.Count
	case "requested":
		s.requested = true
	case "claimed":
		s.desk, s.desks = &e.By.Org, append(slices.Clone(s.desks), e.By.Org)
	case "returned":
		s.desk, s.requested = nil, false
	case "started", "ended":
		s.running = e.Type == "started"
	case "noted":
	default:
		return nil, fmt.Errorf("unknown entry %s", e.Type)
	}
	return &s, nil
}

// Stale: only a claim minds what it has not seen.
func (r toy) Stale(command, entry string) bool { return command == "claim" && entry == "added" }

func (r toy) Fact(state stream.State, name string) (json.RawMessage, uint64, bool) {
	f, ok := state.(*toyState).facts[name]
	return f.value, f.seq, ok
}

func (r toy) agreementKey(s *toyState, desk stream.ID) stream.FactKey {
	return stream.FactKey{Stream: stream.Ref{Kind: stream.Register, ID: s.shop}, Name: "agreement/" + desk.String()}
}

func (r toy) RelationNeeds(state stream.State, actor stream.Actor) []stream.FactKey {
	if s := state.(*toyState); r.kind == stream.Calibration && actor.Org != s.shop {
		return []stream.FactKey{r.agreementKey(s, actor.Org)}
	}
	return nil
}

func (r toy) Relation(state stream.State, actor stream.Actor, facts stream.Facts) stream.Relation {
	s := state.(*toyState)
	agreed := string(facts[r.agreementKey(s, actor.Org)].Value) == "true"
	switch {
	case s.shop == actor.Org:
		return stream.Own
	case s.desk != nil && *s.desk == actor.Org:
		return stream.Claimed
	case s.requested && s.desk == nil && agreed:
		return stream.Agreed
	case slices.Contains(s.desks, actor.Org):
		return stream.Ended
	}
	return stream.Foreign
}

func (r toy) Summary(state stream.State) stream.Summary {
	s := state.(*toyState)
	sum := stream.Summary{Org: s.shop, Phase: "open", Data: map[string]int{"count": s.count}}
	if r.kind == stream.Calibration {
		sum.Job = &s.job
	}
	return sum
}

func (r toy) Key(state stream.State, cmd stream.Command) (stream.Ref, error) {
	s := state.(*toyState)
	if r.kind != stream.Calibration {
		return stream.Ref{Kind: r.kind, ID: s.id}, nil
	}
	if s.seq > 0 {
		return stream.Ref{Kind: stream.Job, ID: s.job}, nil
	}
	d, err := toyRead(cmd.Data)
	if err != nil || d.Job == nil {
		return stream.Ref{}, fault.Badly("data.job", "the job")
	}
	return stream.Ref{Kind: stream.Job, ID: *d.Job}, nil
}
