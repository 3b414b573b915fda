package fault

import "sort"

// Slug names a reason for refusing. Slugs are published: one is never renamed and never given another meaning.
type Slug string

// The reasons. Keep them few: a new one must give the caller something new to do.
const (
	InternalFault Slug = "internal-fault"

	Malformed    Slug = "malformed"     // not JSON, wrong frame, wrong content type
	InvalidInput Slug = "invalid-input" // well formed, but a field is wrong
	TooLarge     Slug = "too-large"
	UnknownType  Slug = "unknown-type" // no such command, message or quantity

	NotHere     Slug = "not-found"
	WrongMethod Slug = "wrong-method" // the address is there, for other methods

	Stale         Slug = "stale"     // something that matters to the command happened after its base
	IDReused      Slug = "id-reused" // the same command id with other content
	WrongPhase    Slug = "wrong-phase"
	NotMet        Slug = "not-met"        // a guard holds the command back: detail says which and why
	BusyElsewhere Slug = "busy-elsewhere" // the specialist already runs another vehicle's routine
	AlreadyThere  Slug = "already-there"

	SignInNeeded Slug = "sign-in-needed"
	SignInFailed Slug = "sign-in-failed"
	NotYourRole  Slug = "not-your-role"
	NotClaimed   Slug = "not-claimed" // only the specialist who claimed the calibration may
	ForeignPage  Slug = "foreign-origin"

	TooMany     Slug = "too-many"
	NotReady    Slug = "not-ready"
	NoRoom      Slug = "no-room"
	NoDatabase  Slug = "no-database"
	WrongServer Slug = "wrong-server" // the database is of another version or another owner
	NotProven   Slug = "not-proven"   // a trail does not verify
)

type row struct {
	kind  Kind
	title string
}

var table = map[Slug]row{
	InternalFault: {Internal, "Internal fault"},
	Malformed:     {Invalid, "Not readable"},
	InvalidInput:  {Invalid, "Input not usable"},
	TooLarge:      {Invalid, "Too large"},
	UnknownType:   {Invalid, "Unknown type"},
	NotHere:       {NotFound, "Not found"},
	WrongMethod:   {Invalid, "Wrong method"},
	Stale:         {Conflict, "Out of date"},
	IDReused:      {Conflict, "Id already used"},
	WrongPhase:    {Conflict, "Not in this phase"},
	NotMet:        {Conflict, "Not yet"},
	BusyElsewhere: {Conflict, "Busy elsewhere"},
	AlreadyThere:  {Conflict, "Already there"},
	SignInNeeded:  {Denied, "Sign in"},
	SignInFailed:  {Denied, "Sign-in failed"},
	NotYourRole:   {Denied, "Not for your role"},
	NotClaimed:    {Denied, "Not claimed by you"},
	ForeignPage:   {Denied, "Foreign origin"},
	TooMany:       {Unavailable, "Too many"},
	NotReady:      {Unavailable, "Not ready"},
	NoRoom:        {Unavailable, "No room"},
	NoDatabase:    {Unavailable, "No database"},
	WrongServer:   {Unavailable, "Wrong database server"},
	NotProven:     {Conflict, "Not proven"},
}

// Slugs lists every published slug in order, for the specs and their tests.
func Slugs() []Slug {
	all := make([]Slug, 0, len(table))
	for s := range table {
		all = append(all, s)
	}
	sort.Slice(all, func(i, j int) bool { return all[i] < all[j] })
	return all
}

// KindOf is the kind a slug stands for.
func KindOf(s Slug) Kind { return table[s].kind }

// TitleOf is a slug's fixed short name.
func TitleOf(s Slug) string { return table[s].title }
