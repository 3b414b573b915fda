package register

import (
	"encoding/json"
	"fmt"

	"readback/internal/fault"
	"readback/internal/procedure"
	"readback/internal/stream"
)

// Procedure is a method in its newest version. Nothing of a version is ever changed: a revision is the next one, and
// whoever began with an older one keeps it. The fact "procedure/<id>" is this without the id and the older versions.
type Procedure struct {
	ID        stream.ID       `json:"-"`
	Version   int             `json:"version"` // from 1
	Digest    string          `json:"digest"`  // of the document; see procedure.Digest
	Procedure json.RawMessage `json:"procedure"`
	Active    bool            `json:"active"`

	title, sensor string // the same in every version
	versions      []version
}

// version is one document of a procedure.
type version struct {
	Version  int             `json:"version"`
	Digest   string          `json:"digest"`
	Entry    uint64          `json:"entry"` // the number of the entry that holds it
	document json.RawMessage // whole
}

// maxVersions is how many versions an import document may list of one procedure.
const maxVersions = 500

// document is what both commands carry.
type document struct {
	ID        stream.ID       `json:"id"`
	Procedure json.RawMessage `json:"procedure"`

	read procedure.Procedure
}

func readProcedure(in intake) document {
	d := document{ID: in.newcomer()}
	d.Procedure, d.read = in.procedure("procedure", in.Raw("procedure"))
	return d
}

func readRevision(in intake) document {
	d := document{ID: in.id("id")}
	d.Procedure, d.read = in.procedure("procedure", in.Raw("procedure"))
	return d
}

// procedure reads a document under key and gives it in whole numbers, in one spelling.
func (in intake) procedure(key string, raw json.RawMessage) (json.RawMessage, procedure.Procedure) {
	if raw == nil {
		return nil, procedure.Procedure{} // missing, and said so
	}
	decode := procedure.DecodeWhole
	if in.importing() {
		decode = procedure.Decode
	}
	p, err := decode(raw, key)
	var whole json.RawMessage
	if err == nil {
		whole, err = p.Whole()
	}
	if err != nil {
		return in.rejectAll(err, key, ""), procedure.Procedure{}
	}
	return whole, p
}

// parsed is the document of an entry or a command that was admitted.
func (d document) parsed() (procedure.Procedure, error) {
	p, err := procedure.DecodeWhole(d.Procedure, "data.procedure")
	if err != nil {
		return p, fmt.Errorf("procedure %s: %w", d.ID, err)
	}
	return p, nil
}

func (s *State) checkProcedure(g given[document]) error {
	if err := s.taken(g.data.ID); err != nil {
		return err
	}
	p, err := g.data.parsed()
	if err != nil {
		return err
	}
	if err := nameFree(s.procedures, p.Title, g.data.ID, "procedure.title", theProcedure); err != nil {
		return err
	}
	return s.answered(p)
}

// answered refuses limits that nobody of the organisation answers for.
func (s *State) answered(p procedure.Procedure) error {
	for by, path := range p.LimitsBy() {
		if _, ok := s.members[by]; !ok {
			return missing("procedure."+path, "member")
		}
	}
	return nil
}

func (s *State) checkRevision(g given[document]) error {
	if err := known(s.procedures, g.data.ID, "id", theProcedure); err != nil {
		return err
	}
	p, err := g.data.parsed()
	if err != nil {
		return err
	}
	was := s.procedures[g.data.ID].value
	switch {
	case procedure.Digest(g.data.Procedure) == was.Digest:
		return unchanged()
	case p.Sensor != was.sensor:
		return fault.Badly("data.procedure.sensor", was.sensor+", as before: a method for another sensor is another procedure")
	case p.Title != was.title:
		return fault.Badly("data.procedure.title", was.title+", as before: under another title it is another procedure")
	}
	return s.answered(p)
}

func (s *State) addProcedure(d document) error {
	return s.version(d, Procedure{ID: d.ID, Active: true})
}

func (s *State) reviseProcedure(d document) error {
	return s.version(d, s.procedures[d.ID].value)
}

// version makes the document the newest version of what was.
func (s *State) version(d document, was Procedure) error {
	p, err := d.parsed()
	if err != nil {
		return err
	}
	next := Procedure{
		ID: d.ID, Version: was.Version + 1, Digest: procedure.Digest(d.Procedure), Procedure: d.Procedure, Active: was.Active,
		title: p.Title, sensor: p.Sensor,
	}
	next.versions = append(was.versions[:len(was.versions):len(was.versions)],
		version{Version: next.Version, Digest: next.Digest, Entry: s.seq, document: d.Procedure})
	s.procedures = s.procedures.with(d.ID, next, s.seq)
	return nil
}

// procedureView is a procedure as clients see it: the newest document, and where the older ones stand.
type procedureView struct {
	Procedure
	Versions []version `json:"versions"`
}

func (s *State) procedureViews() map[stream.ID]procedureView {
	all := make(map[stream.ID]procedureView, len(s.procedures))
	for id, k := range s.procedures {
		all[id] = procedureView{k.value, k.value.versions}
	}
	return all
}

// procedureListed is a procedure in the import document: every version in order, in decimals.
type procedureListed struct {
	ID       stream.ID         `json:"id"`
	Versions []json.RawMessage `json:"versions"`
	Retired  bool              `json:"retired,omitempty"`
}

func (p Procedure) listed() (procedureListed, error) {
	out := procedureListed{ID: p.ID, Retired: !p.Active}
	for _, v := range p.versions {
		read, err := procedure.DecodeWhole(v.document, "")
		if err != nil {
			return out, fmt.Errorf("procedure %s version %d: %w", p.ID, v.Version, err)
		}
		raw, err := read.Authored()
		if err != nil {
			return out, err
		}
		out.Versions = append(out.Versions, raw)
	}
	return out, nil
}

// procedure reads a procedure of an import document: the first version adds it, each further one revises it.
func (b *builder) procedure(in intake) (stream.ID, string) {
	id := in.newcomer()
	var list []json.RawMessage
	if raw := in.Raw("versions"); raw != nil && (json.Unmarshal(raw, &list) != nil || len(list) < 1 || len(list) > maxVersions) {
		in.Reject("versions", fmt.Sprintf("a list of 1 to %d documents, the oldest first", maxVersions))
		return id, ""
	}
	var before document
	for i, raw := range list {
		key := fmt.Sprintf("versions[%d]", i)
		d := document{ID: id}
		d.Procedure, d.read = in.procedure(key, raw)
		for by, path := range d.read.LimitsBy() {
			if !b.people[by] {
				in.Reject(key+"."+path, "the id of a member whom the document lists")
			}
		}
		switch {
		case i == 0:
			b.add("add-procedure", d)
		case before.Procedure == nil || d.Procedure == nil: // said so
		case d.read.Sensor != before.read.Sensor:
			in.Reject(key+".sensor", before.read.Sensor+", as in the version before")
		case d.read.Title != before.read.Title:
			in.Reject(key+".title", before.read.Title+", as in the version before")
		case string(d.Procedure) == string(before.Procedure):
			in.Reject(key, "another document than the version before")
		}
		if i > 0 {
			b.add("revise-procedure", d)
		}
		before = d
	}
	return id, before.read.Title
}
