package register

import (
	"bytes"
	"encoding/json"
	"maps"
	"slices"
	"strings"
	"time"

	"readback/internal/dispatch"
	"readback/internal/fault"
	"readback/internal/stream"
)

// State is a register as folded from its entries.
type State struct {
	id           stream.ID
	seq          uint64 // of the last entry
	organisedAt  uint64 // number of the entry that opened or last changed the organisation; 0: not opened
	organisation Organisation
	members      shelf[Member]
	agreements   shelf[Agreement] // by the desk's id
	bays         shelf[Bay]
	instruments  shelf[Instrument]
	fixtures     shelf[Fixture]
	dimensions   shelf[Dimensions]
	duty         shelf[Duty] // by the member's id
	hours        dispatch.Hours
	hoursAt      uint64 // number of the entry that last set hours; 0: never set
	procedures   shelf[Procedure]
	webhooks     shelf[Webhook]
	interfaces   shelf[Interface]
}

// kept is a thing and the number of the entry that last changed it.
type kept[T any] struct {
	value T
	seq   uint64
}

type shelf[T any] map[stream.ID]kept[T]

// with is the shelf with one thing put on it or changed; the shelf itself stays as it was.
func (s shelf[T]) with(id stream.ID, value T, seq uint64) shelf[T] {
	next := maps.Clone(s)
	if next == nil {
		next = shelf[T]{}
	}
	next[id] = kept[T]{value, seq}
	return next
}

// all lists the things in the order of their ids.
func (s shelf[T]) all() []T {
	ids := slices.SortedFunc(maps.Keys(s), func(a, b stream.ID) int { return bytes.Compare(a[:], b[:]) })
	list := make([]T, len(ids))
	for i, id := range ids {
		list[i] = s[id].value
	}
	return list
}

func (s shelf[T]) fact(id stream.ID) (json.RawMessage, uint64, bool) {
	k, ok := s[id]
	if !ok {
		return nil, 0, false
	}
	raw, err := json.Marshal(k.value)
	return raw, k.seq, err == nil
}

// Fact gives one of the register's values; see the package comment for their names.
func (Rules) Fact(state stream.State, name string) (json.RawMessage, uint64, bool) {
	s := state.(*State)
	if name == "organisation" && s.opened() {
		raw, err := json.Marshal(s.organisation)
		return raw, s.organisedAt, err == nil
	}
	if name == "hours" && s.hoursAt > 0 {
		raw, err := json.Marshal(s.hours)
		return raw, s.hoursAt, err == nil
	}
	sort, text, _ := strings.Cut(name, "/")
	id, err := stream.ParseID("", text)
	if err != nil {
		return nil, 0, false
	}
	switch sort {
	case "member":
		return s.members.fact(id)
	case "duty":
		return s.duty.fact(id)
	case "agreement":
		return s.agreements.fact(id)
	case "bay":
		return s.bays.fact(id)
	case "instrument":
		return s.instruments.fact(id)
	case "fixture":
		return s.fixtures.fact(id)
	case "dimensions":
		return s.dimensions.fact(id)
	case "procedure":
		return s.procedures.fact(id)
	case "interface":
		return s.interfaces.fact(id)
	}
	return nil, 0, false
}

// taken refuses an id that any thing of this register has or had, or that is the organisation's own.
func (s *State) taken(id stream.ID) error {
	_, member := s.members[id]
	_, bay := s.bays[id]
	_, instrument := s.instruments[id]
	_, fixture := s.fixtures[id]
	_, dimensions := s.dimensions[id]
	_, procedure := s.procedures[id]
	_, webhook := s.webhooks[id]
	_, device := s.interfaces[id]
	if device || webhook || member || bay || instrument || fixture || dimensions || procedure || id == s.id {
		return fault.New(fault.AlreadyThere, "The register holds something with this id already.",
			fault.Field{Name: "data.id", Want: "an id that was never used in this register"})
	}
	return nil
}

// missing refuses what names a thing that the register does not hold.
func missing(key, what string) error {
	return fault.New(fault.NotHere, "The register holds no such "+what+".", fault.Field{Name: "data." + key, Want: "the id of one it holds"})
}

// gone refuses to change what is retired.
func gone(key, what string) error {
	return fault.New(fault.WrongPhase, "This "+what+" is retired and is not changed any more.",
		fault.Field{Name: "data." + key, Want: "the id of one in use"})
}

// notYet refuses a day that lies ahead. Somewhere on earth it may be tomorrow already.
func notYet(key, day string, now time.Time) error {
	if day > now.UTC().AddDate(0, 0, 1).Format(time.DateOnly) {
		return fault.Badly("data."+key, "a day that has come")
	}
	return nil
}

func (s *State) opened() bool { return s.organisedAt > 0 }

// ID is the organisation's id.
func (s *State) ID() stream.ID { return s.id }

// Organisation is who the register belongs to; false before the first entry.
func (s *State) Organisation() (Organisation, bool) { return s.organisation, s.opened() }

// Member is one of the organisation's people, active or retired.
func (s *State) Member(id stream.ID) (Member, bool) {
	k, ok := s.members[id]
	return k.value.copied(), ok
}

// Members lists the organisation's people, the retired too, in order of their ids.
func (s *State) Members() []Member {
	list := s.members.all()
	for i := range list {
		list[i] = list[i].copied()
	}
	return list
}

// Actor is the member with the roles held now; false for who is not a member or retired.
func (s *State) Actor(id stream.ID) (stream.Actor, bool) {
	k, ok := s.members[id]
	if !ok || !k.value.Active {
		return stream.Actor{}, false
	}
	return stream.Actor{Member: id, Org: s.id, Roles: slices.Clone(k.value.Roles)}, true
}

// Agreements lists the desks that serve or served the shop.
func (s *State) Agreements() []Agreement { return s.agreements.all() }

// Bays lists the bays, the retired too, in order of their ids.
func (s *State) Bays() []Bay { return s.bays.all() }

// Instruments lists the instruments, the retired too, in order of their ids.
func (s *State) Instruments() []Instrument { return s.instruments.all() }

// Fixtures lists the fixtures, the retired too, in order of their ids.
func (s *State) Fixtures() []Fixture { return s.fixtures.all() }

// Dimensions lists the dimension sheets, the retired too, in order of their ids.
func (s *State) Dimensions() []Dimensions { return s.dimensions.all() }

// Procedures lists the procedures, the retired too, each in its newest version, in order of their ids.
func (s *State) Procedures() []Procedure { return s.procedures.all() }
