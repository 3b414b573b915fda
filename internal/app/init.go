package app

import (
	"context"
	"errors"
	"fmt"
	"log/slog"

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
}

// SetUp says what was set up of one organisation.
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

// Init sets up the organisations of the documents. All documents are read before anything is written; a fault in one
// leaves everything as it was. What another fault leaves half done is continued by nothing: it says how far it came.
func Init(ctx context.Context, cfg config.Config, log *slog.Logger, docs []Document) (done []SetUp, err error) {
	imports := make([]register.Imported, len(docs))
	for i, doc := range docs {
		if imports[i], err = register.Import(doc.Raw, stream.NewID); err != nil {
			return nil, inFile(doc.File, err)
		}
		for _, s := range imports[i].SignIns {
			if _, err := account.NormalLogin("login", s.Login); err != nil {
				return nil, inFile(doc.File, err)
			}
			if err := account.CheckPassword("password", s.Password); err != nil {
				return nil, inFile(doc.File, fmt.Errorf("sign-in %s: %w", s.Login, err))
			}
		}
	}
	a, err := Open(ctx, cfg, log)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, a.Close(context.WithoutCancel(ctx))) }()

	done = make([]SetUp, len(docs))
	for i, in := range imports {
		done[i].ID = in.Organisation
		if err := a.give(ctx, in.Organisation, in.Commands, &done[i]); err != nil {
			return done[:i], inFile(docs[i].File, err)
		}
		if done[i].Name, done[i].Sort, err = a.organisation(ctx, in.Organisation); err != nil {
			return done[:i], err
		}
		for _, s := range in.SignIns {
			login, _ := account.NormalLogin("login", s.Login) // checked above
			put := postgres.Account{Member: s.Member, Org: in.Organisation, Login: login, PasswordHash: account.Hash(s.Password)}
			if err := a.db.PutAccount(ctx, put); err != nil {
				return done[:i], inFile(docs[i].File, fmt.Errorf("sign-in %s: %w", login, err))
			}
			done[i].Accounts++
		}
	}
	for i, in := range imports { // desks are open now
		if err := a.give(ctx, in.Organisation, in.Agreements, &done[i]); err != nil {
			return done, inFile(docs[i].File, err)
		}
	}
	return done, nil
}

// inFile names the file in front of a refusal, and keeps it one.
func inFile(file string, err error) error { return fmt.Errorf("%s: %w", file, err) }

func (a *App) give(ctx context.Context, org stream.ID, commands []stream.Command, done *SetUp) error {
	for _, cmd := range commands {
		if _, err := a.hub.Do(ctx, system(org), stream.Ref{Kind: stream.Register, ID: org}, cmd); err != nil {
			return fmt.Errorf("%s: %w", cmd.Type, err)
		}
		done.Entries++
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
