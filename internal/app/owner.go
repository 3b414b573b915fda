package app

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"log/slog"

	"readback/internal/account"
	"readback/internal/config"
	"readback/internal/fault"
	"readback/internal/register"
)

// FirstOwner is the least an installation starts with: one organisation and who answers for it.
type FirstOwner struct {
	Organisation string
	Sort         string // shop or desk
	Owner        string
	Login        string
}

// Document is the import document of the first owner, with a password made for them.
func (f FirstOwner) Document() (Document, string, error) {
	password := newPassword()
	raw, err := json.Marshal(map[string]any{
		"format":       register.Format,
		"organisation": map[string]any{"name": f.Organisation, "sort": f.Sort},
		"members": []any{map[string]any{
			"name": f.Owner, "roles": []string{"owner"},
			"sign_in": map[string]any{"login": f.Login, "password": password},
		}},
	})
	return Document{File: "the command line", Raw: raw}, password, err
}

func newPassword() string { return rand.Text() } // 128 bits in 26 letters and digits

// NewPassword gives the member of the named organisation who signs in with login a password made for them, and tells it
// as soon as it holds. The one before it no longer does, and all sessions of the member end.
func NewPassword(ctx context.Context, cfg config.Config, log *slog.Logger, organisation, login string, tell func(password string)) (err error) {
	if login, err = account.NormalLogin("sign-in", login); err != nil {
		return err
	}
	a, err := Open(ctx, cfg, log)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, a.Close(context.WithoutCancel(ctx))) }()

	nobody := fault.New(fault.NotHere, "Nobody of this organisation signs in with this name.",
		fault.Field{Name: "organisation", Want: "the name of the member's organisation, as it was set up"},
		fault.Field{Name: "sign-in", Want: "the name the member signs in with"})
	put, err := a.db.AccountByLogin(ctx, login)
	switch {
	case fault.Is(err, fault.NotHere), err == nil && put.Disabled:
		return nobody
	case err != nil:
		return err
	}
	name, _, err := a.organisation(ctx, put.Org)
	if err != nil {
		return err
	}
	if name != organisation {
		return nobody
	}
	password := newPassword()
	if _, err := a.db.ChangePassword(ctx, put.Person(), put.PasswordHash, account.Hash(password), nil); err != nil {
		return err
	}
	tell(password)
	return nil
}
