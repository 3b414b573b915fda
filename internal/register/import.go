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
	Desks      []Named // whom they name
	Sort       Sort
	SignIns    []SignIn
}

// Named is an organisation that a document names.
type Named struct {
	Path string // in the document, for faults
	ID   stream.ID
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
	mostMembers = 5_000 // those who left included
	mostThings  = 10_000
)

// Format is the value of "format" in an import document: its kind and version.
const Format = "readback-register/1"

// Import reads an import document (docs/import.md): decimals in millimetres and degrees, ids given or left to newID,
// which also makes the ids of the commands. All faults found are in one *fault.Error, named by their path; of a document with
// faults only the sign-ins come out, for whoever makes accounts has rules of its own, and says them with the others.
func Import(raw []byte, newID func() stream.ID) (Imported, error) {
	b := builder{newID: newID, taken: map[stream.ID]bool{}, people: map[stream.ID]bool{}, logins: map[string]bool{}}
	o := strict.Read(raw, "")
	doc := intake{Object: o, newID: newID}
	o.Enum("format", Format)

	org := doc.in(o.Object("organisation"))
	b.out.Organisation = org.newcomer()
	b.taken[b.out.Organisation] = true
	opened := readOrganisation(org)
	b.out.Sort = opened.Sort
	b.add("open-organisation", opened)
	if hours, there := o.OptObject("hours"); there {
		b.add("set-opening-hours", readHours(doc.in(hours)))
	}
	b.members(o.OptObjects("members", 0, mostMembers), doc)
	b.things(o.OptObjects("bays", 0, mostThings), doc, theBay, "name", b.bay)
	b.things(o.OptObjects("instruments", 0, mostThings), doc, theInstrument, "name", func(in intake) (stream.ID, string) {
		i := readInstrument(in)
		b.add("add-instrument", i)
		return i.ID, i.Name
	})
	b.things(o.OptObjects("fixtures", 0, mostThings), doc, theFixture, "name", func(in intake) (stream.ID, string) {
		f := readFixture(in)
		b.add("add-fixture", f)
		return f.ID, f.Name
	})
	b.things(o.OptObjects("dimensions", 0, mostThings), doc, theDimensions, "type", func(in intake) (stream.ID, string) {
		d := readDimensions(in)
		b.add("add-dimensions", d)
		return d.ID, d.Type
	})
	b.things(o.OptObjects("procedures", 0, mostThings), doc, theProcedure, "versions", b.procedure)
	b.agreements(o, doc)
	if err := o.Close(); err != nil {
		return Imported{SignIns: b.out.SignIns}, err
	}
	return b.out, b.err
}

// in reads another object of the same document.
func (in intake) in(o *strict.Object) intake { return intake{Object: o, newID: in.newID} }

type builder struct {
	out    Imported
	newID  func() stream.ID
	taken  map[stream.ID]bool
	people map[stream.ID]bool // its members
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

// things reads the things of one kind; read gives the command that adds one, and its id and name. Those retired come
// first: then their names are free for those in use.
func (b *builder) things(list []*strict.Object, doc intake, kind, nameKey string, read func(intake) (stream.ID, string)) {
	retired := make([]bool, len(list))
	for i, o := range list {
		retired[i] = o.OptBool("retired", false)
	}
	names := map[string]bool{} // as spoken, of those in use
	for _, pass := range []bool{true, false} {
		for i, o := range list {
			if retired[i] != pass {
				continue
			}
			id, name := read(doc.in(o))
			b.once(doc.in(o), id)
			switch {
			case retired[i]:
				b.add("retire", retirement{Kind: kind, ID: id})
			case name != "" && names[spoken(name)]:
				o.Reject(nameKey, "one that nothing else in use in this list has")
			}
			if !retired[i] {
				names[spoken(name)] = true
			}
		}
	}
}

// members reads the people. Those retired leave when everyone is there: the last owner could not.
func (b *builder) members(list []*strict.Object, doc intake) {
	var left []leaver
	var formerOwner *strict.Object
	owned := false
	for _, each := range list {
		m := b.member(doc.in(each))
		owns := slices.Contains(m.Roles, stream.Owner)
		if !each.OptBool("retired", false) {
			owned = owned || owns
			continue
		}
		left = append(left, leaver{m.ID})
		if owns {
			formerOwner = each
		}
		if each.Has("sign_in") {
			each.Reject("sign_in", "leave it out: who is retired does not sign in")
		}
	}
	if formerOwner != nil && !owned {
		formerOwner.Reject("retired", "another owner who is not retired: the last one stays")
	}
	for _, m := range left {
		b.add("retire-member", m)
	}
}

func (b *builder) member(in intake) newMember {
	m := readMember(in)
	b.once(in, m.ID)
	b.people[m.ID] = true
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
	return m
}

func (b *builder) bay(in intake) (stream.ID, string) {
	bay := readBay(in)
	b.add("add-bay", bay)
	if slices.ContainsFunc([]string{"floor", "surveyed", "expires"}, in.Has) {
		v := surveyOf(in)
		v.Bay = bay.ID
		b.add("survey-bay", v)
	}
	return bay.ID, bay.Name
}

func (b *builder) agreements(o *strict.Object, doc intake) {
	desks := map[stream.ID]bool{}
	list := o.OptObjects("agreements", 0, mostMembers)
	if len(list) > 0 && b.out.Sort == Desk {
		o.Reject("agreements", "none: agreements stand in the shop's document")
	}
	for _, each := range list {
		a := readAgreement(doc.in(each))
		if a.Desk != (stream.ID{}) && desks[a.Desk] {
			each.Reject("desk", "a desk that the document does not name already")
		}
		desks[a.Desk] = true
		b.out.Desks = append(b.out.Desks, Named{each.Path("desk"), a.Desk})
		b.out.Agreements = append(b.out.Agreements, b.command("make-agreement", a))
		if each.OptBool("ended", false) {
			b.out.Agreements = append(b.out.Agreements, b.command("end-agreement", a))
		}
	}
}
