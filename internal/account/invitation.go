package account

import (
	"context"
	"errors"
	"fmt"
	"net/mail"
	"net/netip"
	"strings"
	"time"

	"readback/internal/fault"
	"readback/internal/pace"
	"readback/internal/session"
	"readback/internal/stream"
)

// InvitationStore keeps invitations.
type InvitationStore interface {
	Invite(ctx context.Context, i session.Invitation, token session.Hash) (session.Invitation, error)
	InvitationOf(ctx context.Context, token session.Hash) (session.Invitation, error)
	OpenInvitations(ctx context.Context, org stream.ID) ([]session.Invitation, error)
	WithdrawInvitation(ctx context.Context, org, id stream.ID) error
	Join(ctx context.Context, token session.Hash, hash string) (session.Invitation, []stream.ID, error)
}

// Post sends letters.
type Post interface {
	Send(ctx context.Context, to, subject, text string) error
}

// mostAsked is how many resets that anybody asked for wait to be looked at; further ones are forgotten.
const mostAsked = 100

// Links gives members the links by which they set a password. With a Post they are mailed and nobody else sees them;
// without one they are shown to the owner who made them, to be handed over.
//
// Whether somebody has an account shows from none of it: what anybody may ask for is only noted, and looked at later by
// Work. It may be used from many goroutines.
type Links struct {
	accounts Store
	store    InvitationStore
	members  PasswordStore
	sessions *Sessions
	desk     *Desk
	post     Post   // nil: links are shown
	base     string // of links, without the last slash; where post is set
	paces    *paces
	failing  paced
	asked    chan string // sign-in names
}

// NewLinks makes Links. With a post, base is the address that people reach the server at.
func NewLinks(accounts Store, store InvitationStore, members PasswordStore, sessions *Sessions, desk *Desk, post Post, base string) *Links {
	return &Links{
		accounts: accounts, store: store, members: members, sessions: sessions, desk: desk, post: post, base: strings.TrimSuffix(base, "/"),
		paces: newPaces(), failing: newPaced(), asked: make(chan string, mostAsked),
	}
}

// path is where a link leads: the token is in the fragment, which browsers send to nobody, so no log has it.
func path(token string) string { return "/join#" + token }

// Invite makes an invitation for a member of the owner's organisation, who will sign in with the name. It gives the path
// of the link, or nothing if the link was mailed.
func (l *Links) Invite(ctx context.Context, owner stream.Actor, member stream.ID, login string) (session.Invitation, string, error) {
	login, err := NormalLogin("login", login)
	if err != nil {
		return session.Invitation{}, "", err
	}
	taken, err := l.accounts.AccountByLogin(ctx, login)
	switch {
	case errors.Is(err, ErrUnknown):
	case err != nil:
		return session.Invitation{}, "", err
	case taken.Person() != stream.Person{Org: owner.Org, Member: member}:
		return session.Invitation{}, "", fault.New(fault.AlreadyThere, "Somebody else signs in with this name.",
			fault.Field{Name: "login", Want: "a name that nobody else signs in with"})
	}
	return l.link(ctx, owner, member, session.Invited, login)
}

// ResetOf makes a link for a member of the owner's organisation who has an account.
func (l *Links) ResetOf(ctx context.Context, owner stream.Actor, member stream.ID) (session.Invitation, string, error) {
	of, err := l.members.AccountOf(ctx, stream.Person{Org: owner.Org, Member: member})
	if errors.Is(err, ErrUnknown) {
		return session.Invitation{}, "", noMember()
	}
	if err != nil {
		return session.Invitation{}, "", err
	}
	return l.link(ctx, owner, member, session.Reset, of.Login)
}

func noMember() error {
	return fault.New(fault.NotHere, "There is no such member in your organisation, or none with an account.")
}

func (l *Links) link(ctx context.Context, owner stream.Actor, member stream.ID, kind session.LinkKind, login string) (session.Invitation, string, error) {
	if err := l.sessions.c.Member(ctx, owner.Org, member); fault.Is(err, fault.SignInNeeded) {
		return session.Invitation{}, "", noMember()
	} else if err != nil {
		return session.Invitation{}, "", err
	}
	if l.post != nil && !isAddress(login) {
		return session.Invitation{}, "", fault.Badly("login", "a mail address: links are mailed to it")
	}
	i := session.Invitation{ID: stream.NewID(), Member: member, Org: owner.Org, Kind: kind, Login: login, MadeBy: &owner.Member}
	token := draw()
	i, err := l.store.Invite(ctx, i, session.HashOf(token))
	if err != nil || l.post == nil {
		return i, path(token), err
	}
	if err := l.mail(ctx, i, token); err != nil {
		// It went nowhere, or nobody knows where to.
		return i, "", errors.Join(fault.New(fault.NotReady, "The mail could not be sent. Try again later.").Because(err),
			l.store.WithdrawInvitation(ctx, i.Org, i.ID))
	}
	return i, "", nil
}

func isAddress(login string) bool {
	a, err := mail.ParseAddress(login)
	return err == nil && a.Name == "" && strings.EqualFold(a.Address, login)
}

// letters are the subject and the text of each kind, which has a name, a link and a time.
var letters = map[session.LinkKind][2]string{
	session.Invited: {"Your account for Readback", "You are invited to sign in to Readback as %s.\n\nSet a password here:\n%s\n\n" +
		"The link works once, until %s.\nIf you did not expect this, leave it alone: nothing happens without the link.\n"},
	session.Reset: {"A new password for Readback", "Somebody asked for a new password for %s at Readback.\n\nSet it here:\n%s\n\n" +
		"The link works once, until %s.\nIf it was not you, leave it alone: the password stays as it is.\n"},
}

func (l *Links) mail(ctx context.Context, i session.Invitation, token string) error {
	letter := letters[i.Kind]
	return l.post.Send(ctx, i.Login, letter[0], fmt.Sprintf(letter[1], i.Login, l.base+path(token), i.ExpiresAt.Format("2 January 2006, 15:04 MST")))
}

// Ask notes that somebody who gives a sign-in name wants a new password. The answer, and the time it takes, are the same
// whoever has that name. Asking is as bounded as trying to sign in.
func (l *Links) Ask(address netip.Addr, login string) error {
	login, err := NormalLogin("login", login)
	if err != nil {
		return err
	}
	if wait := l.paces.take(pair{pace.Origin(address), login}, time.Now()); wait > 0 {
		return fault.New(fault.TooMany, fmt.Sprintf("Too many asked. Try again in %d seconds.", pace.Seconds(wait))).After(wait)
	}
	if l.post == nil {
		return nil
	}
	select {
	case l.asked <- login:
	default: // a flood; who means it asks again
	}
	return nil
}

// Work mails what was asked for until ctx ends. What fails is given to failed, and is not tried again: who waits for the
// mail in vain asks again.
func (l *Links) Work(ctx context.Context, failed func(error)) {
	for {
		select {
		case <-ctx.Done():
			return
		case login := <-l.asked:
			if err := l.mailReset(ctx, login); err != nil && ctx.Err() == nil {
				failed(err)
			}
		}
	}
}

func (l *Links) mailReset(ctx context.Context, login string) error {
	of, err := l.accounts.AccountByLogin(ctx, login)
	if errors.Is(err, ErrUnknown) || err == nil && !isAddress(login) {
		return nil
	}
	if err != nil {
		return err
	}
	if err := l.sessions.c.Member(ctx, of.Org, of.Member); fault.Is(err, fault.SignInNeeded) {
		return nil
	} else if err != nil {
		return err
	}
	token := draw()
	i, err := l.store.Invite(ctx, session.Invitation{ID: stream.NewID(), Member: of.Member, Org: of.Org, Kind: session.Reset, Login: login}, session.HashOf(token))
	if fault.Is(err, fault.TooMany) {
		return nil
	}
	if err != nil {
		return err
	}
	return l.mail(ctx, i, token)
}

// Open gives the invitations of an organisation that still let somebody in.
func (l *Links) Open(ctx context.Context, org stream.ID) ([]session.Invitation, error) {
	return l.store.OpenInvitations(ctx, org)
}

// Withdraw makes an open invitation of an organisation good for nothing.
func (l *Links) Withdraw(ctx context.Context, org, id stream.ID) error {
	return l.store.WithdrawInvitation(ctx, org, id)
}

// Join sets the password of the member whom the token lets in, and gives the name to sign in with. The link of somebody
// who is no longer a member is dead. As with refresh tokens only the cost of guessing is bounded.
func (l *Links) Join(ctx context.Context, address netip.Addr, token, password string) (string, error) {
	if err := CheckPassword("password", password); err != nil {
		return "", err
	}
	from := pace.Origin(address)
	if wait := l.failing.wait(from); wait > 0 {
		return "", fault.New(fault.TooMany, fmt.Sprintf("Too many links that are none. Try again in %d seconds.", pace.Seconds(wait))).After(wait)
	}
	key := session.HashOf(token)
	i, err := l.store.InvitationOf(ctx, key)
	if fault.Is(err, fault.NotHere) {
		l.failing.take(from)
	}
	if err != nil {
		return "", err
	}
	if err := l.sessions.c.Member(ctx, i.Org, i.Member); fault.Is(err, fault.SignInNeeded) {
		return "", fault.New(fault.NotHere, "This link is not good, or not any more. Ask for a new one.")
	} else if err != nil {
		return "", err
	}
	hash, err := l.desk.hash(ctx, address, password)
	if err != nil {
		return "", err
	}
	i, ended, err := l.store.Join(ctx, key, hash)
	if err != nil {
		return "", err
	}
	l.sessions.Heard(ended)
	return i.Login, nil
}
