// Package account lets people in. An account ties a sign-in name to a member of an organisation; what the member may do
// stands in the organisation's register, never here. Passwords are kept as argon2id hashes only.
//
// A wrong password and an unknown name take the same time and get the same answer. How often somebody may try is bounded
// by address and name (pace.go), and the turns to hash are shared among the addresses (line.go), so that strangers cannot
// keep others from signing in.
//
// Who has signed in has a session (sessions.go), whose rules are in package session.
package account

import (
	"context"
	"errors"
	"fmt"
	"net/netip"
	"strings"
	"time"
	"unicode"

	"readback/internal/fault"
	"readback/internal/pace"
	"readback/internal/stream"
)

// Account is one person's way in.
type Account struct {
	Member stream.ID
	Org    stream.ID
	Login  string // as NormalLogin writes it
	Hash   string // as Hash writes it
}

// Person is whose way in it is.
func (a Account) Person() stream.Person { return stream.Person{Org: a.Org, Member: a.Member} }

// ErrUnknown is what a Store answers for a name that is not there or disabled.
var ErrUnknown = errors.New("account: no such sign-in name")

// Store keeps accounts.
type Store interface {
	AccountByLogin(ctx context.Context, login string) (Account, error)
}

// Desk checks sign-ins. It may be used from many goroutines.
type Desk struct {
	store Store
	paces *paces
	line  *line
	decoy string // verified when the name is unknown, so that the answer takes as long
}

// NewDesk makes a Desk over the store.
func NewDesk(store Store) *Desk {
	return &Desk{store: store, paces: newPaces(), line: newLine(), decoy: decoy()}
}

// NormalLogin is the form in which sign-in names are kept and compared: trimmed, lower case.
func NormalLogin(field, login string) (string, error) {
	s := strings.ToLower(strings.TrimSpace(login))
	ok := s != "" && len(s) <= 100
	for _, r := range s {
		ok = ok && unicode.IsPrint(r) && !unicode.IsSpace(r)
	}
	if !ok {
		return "", fault.Badly(field, "1 to 100 printable characters without spaces")
	}
	return s, nil
}

// SignIn gives the account that the name and password belong to, or a sign-in-failed fault that does not say which of
// the two was wrong. The address is the caller's as the network gives it, never as the caller does. Who tries too often,
// or comes when too many wait, is told so before anything is looked up or hashed.
func (d *Desk) SignIn(ctx context.Context, address netip.Addr, login, password string) (Account, error) {
	login, err := NormalLogin("login", login)
	if err != nil || len(password) > 256 {
		return Account{}, failed()
	}
	return d.verified(ctx, pair{pace.Origin(address), login}, password, func() (Account, error) { return d.store.AccountByLogin(ctx, login) })
}

// verified gives the account that find finds, if the password is its.
func (d *Desk) verified(ctx context.Context, who pair, password string, find func() (Account, error)) (Account, error) {
	if wait := d.paces.take(who, time.Now()); wait > 0 {
		return Account{}, fault.New(fault.TooMany, fmt.Sprintf("Too many tries to sign in. Try again in %d seconds.", pace.Seconds(wait))).After(wait)
	}
	turn, err := d.line.enter(ctx, who.from)
	if err != nil {
		return Account{}, err
	}
	if !turn {
		return Account{}, fault.New(fault.TooMany, "Too many sign in at the moment. Try again in a few seconds.")
	}
	defer d.line.leave()
	a, err := find()
	unknown := errors.Is(err, ErrUnknown)
	if err != nil && !unknown {
		return Account{}, err
	}
	if unknown {
		a.Hash = d.decoy
	}
	ok, err := verify(a.Hash, password)
	if err != nil {
		return Account{}, err
	}
	if unknown || !ok {
		return Account{}, failed()
	}
	d.paces.giveBack(who)
	return a, nil
}

// hash hashes a new password when its turn has come.
func (d *Desk) hash(ctx context.Context, address netip.Addr, password string) (string, error) {
	turn, err := d.line.enter(ctx, pace.Origin(address))
	if err != nil {
		return "", err
	}
	if !turn {
		return "", fault.New(fault.TooMany, "Too many sign in at the moment. Try again in a few seconds.")
	}
	defer d.line.leave()
	return Hash(password), nil
}

func failed() error { return fault.New(fault.SignInFailed, "The name or the password is wrong.") }
