package job

import (
	"encoding/json"
	"slices"

	"readback/internal/fault"
	"readback/internal/stream"
)

// What a job relies on of the shop's register.

func registerKey(org stream.ID, name string) stream.FactKey {
	return stream.FactKey{Stream: stream.Ref{Kind: stream.Register, ID: org}, Name: name}
}

func memberKey(actor stream.Actor) stream.FactKey {
	return registerKey(actor.Org, "member/"+actor.Member.String())
}

func organisationKey(actor stream.Actor) stream.FactKey {
	return registerKey(actor.Org, "organisation")
}

func interfaceKey(actor stream.Actor, id stream.ID) stream.FactKey {
	return registerKey(actor.Org, "interface/"+id.String())
}

func dimensionsKey(actor stream.Actor, id stream.ID) stream.FactKey {
	return registerKey(actor.Org, "dimensions/"+id.String())
}

// fact reads a fact's value. False: there is none, or it is not of that form, which is as good as none.
func fact[T any](facts stream.Facts, key stream.FactKey) (value T, ok bool) {
	f, ok := facts[key]
	if !ok || json.Unmarshal(f.Value, &value) != nil {
		var none T
		return none, false
	}
	return value, true
}

// employed is the guard that the sender works for the shop in that role now, by its register: the entry keeps the
// register's word for it.
func employed(actor stream.Actor, role stream.Role, facts stream.Facts) error {
	m, ok := fact[struct {
		Roles  []stream.Role `json:"roles"`
		Active bool          `json:"active"`
	}](facts, memberKey(actor))
	if !ok || !m.Active || !slices.Contains(m.Roles, role) {
		return notMet("employed", "You are not an active "+string(role)+" in your organisation's register. Ask its owner to enter you.")
	}
	return nil
}

// inShop is the guard that a shop opens the job: desks have no cars.
func inShop(actor stream.Actor, facts stream.Facts) error {
	o, ok := fact[struct {
		Sort string `json:"sort"`
	}](facts, organisationKey(actor))
	if !ok || o.Sort != "shop" {
		return notMet("in-shop", "Jobs are opened by shops, and your organisation is not one.")
	}
	return nil
}

// sheetInUse is the guard that the shop has the dimension sheet and has not retired it.
func sheetInUse(actor stream.Actor, id stream.ID, facts stream.Facts) error {
	d, ok := fact[struct {
		Active bool `json:"active"`
	}](facts, dimensionsKey(actor, id))
	switch {
	case !ok:
		return notMet("sheet-in-use", "Your register holds no dimension sheet with this id.")
	case !d.Active:
		return notMet("sheet-in-use", "This dimension sheet is retired. Choose one that is in use.")
	}
	return nil
}

func notMet(guard, why string) error {
	return fault.New(fault.NotMet, why, fault.Field{Name: "guard", Want: guard})
}
