package register

import "strings"

// Sort is what an organisation is.
type Sort string

// The sorts.
const (
	Shop Sort = "shop" // has the bays, the technicians and the liability
	Desk Sort = "desk" // has the specialists
)

// Organisation is the fact "organisation": business data, open to whoever works with it. What sort it is stays for ever.
type Organisation struct {
	Name  string `json:"name"`
	Sort  Sort   `json:"sort"`
	Phone string `json:"phone"` // "" if it has none to give
}

func readOrganisation(in intake) Organisation {
	return Organisation{
		Name:  in.String("name", 120),
		Sort:  Sort(in.Enum("sort", string(Shop), string(Desk))),
		Phone: in.phone("phone"),
	}
}

// phone reads a telephone number that may be absent or empty.
func (in intake) phone(key string) string {
	number := in.line(key, 40)
	if strings.Trim(number, "0123456789+-/() ") != "" {
		in.Reject(key, "a telephone number: digits, spaces and + - / ( )")
	}
	return number
}

func (s *State) openOrganisation(o Organisation) error {
	s.organisation, s.organisedAt = o, s.seq
	return nil
}

type organisationChange struct {
	Name  *string `json:"name,omitempty"`
	Phone *string `json:"phone,omitempty"` // "" takes the number away
}

func readOrganisationChange(in intake) organisationChange {
	d := organisationChange{Name: in.maybe("name", 120)}
	if in.Has("phone") {
		number := in.phone("phone")
		d.Phone = &number
	}
	in.some("name", "phone")
	return d
}

func (d organisationChange) of(o Organisation) Organisation {
	o.Name, o.Phone = or(d.Name, o.Name), or(d.Phone, o.Phone)
	return o
}

func (s *State) checkOrganisationChange(g given[organisationChange]) error {
	if g.data.of(s.organisation) == s.organisation {
		return unchanged()
	}
	return nil
}

func (s *State) changeOrganisation(d organisationChange) error {
	s.organisation, s.organisedAt = d.of(s.organisation), s.seq
	return nil
}
