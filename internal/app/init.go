package app

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"slices"

	"github.com/google/uuid"

	"readback/internal/account"
	"readback/internal/config"
	"readback/internal/fault"
	"readback/internal/postgres"
	"readback/internal/register"
	"readback/internal/stream"
)

// Document is an import document and the file it came from, for faults.
type Document struct {
	File string
	Raw  []byte
	Made func(login string) // hears of each account as soon as it is there; may be nil
}

// SetUp says what was set up of one organisation. Entries and Accounts are those made now: none where the same document
// had been imported before.
type SetUp struct {
	ID       stream.ID
	Name     string
	Sort     string
	Entries  int
	Accounts int
}

// system acts for the server where there is nobody yet: it sets up organisations and their first people.
func system(org stream.ID) stream.Actor {
	return stream.Actor{Member: org, Org: org, Roles: []stream.Role{stream.System}}
}

// Init sets up the organisations of the documents. All documents are read, and all sign-in names and desks looked for,
// before anything is written: a fault in one leaves everything as it was.
//
// The same documents may be given again. What is there already is left alone, passwords included, and what a failure
// left undone is done. Another document for an organisation that is there is refused.
func Init(ctx context.Context, cfg config.Config, log *slog.Logger, docs []Document) (done []SetUp, err error) {
	imports, err := readAll(docs)
	if err != nil {
		return nil, err
	}
	a, err := Open(ctx, cfg, log)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, a.Close(context.WithoutCancel(ctx))) }()

	missing := make([][]register.SignIn, len(docs))
	for i, in := range imports {
		if err = a.desksThere(ctx, in, imports); err != nil {
			return nil, inFile(docs[i].File, err)
		}
		if missing[i], err = a.withoutAccount(ctx, in); err != nil {
			return nil, inFile(docs[i].File, err)
		}
	}
	done = make([]SetUp, len(docs))
	for i, in := range imports {
		done[i].ID = in.Organisation
		if err := a.give(ctx, in.Organisation, in.Commands, &done[i]); err != nil {
			return done[:i], inFile(docs[i].File, err)
		}
		if done[i].Name, done[i].Sort, err = a.organisation(ctx, in.Organisation); err != nil {
			return done[:i], err
		}
		for _, s := range missing[i] {
			put := postgres.Account{Member: s.Member, Org: in.Organisation, Login: s.Login, PasswordHash: account.Hash(s.Password)}
			if err := a.db.PutAccount(ctx, put); err != nil {
				return done[:i], inFile(docs[i].File, fmt.Errorf("sign-in %s: %w", s.Login, err))
			}
			done[i].Accounts++
			if tell := docs[i].Made; tell != nil {
				tell(s.Login)
			}
		}
	}
	for i, in := range imports { // desks are open now
		if err := a.give(ctx, in.Organisation, in.Agreements, &done[i]); err != nil {
			return done, inFile(docs[i].File, err)
		}
	}
	return done, nil
}

// readAll reads the documents. Sign-in names come out as they are kept.
func readAll(docs []Document) ([]register.Imported, error) {
	imports := make([]register.Imported, len(docs))
	taken := map[string]string{} // sign-in name to file
	for i, doc := range docs {
		in, err := register.Import(doc.Raw, idsFor(doc.Raw))
		if more := signInFaults(in.SignIns, doc.File, taken); len(more) > 0 {
			err = beside(err, more)
		}
		if err != nil {
			return nil, inFile(doc.File, err)
		}
		imports[i] = in
	}
	return imports, nil
}

// beside adds faults to those of a document, one for each field.
func beside(err error, more []fault.Field) error {
	var all []fault.Field
	if err != nil {
		all = fault.Of(err).Fields
	}
	for _, f := range more {
		if !slices.ContainsFunc(all, func(o fault.Field) bool { return o.Name == f.Name }) {
			all = append(all, f)
		}
	}
	return fault.New(fault.InvalidInput, "The input is not usable as it stands.", all...)
}

// signInFaults says what is wrong with names and passwords, brings the names into the form they are kept in, and notes
// whose they are.
func signInFaults(list []register.SignIn, file string, taken map[string]string) (faults []fault.Field) {
	for n := range list {
		s := &list[n]
		login, err := account.NormalLogin(s.Path+".login", s.Login)
		if other, ok := taken[login]; ok && err == nil {
			err = fault.Badly(s.Path+".login", "a name that nobody else signs in with; "+other+" has this one")
		}
		if err == nil {
			s.Login, taken[login] = login, file
		} else if s.Login != "" { // an empty one was refused when it was read
			faults = append(faults, fault.Of(err).Fields...)
		}
		if err := account.CheckPassword(s.Path+".password", s.Password); err != nil && s.Password != "" {
			faults = append(faults, fault.Of(err).Fields...)
		}
	}
	return faults
}

// withoutAccount gives the sign-ins for which no account is there, and refuses names that somebody else has.
func (a *App) withoutAccount(ctx context.Context, in register.Imported) (missing []register.SignIn, err error) {
	for _, s := range in.SignIns {
		got, err := a.db.AccountByLogin(ctx, s.Login)
		switch {
		case fault.Is(err, fault.NotHere):
			missing = append(missing, s)
		case err != nil:
			return nil, err
		case got.Person() != stream.Person{Org: in.Organisation, Member: s.Member}:
			return nil, fault.New(fault.AlreadyThere, "Somebody else signs in with this name.",
				fault.Field{Name: s.Path + ".login", Want: "a name that nobody else signs in with"})
		}
	}
	return missing, nil
}

// desksThere refuses agreements with who is no desk, neither here nor in one of the documents.
func (a *App) desksThere(ctx context.Context, in register.Imported, imports []register.Imported) error {
	for _, desk := range in.Desks {
		if slices.ContainsFunc(imports, func(o register.Imported) bool { return o.Organisation == desk.ID && o.Sort == register.Desk }) {
			continue
		}
		_, sort, err := a.organisation(ctx, desk.ID)
		switch {
		case fault.Is(err, fault.NotHere), err == nil && sort != string(register.Desk):
			return fault.Badly(desk.Path, "the id of a desk that is there, or whose document comes with this one")
		case err != nil:
			return err
		}
	}
	return nil
}

// idSpace sets the ids made here apart from all others made in the same way (RFC 9562, section 5.8).
var idSpace = uuid.MustParse("6b0e4fbe-2f0b-4a8e-9f0a-9c41d2f6a7c3")

// idsFor makes the ids that a document leaves open, and those of its commands: the same each time for the same
// organisation, so that importing again repeats commands and makes no new things. They tell nothing but the
// organisation's id or name and a count.
func idsFor(raw []byte) func() stream.ID {
	var doc struct {
		Organisation struct{ ID, Name string }
	}
	_ = json.Unmarshal(raw, &doc) // the import says what is wrong with it
	seed, n := doc.Organisation.ID, 0
	if seed == "" {
		seed = "name " + doc.Organisation.Name
	}
	return func() stream.ID {
		n++
		return uuid.NewHash(sha256.New(), idSpace, fmt.Appendf(nil, "%s\n%d", seed, n), 8)
	}
}

// inFile names the file in front of a refusal, and keeps it one.
func inFile(file string, err error) error { return fmt.Errorf("%s: %w", file, err) }

func (a *App) give(ctx context.Context, org stream.ID, commands []stream.Command, done *SetUp) error {
	for _, cmd := range commands {
		got, err := a.hub.Do(ctx, system(org), stream.Ref{Kind: stream.Register, ID: org}, cmd)
		switch {
		case fault.Is(err, fault.IDReused), fault.Is(err, fault.AlreadyThere), fault.Is(err, fault.Stale):
			return fault.New(fault.AlreadyThere, fmt.Sprintf("The organisation %s is there already, and not from this document. "+
				"A document sets an organisation up; what changes afterwards are commands.", org)).Because(fmt.Errorf("%s: %w", cmd.Type, err))
		case err != nil:
			return fmt.Errorf("%s: %w", cmd.Type, err)
		case !got.Repeated:
			done.Entries++
		}
	}
	return nil
}

func (a *App) organisation(ctx context.Context, org stream.ID) (name, sort string, err error) {
	v, err := a.hub.View(ctx, system(org), stream.Ref{Kind: stream.Register, ID: org})
	if err != nil {
		return "", "", err
	}
	o, ok := v.State.(*register.State).Organisation()
	if !ok {
		return "", "", fault.New(fault.NotHere, "There is no such organisation.")
	}
	return o.Name, string(o.Sort), nil
}
