package session

import (
	"time"

	"readback/internal/stream"
)

// LinkKind says what a link to set a password is for.
type LinkKind string

// The kinds, and how long each is good.
const (
	Invited LinkKind = "invitation"
	Reset   LinkKind = "reset"

	InvitationLasts = 7 * 24 * time.Hour
	ResetLasts      = time.Hour
)

// MostOpen is how many links of owners' making an organisation has open at once: who takes on more people than that in a week
// does it by and by, or by an import.
const MostOpen = 200

// Lasts is how long a link of the kind is good.
func (k LinkKind) Lasts() time.Duration {
	if k == Reset {
		return ResetLasts
	}
	return InvitationLasts
}

// Invitation is a link by which a member sets a password, once. A member has one at the most: a newer one takes the
// place of an older.
type Invitation struct {
	ID, Member, Org stream.ID
	Kind            LinkKind
	Login           string     // the name the member will sign in with
	MadeBy          *stream.ID // the owner who made it; nil where the member asked
	MadeAt          time.Time
	ExpiresAt       time.Time
}

// Person is whom it lets in.
func (i Invitation) Person() stream.Person { return stream.Person{Org: i.Org, Member: i.Member} }
