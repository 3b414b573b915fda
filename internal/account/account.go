// Package account lets people in. An account ties a sign-in name to a member of an organisation; what the member may do
// stands in the organisation's register, never here. Passwords are kept as argon2id hashes only.
//
// A wrong password and an unknown name take the same time and get the same answer.
package account

import (
	"context"
	"errors"
	"strings"
	"unicode"

	"readback/internal/fault"
	"readback/internal/stream"
)

// Account is one person's way in.
type Account struct {
	Member stream.ID
	Org    stream.ID
	Login  string // as NormalLogin writes it
	Hash   string // as Hash writes it
}

// ErrUnknown is what a Store answers for a name that is not there or disabled.
var ErrUnknown = errors.New("account: no such sign-in name")

// Store keeps accounts.
type Store interface {
	AccountByLogin(ctx context.Context, login string) (Account, error)
}

// Desk checks sign-ins. It may be used from many goroutines.
type Desk struct {
	store Store
	turns chan struct{} // bounds the memory that password hashing takes at once
	queue chan struct{} // bounds how many wait for a turn
	decoy string        // hashed when the name is unknown, so that the answer takes as long
}

const (
	atOnce      = 2   // passwords hashed at the same time, 64 MiB each
	mostWaiting = 100 // sign-ins that wait for that, a few seconds' worth
)

// NewDesk makes a Desk over the store.
func NewDesk(store Store) *Desk {
	return &Desk{store: store, turns: make(chan struct{}, atOnce), queue: make(chan struct{}, atOnce+mostWaiting), decoy: Hash("no one signs in with this")}
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
// the two was wrong.
func (d *Desk) SignIn(ctx context.Context, login, password string) (Account, error) {
	failed := fault.New(fault.SignInFailed, "The name or the password is wrong.")
	login, err := NormalLogin("login", login)
	if err != nil || len(password) > 256 {
		return Account{}, failed
	}
	a, err := d.store.AccountByLogin(ctx, login)
	unknown := errors.Is(err, ErrUnknown)
	if err != nil && !unknown {
		return Account{}, err
	}
	if unknown {
		a.Hash = d.decoy
	}
	select {
	case d.queue <- struct{}{}:
		defer func() { <-d.queue }()
	default:
		return Account{}, fault.New(fault.TooMany, "Too many sign in at the moment. Try again in a few seconds.")
	}
	select {
	case d.turns <- struct{}{}:
		defer func() { <-d.turns }()
	case <-ctx.Done():
		return Account{}, ctx.Err()
	}
	ok, err := verify(a.Hash, password)
	if err != nil {
		return Account{}, err
	}
	if unknown || !ok {
		return Account{}, failed
	}
	return a, nil
}
