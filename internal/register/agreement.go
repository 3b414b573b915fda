package register

import (
	"encoding/json"

	"readback/internal/fault"
	"readback/internal/stream"
)

// Agreement lets a desk's specialists take the shop's requests. It is the fact "agreement/<desk's id>".
type Agreement struct {
	Desk  stream.ID `json:"desk"`
	Ended bool      `json:"ended"`
}

type withDesk struct {
	Desk stream.ID `json:"desk"`
}

func readAgreement(in intake) withDesk { return withDesk{Desk: in.id("desk")} }

func organisationKey(org stream.ID) stream.FactKey {
	return stream.FactKey{Stream: stream.Ref{Kind: stream.Register, ID: org}, Name: "organisation"}
}

// needsDesk asks what the other organisation is.
func needsDesk(cmd stream.Command) ([]stream.FactKey, error) {
	d, err := stream.DecodeData[withDesk](cmd)
	if err != nil {
		return nil, err
	}
	return []stream.FactKey{organisationKey(d.Desk)}, nil
}

func (s *State) checkMakeAgreement(g given[withDesk]) error {
	if s.organisation.Sort != Shop {
		return fault.New(fault.NotMet, "Agreements stand in the shop's register: a desk makes none.",
			fault.Field{Name: "guard", Want: "is-shop"})
	}
	if a, ok := s.agreements[g.data.Desk]; ok && !a.value.Ended {
		return fault.New(fault.AlreadyThere, "The agreement with this desk is in force already.",
			fault.Field{Name: "data.desk", Want: "another desk"})
	}
	var other Organisation
	fact, ok := g.facts[organisationKey(g.data.Desk)]
	if !ok || json.Unmarshal(fact.Value, &other) != nil || other.Sort != Desk {
		return fault.New(fault.NotMet, "There is no desk with this id. Ask the desk for the id of its register.",
			fault.Field{Name: "guard", Want: "desk-known"})
	}
	return nil
}

func (s *State) makeAgreement(d withDesk) error {
	s.agreements = s.agreements.with(d.Desk, Agreement{Desk: d.Desk}, s.seq)
	return nil
}

func (s *State) checkEndAgreement(g given[withDesk]) error {
	a, ok := s.agreements[g.data.Desk]
	switch {
	case !ok:
		return missing("desk", "agreement")
	case a.value.Ended:
		return fault.New(fault.WrongPhase, "This agreement is ended already.", fault.Field{Name: "data.desk", Want: "a desk whose agreement is in force"})
	}
	return nil
}

func (s *State) endAgreement(d withDesk) error {
	s.agreements = s.agreements.with(d.Desk, Agreement{Desk: d.Desk, Ended: true}, s.seq)
	return nil
}
