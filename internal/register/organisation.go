package register

import (
	"strings"
)

// Sort is what an organisation is.
type Sort string

// The sorts.
const (
	Shop Sort = "shop" // has the bays, the technicians and the liability
	Desk Sort = "desk" // has the specialists
)

// Organisation is the fact "organisation": business data, open to whoever works with it.
type Organisation struct {
	Name  string `json:"name"`
	Sort  Sort   `json:"sort"`
	Phone string `json:"phone"` // "" if it has none to give
}

func readOrganisation(in intake) Organisation {
	o := Organisation{
		Name:  in.String("name", 120),
		Sort:  Sort(in.Enum("sort", string(Shop), string(Desk))),
		Phone: in.line("phone", 40),
	}
	if strings.Trim(o.Phone, "0123456789+-/() ") != "" {
		in.Reject("phone", "a telephone number: digits, spaces and + - / ( )")
	}
	return o
}

func (s *State) openOrganisation(o Organisation) error {
	s.organisation, s.openedAt = o, s.seq
	return nil
}
