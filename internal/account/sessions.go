package account

import (
	"context"
	"crypto/rand"
	"fmt"
	"net/netip"
	"sync"
	"time"

	"readback/internal/fault"
	"readback/internal/pace"
	"readback/internal/session"
	"readback/internal/stream"
	"readback/internal/token"
)

// SessionStore keeps sessions. What is not there, or does not go on, is a not-found fault.
type SessionStore interface {
	OpenSession(ctx context.Context, o session.Opening) (session.Session, error)
	ExchangeToken(ctx context.Context, x session.Exchange) (session.Session, session.Step, error)
	UseSession(ctx context.Context, id stream.ID, idle time.Duration) (session.Session, error)
	LivingSessions(ctx context.Context, org stream.ID, member *stream.ID) ([]session.Session, error)
	EndSessions(ctx context.Context, p stream.Person, only, except *stream.ID, why session.Reason) ([]stream.ID, error)
}

// Issuer makes and checks access tokens; token.Tokens does.
type Issuer interface {
	Issue(org, member, session stream.ID) (string, token.Access, error)
	Check(text string) (token.Access, error)
}

// SessionsConfig is what Sessions are made of. All fields are needed.
type SessionsConfig struct {
	Store  SessionStore
	Tokens Issuer
	// Member is nil for who is a member now, and a sign-in-needed fault for who is not.
	Member func(ctx context.Context, org, member stream.ID) error

	Idle   time.Duration // a session that is not used so long runs out
	AtMost time.Duration // and one that is, after this
	Lasts  time.Duration // how long the access tokens of Tokens are good for
}

// Sessions are the sign-ins as one node knows them. An access token is checked without asking the store: what was ended
// is kept in mind here until its tokens have run out, told by whoever ended it on this node, and by Heard for the others.
//
// Sessions may be used from many goroutines.
type Sessions struct {
	c       SessionsConfig
	failing paced // origins that present tokens nobody ever got
	given   given // the newest refresh tokens of this node

	mu    sync.Mutex              // guards what follows
	ended map[stream.ID]time.Time // to when it may be forgotten
	swept time.Time
	tell  func(stream.ID)
}

// Pair is what a client goes on with: a short access token, and a refresh token that is good for one exchange.
type Pair struct {
	Access  string
	Granted token.Access
	Refresh string
	Session session.Session
}

// NewSessions makes Sessions.
func NewSessions(c SessionsConfig) *Sessions {
	return &Sessions{c: c, failing: newPaced(), ended: map[stream.ID]time.Time{}}
}

// OnEnd sets who is told of each session that ends, on whatever node: to close its sockets. It must not block.
func (s *Sessions) OnEnd(tell func(id stream.ID)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.tell = tell
}

// Heard notes that sessions were ended. It may be told of the same one often.
func (s *Sessions) Heard(ids []stream.ID) {
	now := time.Now()
	s.mu.Lock()
	tell := s.tell
	if now.Sub(s.swept) > time.Minute {
		s.swept = now
		for id, until := range s.ended {
			if now.After(until) {
				delete(s.ended, id)
			}
		}
	}
	fresh := make([]stream.ID, 0, len(ids))
	for _, id := range ids {
		if _, known := s.ended[id]; !known {
			fresh = append(fresh, id)
		}
		s.ended[id] = now.Add(s.c.Lasts + time.Minute) // no token of it was made later; a minute for clocks
	}
	s.mu.Unlock()
	if tell != nil {
		for _, id := range fresh {
			tell(id)
		}
	}
}

// Memory is how long an end must be told to nodes that start or were cut off: as long as access tokens are good for.
func (s *Sessions) Memory() time.Duration { return s.c.Lasts + time.Minute }

// Check reads an access token and refuses that of a session that has ended, as token.Tokens does.
func (s *Sessions) Check(text string) (token.Access, error) {
	a, err := s.c.Tokens.Check(text)
	if err != nil {
		return a, err
	}
	s.mu.Lock()
	_, ended := s.ended[a.Session]
	s.mu.Unlock()
	if ended {
		return token.Access{}, over("")
	}
	return a, nil
}

// over is the refusal of a session that does not go on.
func over(why session.Reason) error {
	says := map[session.Reason]string{
		session.Reused: "A refresh token came a second time, so somebody may have a copy of it. This sign-in was ended. " +
			"Sign in again, and change the password if you did not expect this.",
		session.Expired:     "The sign-in ran out. Sign in again.",
		session.NewPassword: "The password was changed. Sign in with the new one.",
	}[why]
	if says == "" {
		says = "The sign-in has ended. Sign in again."
	}
	return fault.New(fault.SignInNeeded, says)
}

// draw makes a refresh token.
func draw() string {
	var secret [session.TokenBytes]byte
	rand.Read(secret[:]) // never fails
	return session.Text(secret)
}

func seen(address netip.Addr, device string) session.Seen {
	from := pace.Origin(address)
	text := from.String()
	switch {
	case !from.IsValid():
		text = ""
	case from.Addr().Is4():
		text = from.Addr().String()
	}
	return session.Seen{Origin: text, Device: session.Device(device)}
}

// Open begins a session for an account that SignIn gave. device is what the client calls itself.
func (s *Sessions) Open(ctx context.Context, a Account, address netip.Addr, device string) (Pair, error) {
	refresh := draw()
	got, err := s.c.Store.OpenSession(ctx, session.Opening{
		ID: stream.NewID(), Member: a.Member, Org: a.Org, Seen: seen(address, device), Idle: s.c.Idle, AtMost: s.c.AtMost,
		Refresh: session.HashOf(refresh), PasswordHash: a.Hash,
	})
	if fault.Is(err, fault.NotHere) {
		return Pair{}, failed()
	}
	if err != nil {
		return Pair{}, err
	}
	return s.pair(got, refresh)
}

func (s *Sessions) pair(got session.Session, refresh string) (Pair, error) {
	text, access, err := s.c.Tokens.Issue(got.Org, got.Member, got.ID)
	s.given.add(session.HashOf(refresh))
	return Pair{Access: text, Granted: access, Refresh: refresh, Session: got}, err
}

// Exchange gives a new pair for a refresh token. page is session.Exchange's. A token that nobody ever got, or that must
// not come any more, is a sign-in-needed fault. Guessing one of 256 bits is hopeless, so only the cost of trying is
// bounded, and not for a token that this node gave out: who guesses beside others keeps none of them out.
func (s *Sessions) Exchange(ctx context.Context, address netip.Addr, device, refresh string, page bool) (Pair, error) {
	next, from := draw(), pace.Origin(address)
	if wait := s.failing.wait(from); wait > 0 && !s.given.has(session.HashOf(refresh)) {
		return Pair{}, fault.New(fault.TooMany, fmt.Sprintf("Too many refresh tokens that are none. Try again in %d seconds.", pace.Seconds(wait))).After(wait)
	}
	got, step, err := s.c.Store.ExchangeToken(ctx, session.Exchange{
		Presented: session.HashOf(refresh), Next: session.HashOf(next), Seen: seen(address, device), Idle: s.c.Idle, Page: page,
	})
	if fault.Is(err, fault.NotHere) {
		s.failing.take(from)
		return Pair{}, fault.New(fault.SignInNeeded, "That is not a refresh token. Sign in.")
	}
	if err != nil {
		return Pair{}, err
	}
	if step.Over != "" {
		s.Heard([]stream.ID{got.ID})
		return Pair{}, over(step.Over)
	}
	if err := s.member(ctx, got); err != nil {
		return Pair{}, err
	}
	return s.pair(got, next)
}

// member ends the sessions of who is none any more.
func (s *Sessions) member(ctx context.Context, of session.Session) error {
	err := s.c.Member(ctx, of.Org, of.Member)
	if !fault.Is(err, fault.SignInNeeded) {
		return err
	}
	if _, err := s.end(ctx, of.Person(), nil, nil, session.Retired); err != nil {
		return err
	}
	return err
}

// Still says until when a socket need not ask again whether its session goes on. acted says that it was used since the
// last time, which keeps the session from running out.
func (s *Sessions) Still(ctx context.Context, a token.Access, acted bool) (time.Time, error) {
	var idle time.Duration
	if acted {
		idle = s.c.Idle
	}
	got, err := s.c.Store.UseSession(ctx, a.Session, idle)
	if fault.Is(err, fault.NotHere) {
		return time.Time{}, over(session.Expired)
	}
	if err != nil {
		return time.Time{}, err
	}
	next := time.Now().Add(s.c.Lasts)
	if got.ExpiresAt.Before(next) {
		next = got.ExpiresAt
	}
	return next, nil
}

// List gives the sessions of an organisation, or of one of its members, that go on.
func (s *Sessions) List(ctx context.Context, org stream.ID, member *stream.ID) ([]session.Session, error) {
	return s.c.Store.LivingSessions(ctx, org, member)
}

// SignOut ends the session of an access token.
func (s *Sessions) SignOut(ctx context.Context, a token.Access) error {
	_, err := s.end(ctx, a.Person(), &a.Session, nil, session.SignedOut)
	if err == nil {
		s.Heard([]stream.ID{a.Session}) // also where the store no longer has it
	}
	return err
}

// End ends one session of a member; a not-found fault if it does not go on or is another's.
func (s *Sessions) End(ctx context.Context, p stream.Person, id stream.ID, why session.Reason) error {
	ids, err := s.end(ctx, p, &id, nil, why)
	if err == nil && len(ids) == 0 {
		return fault.New(fault.NotHere, "There is no such session.")
	}
	return err
}

// EndAll ends all sessions of a member, but for one if except is given.
func (s *Sessions) EndAll(ctx context.Context, p stream.Person, except *stream.ID, why session.Reason) error {
	_, err := s.end(ctx, p, nil, except, why)
	return err
}

func (s *Sessions) end(ctx context.Context, p stream.Person, only, except *stream.ID, why session.Reason) ([]stream.ID, error) {
	ids, err := s.c.Store.EndSessions(ctx, p, only, except, why)
	s.Heard(ids)
	return ids, err
}

// Review ends the sessions of an organisation's members who are none any more, after its register has changed.
func (s *Sessions) Review(ctx context.Context, org stream.ID) error {
	all, err := s.List(ctx, org, nil)
	if err != nil {
		return err
	}
	asked := map[stream.ID]bool{}
	for _, one := range all {
		if asked[one.Member] {
			continue
		}
		asked[one.Member] = true
		if err := s.member(ctx, one); err != nil && !fault.Is(err, fault.SignInNeeded) {
			return err
		}
	}
	return nil
}
