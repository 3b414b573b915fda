package toyserver

import (
	"bytes"
	"encoding/json"
	"maps"
	"time"

	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/strict"
)

// Rules are the rules of a toy: a register that has members, and other streams that take notes. A note's text is
// personal and gets sealed.
//
//	register:    open-organisation {"members": {"<id>": "<role>"}}, retire-member {"member"}
//	others:      their opening command {"org"}, note {"text", "n"}, refuse {}
type Rules struct {
	kind    stream.Kind
	opening string
}

type state struct {
	self    stream.ID
	org     stream.ID
	seq     uint64
	members map[string]member
	changed map[string]uint64 // by member, the entry that last did
}

type member struct {
	Roles  []stream.Role `json:"roles"`
	Active bool          `json:"active"`
}

type opening struct {
	Org     stream.ID              `json:"org"`
	Members map[string]stream.Role `json:"members"`
}

// Kind implements stream.Rules, as do the others.
func (r Rules) Kind() stream.Kind { return r.kind }

func (r Rules) New(id stream.ID) stream.State { return state{self: id, org: id} }

func (r Rules) Admit(cmd stream.Command) (json.RawMessage, []string, error) {
	o := strict.Read(cmd.Data, "")
	var seal []string
	switch {
	case cmd.Type == r.opening && r.kind == stream.Register:
		members := o.Object("members")
		for _, id := range members.Keys() {
			members.Enum(id, string(stream.Technician), string(stream.Specialist), string(stream.Owner))
		}
	case cmd.Type == r.opening:
		o.String("org", 36)
	case r.kind == stream.Register && cmd.Type == "retire-member":
		o.String("member", 36)
	case r.kind != stream.Register && cmd.Type == "note":
		o.Text("text", 100_000)
		o.Int("n", 0, 1_000_000)
		seal = []string{"text"}
	case r.kind != stream.Register && cmd.Type == "refuse":
	default:
		return nil, nil, fault.New(fault.UnknownType, "There is no such command.", fault.Field{Name: "type", Want: "note"})
	}
	return cmd.Data, seal, o.Close()
}

func (r Rules) Needs(stream.State, stream.Actor, stream.Command) ([]stream.FactKey, error) {
	return nil, nil
}

func (r Rules) Decide(s stream.State, actor stream.Actor, cmd stream.Command, _ stream.Facts, _ time.Time) (stream.Decision, error) {
	if cmd.Type == "refuse" {
		return stream.Decision{}, fault.New(fault.NotMet, "That is always refused.")
	}
	if cmd.Type == r.opening && s.(state).seq > 0 {
		return stream.Decision{}, fault.New(fault.AlreadyThere, "It is there.")
	}
	role, ok := actor.As(stream.Technician, stream.Specialist, stream.Owner, stream.System)
	if !ok {
		return stream.Decision{}, fault.New(fault.NotYourRole, "You have no role.")
	}
	return stream.Decision{Type: cmd.Type + "-done", V: 1, Role: role}, nil
}

func (r Rules) Apply(s stream.State, e stream.Entry) (stream.State, error) {
	next := s.(state)
	next.seq = e.Seq
	next.members, next.changed = maps.Clone(next.members), maps.Clone(next.changed)
	switch e.Command.Type {
	case r.opening:
		var o opening
		if err := json.Unmarshal(e.Command.Data, &o); err != nil {
			return nil, err
		}
		if r.kind != stream.Register {
			next.org = o.Org
		}
		next.members, next.changed = map[string]member{}, map[string]uint64{}
		for id, role := range o.Members {
			next.members[id], next.changed[id] = member{[]stream.Role{role}, true}, e.Seq
		}
	case "retire-member":
		var o struct{ Member string }
		if err := json.Unmarshal(e.Command.Data, &o); err != nil {
			return nil, err
		}
		next.members[o.Member], next.changed[o.Member] = member{Roles: []stream.Role{}}, e.Seq
	}
	return next, nil
}

func (r Rules) Stale(string, string) bool { return false }

func (r Rules) Fact(s stream.State, name string) (json.RawMessage, uint64, bool) {
	for id, m := range s.(state).members {
		if name == "member/"+id {
			value, err := json.Marshal(m)
			return value, s.(state).changed[id], err == nil
		}
	}
	return nil, 0, false
}

func (r Rules) RelationNeeds(stream.State, stream.Actor) []stream.FactKey { return nil }

func (r Rules) Relation(s stream.State, actor stream.Actor, _ stream.Facts) stream.Relation {
	if actor.Org == s.(state).org || actor.Has(stream.System) {
		return stream.Own
	}
	return stream.Foreign
}

func (r Rules) Summary(s stream.State) stream.Summary {
	return stream.Summary{Org: s.(state).org, Phase: "open"}
}

func (r Rules) Key(s stream.State, _ stream.Command) (stream.Ref, error) {
	return stream.Ref{Kind: r.kind, ID: s.(state).self}, nil
}

// ReadLive takes {"readings", "moved"}; the first reading may be {"refuse": true}.
func (r Rules) ReadLive(data json.RawMessage) (any, error) {
	var order struct {
		Moved    bool              `json:"moved"`
		Readings []json.RawMessage `json:"readings"`
	}
	return &order, json.Unmarshal(data, &order)
}

func (r Rules) AdmitLive(stream.State, stream.Actor) error { return nil }

func (r Rules) LiveNeeds(stream.State, stream.Actor, any) []stream.FactKey { return nil }

func (r Rules) Live(_ stream.State, _ stream.Actor, order any, _ stream.Facts, _ time.Time) (any, error) {
	raw, err := json.Marshal(order)
	if err != nil {
		return nil, err
	}
	if bytes.Contains(raw, []byte(`"refuse":true`)) {
		return nil, fault.New(fault.NotMet, "That is always refused.")
	}
	return struct {
		Position string          `json:"position"`
		Order    json.RawMessage `json:"order"`
		Verdict  map[string]any  `json:"verdict"`
	}{"middle", raw, map[string]any{"verdict": "within"}}, nil
}
