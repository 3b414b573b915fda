package register

import (
	"cmp"
	"strings"
)

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
	// Expired is what a shop does about proof that has run out.
	Expired Expired `json:"expired,omitzero"`
}

// Expired says of each kind of proof whether one that has run out holds the work back (refuse) or goes on the record
// (caution). "" leaves it to the calibration's rules: an expired floor survey is a caution, the others refuse.
type Expired struct {
	Survey      string `json:"survey,omitempty"`      // of a bay's floor; also that there is none
	Instruments string `json:"instruments,omitempty"` // certificates
	Competence  string `json:"competence,omitempty"`  // of whoever claims, gives the word or signs
}

func (in intake) expired() (e Expired) {
	o, there := in.OptObject("expired")
	if !there {
		return e
	}
	for _, each := range []struct {
		key string
		to  *string
	}{{"survey", &e.Survey}, {"instruments", &e.Instruments}, {"competence", &e.Competence}} {
		*each.to = o.OptEnum(each.key, "", "refuse", "caution")
	}
	if e == (Expired{}) {
		in.Reject("expired", "survey, instruments or competence, each refuse or caution")
	}
	return e
}

// over is e where it says something, and otherwise what was there.
func (e Expired) over(was Expired) Expired {
	return Expired{
		Survey: cmp.Or(e.Survey, was.Survey), Instruments: cmp.Or(e.Instruments, was.Instruments),
		Competence: cmp.Or(e.Competence, was.Competence),
	}
}

func readOrganisation(in intake) Organisation {
	return Organisation{
		Name:  in.String("name", 120),
		Sort:  Sort(in.Enum("sort", string(Shop), string(Desk))),
		Phone: in.phone("phone"), Expired: in.expired(),
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

	Expired Expired `json:"expired,omitzero"`
}

func readOrganisationChange(in intake) organisationChange {
	d := organisationChange{Name: in.maybe("name", 120), Expired: in.expired()}
	if in.Has("phone") {
		number := in.phone("phone")
		d.Phone = &number
	}
	in.some("name", "phone", "expired")
	return d
}

func (d organisationChange) of(o Organisation) Organisation {
	o.Name, o.Phone, o.Expired = or(d.Name, o.Name), or(d.Phone, o.Phone), d.Expired.over(o.Expired)
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
