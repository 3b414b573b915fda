package account

import (
	"context"
	"net/netip"

	"readback/internal/fault"
	"readback/internal/pace"
	"readback/internal/stream"
	"readback/internal/token"
)

// PasswordStore keeps passwords.
type PasswordStore interface {
	// AccountOf gives a member's account, or ErrUnknown if there is none or it is disabled.
	AccountOf(ctx context.Context, p stream.Person) (Account, error)
	// ChangePassword replaces the hash old, and ends the member's sessions but one.
	ChangePassword(ctx context.Context, p stream.Person, old, hash string, except *stream.ID) (ended []stream.ID, err error)
}

// Passwords sets passwords. It may be used from many goroutines.
type Passwords struct {
	store    PasswordStore
	desk     *Desk
	sessions *Sessions
}

// NewPasswords makes Passwords. Tries at the desk and here count together.
func NewPasswords(store PasswordStore, desk *Desk, sessions *Sessions) *Passwords {
	return &Passwords{store: store, desk: desk, sessions: sessions}
}

// Change replaces a member's password and ends all sessions but the one of the access token. Whoever holds only a session
// must not get the account by it: the old password is needed, and tries of it are as bounded as those to sign in.
func (p *Passwords) Change(ctx context.Context, address netip.Addr, a token.Access, old, next string) error {
	if err := CheckPassword("new", next); err != nil {
		return err
	}
	of, err := p.store.AccountOf(ctx, a.Person())
	if err != nil {
		return err
	}
	find := func() (Account, error) { return of, nil }
	if _, err := p.desk.verified(ctx, pair{pace.Origin(address), of.Login}, old, find); err != nil {
		if fault.Is(err, fault.SignInFailed) {
			return fault.New(fault.SignInFailed, "The old password is wrong.", fault.Field{Name: "old", Want: "the password that holds now"})
		}
		return err
	}
	hash, err := p.desk.hash(ctx, address, next)
	if err != nil {
		return err
	}
	ended, err := p.store.ChangePassword(ctx, a.Person(), of.Hash, hash, &a.Session)
	if err != nil {
		return err
	}
	p.sessions.Heard(ended)
	return nil
}
