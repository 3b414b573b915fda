package calibration

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"readback/internal/stream"
	"readback/internal/strict"
)

// Sign is one signature under the result: the technician's for what was physically there, the specialist's for method
// and result, the owner's for the release. The release may be missing.
type Sign struct {
	By    stream.By `json:"by"`
	At    time.Time `json:"at"`
	Again bool      `json:"again,omitempty"` // the same person signed before, in another role
}

// Signs lists the signatures in the order they were given.
func (s *State) Signs() []Sign { return slices.Clone(s.signs) }

// signatures are the roles that must sign: a calibration that ended before a specialist came has the technician's only.
func (s *State) signatures() []stream.Role {
	if s.claim == nil {
		return []stream.Role{stream.Technician}
	}
	return []stream.Role{stream.Technician, stream.Specialist}
}

// unsigned are the roles whose signature is missing.
func (s *State) unsigned() []stream.Role {
	return slices.DeleteFunc(s.signatures(), s.signedAs)
}

func (s *State) signedAs(r stream.Role) bool {
	return slices.ContainsFunc(s.signs, func(sign Sign) bool { return sign.By.Role == r })
}

// signOrder says in which role somebody signs who holds several; "" is the first of the row that fits.
type signOrder struct {
	As stream.Role `json:"as"`
}

func (o signOrder) actsAs() stream.Role { return o.As }

func readSign(o *strict.Object, _ bool) any {
	return signOrder{As: stream.Role(o.OptEnum("as", "", string(stream.Technician), string(stream.Specialist), string(stream.Owner)))}
}

type signedDecided struct {
	Again    bool     `json:"again"`
	Cautions []string `json:"cautions,omitempty"`
}

func decideSign(a *asked) (stream.Decision, error) {
	again := slices.ContainsFunc(a.state.signs, func(s Sign) bool { return s.By.Person() == a.actor.Person() })
	return a.entry(signedDecided{Again: again, Cautions: a.competenceCautions()})
}

func applySigned(s *State, e stream.Entry) error {
	var d signedDecided
	if err := parse(e, nil, &d); err != nil {
		return err
	}
	s.signs = appended(s.signs, Sign{By: e.By, At: e.At, Again: d.Again})
	return nil
}

var notSigned = guard{"not-signed", "nobody has signed in this role", func(a *asked) string {
	if a.state.signedAs(a.role) {
		return fmt.Sprintf("A %s has signed already.", a.role)
	}
	return ""
}}

var bothSigned = guard{"both-signed", "technician and specialist have signed; the technician alone if nobody has claimed", func(a *asked) string {
	var names []string
	for _, r := range a.state.unsigned() {
		names = append(names, string(r))
	}
	if names == nil {
		return ""
	}
	return fmt.Sprintf("The signature of the %s is missing.", strings.Join(names, " and of the "))
}}
