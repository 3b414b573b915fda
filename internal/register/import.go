package register

import (
	"encoding/json"
	"fmt"
	"slices"

	"readback/internal/stream"
	"readback/internal/strict"
)

// Imported is what an import document makes: the commands that build the register from nothing, ready to be given by
// the server in order, and what never enters the register.
type Imported struct {
	Organisation stream.ID
	// Commands open the organisation and enter its people and things. Base counts on from 0.
	Commands []stream.Command
	// Agreements continue Commands. They rely on the desks, so they are given when every organisation of the import is
	// open.
	Agreements []stream.Command
	SignIns    []SignIn
}

// SignIn is how a member is to sign in. The password is plain: it is hashed by whoever makes the account, and kept
// nowhere else.
type SignIn struct {
	Path     string // in the document, for faults
	Member   stream.ID
	Login    string
	Password string
}

// The most of each that one document may list.
const (
	mostMembers = 500
	mostThings  = 1000
)

// Format is the value of "format" in an import document: its kind and version.
const Format = "readback-register/1"

// Import reads an import document (docs/import.md): decimals in millimetres and degrees, ids given or left to newID,
// which also makes the ids of the commands. All faults found are in one *fault.Error, named by their path.
func Import(raw []byte, newID func() stream.ID) (Imported, error) {
	b := builder{newID: newID, taken: map[stream.ID]bool{}, logins: map[string]bool{}}
	o := strict.Read(raw, "")
	doc := intake{Object: o, newID: newID}
	o.Enum("format", Format)

	org := doc.in(o.Object("organisation"))
	b.out.Organisation = org.newcomer()
	b.taken[b.out.Organisation] = true
	b.add("open-organisation", readOrganisation(org))
	for _, each := range o.OptObjects("members", 0, mostMembers) {
		b.member(doc.in(each))
	}
	for _, each := range o.OptObjects("bays", 0, mostThings) {
		b.bay(doc.in(each))
	}
	for _, each := range o.OptObjects("instruments", 0, mostThings) {
		i := readInstrument(doc.in(each))
		b.once(doc.in(each), i.ID)
		b.add("add-instrument", i)
	}
	for _, each := range o.OptObjects("fixtures", 0, mostThings) {
		f := readFixture(doc.in(each))
		b.once(doc.in(each), f.ID)
		b.add("add-fixture", f)
	}
	for _, each := range o.OptObjects("dimensions", 0, mostThings) {
		d := readDimensions(doc.in(each))
		b.once(doc.in(each), d.ID)
		b.add("add-dimensions", d)
	}
	b.agreements(o, doc)
	if err := o.Close(); err != nil {
		return Imported{}, err
	}
	return b.out, b.err
}

// in reads another object of the same document.
func (in intake) in(o *strict.Object) intake { return intake{Object: o, newID: in.newID} }

type builder struct {
	out    Imported
	newID  func() stream.ID
	taken  map[stream.ID]bool
	logins map[string]bool
	base   uint64
	err    error
}

// command writes the next command. Data that is at fault is written too: then nothing is given out.
func (b *builder) command(typ string, data any) stream.Command {
	raw, err := json.Marshal(data)
	if err != nil && b.err == nil {
		b.err = fmt.Errorf("write data of %s: %w", typ, err)
	}
	b.base++
	return stream.Command{ID: b.newID(), Base: b.base - 1, Type: typ, Data: raw}
}

func (b *builder) add(typ string, data any) {
	b.out.Commands = append(b.out.Commands, b.command(typ, data))
}

// once refuses an id that the document has given to something else.
func (b *builder) once(in intake, id stream.ID) {
	if id != (stream.ID{}) && b.taken[id] {
		in.Reject("id", "an id that nothing else in the document has")
	}
	b.taken[id] = true
}

func (b *builder) member(in intake) {
	m := readMember(in)
	b.once(in, m.ID)
	b.add("add-member", m)
	for _, each := range in.OptObjects("competences", 0, 50) {
		b.add("grant-competence", grant{Member: m.ID, Competence: competenceOf(in.in(each))})
	}
	if o, there := in.OptObject("sign_in"); there {
		s := SignIn{Path: in.Path("sign_in"), Member: m.ID, Login: o.String("login", 100), Password: o.String("password", 256)}
		if s.Login != "" && b.logins[s.Login] {
			o.Reject("login", "a name that nobody else in the document signs in with")
		}
		b.logins[s.Login] = true
		b.out.SignIns = append(b.out.SignIns, s)
	}
}

func (b *builder) bay(in intake) {
	bay := readBay(in)
	b.once(in, bay.ID)
	b.add("add-bay", bay)
	if slices.ContainsFunc([]string{"floor", "surveyed", "expires"}, in.Has) {
		v := surveyOf(in)
		v.Bay = bay.ID
		b.add("survey-bay", v)
	}
}

func (b *builder) agreements(o *strict.Object, doc intake) {
	desks := map[stream.ID]bool{}
	for _, each := range o.OptObjects("agreements", 0, mostMembers) {
		a := readAgreement(doc.in(each))
		if a.Desk != (stream.ID{}) && desks[a.Desk] {
			each.Reject("desk", "a desk that the document does not name already")
		}
		desks[a.Desk] = true
		b.out.Agreements = append(b.out.Agreements, b.command("make-agreement", a))
	}
}
