package register

import (
	"slices"
	"time"

	"readback/internal/fault"
	"readback/internal/stream"
)

// Duty is whether a specialist takes requests now. It is the fact "duty/<id>", apart from the member's: nothing that
// relies on who somebody is changes when the shift does.
type Duty struct {
	On    bool      `json:"on"`
	Since time.Time `json:"since"`
}

// shift names whose duty begins or ends.
type shift struct {
	Member stream.ID `json:"member"`
}

func readShift(in intake) shift { return shift{Member: in.id("member")} }

// theirOwn reports whether the command is about the actor, who is an active specialist of this register.
func (s *State) theirOwn(cmd stream.Command, actor stream.Actor) bool {
	d, err := stream.DecodeData[shift](cmd)
	m, ok := s.members[actor.Member]
	return err == nil && ok && m.value.Active && slices.Contains(m.value.Roles, stream.Specialist) &&
		actor.Org == s.id && actor.Has(stream.Specialist) && d.Member == actor.Member
}

// onDuty checks both ways of the switch.
func (s *State) onDuty(on bool) func(given[shift]) error {
	return func(g given[shift]) error {
		if err := known(s.members, g.data.Member, "member", "member"); err != nil {
			return err
		}
		if !slices.Contains(s.members[g.data.Member].value.Roles, stream.Specialist) {
			return fault.New(fault.NotMet, "Only specialists go on duty.", fault.Field{Name: "guard", Want: "is-specialist"})
		}
		if s.duty[g.data.Member].value.On == on {
			return unchanged()
		}
		return nil
	}
}

func (s *State) checkGoOn(g given[shift]) error  { return s.onDuty(true)(g) }
func (s *State) checkGoOff(g given[shift]) error { return s.onDuty(false)(g) }

func turning(on bool) func(*State, stream.Entry) error {
	return func(s *State, e stream.Entry) error {
		d, err := stream.DecodeData[shift](e.Command)
		if err != nil {
			return err
		}
		s.duty = s.duty.with(d.Member, Duty{On: on, Since: e.At}, s.seq)
		return nil
	}
}

// retiring ends the duty of whoever leaves.
func retiring(s *State, e stream.Entry) error {
	d, err := stream.DecodeData[leaver](e.Command)
	if err != nil {
		return err
	}
	if s.duty[d.Member].value.On {
		s.duty = s.duty.with(d.Member, Duty{Since: e.At}, s.seq)
	}
	return s.retireMember(d)
}

// Duty is whether the member is on duty; false if the member never was.
func (s *State) Duty(member stream.ID) (Duty, bool) {
	k, ok := s.duty[member]
	return k.value, ok
}
