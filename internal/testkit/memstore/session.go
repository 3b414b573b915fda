package memstore

import (
	"context"
	"sync"
	"time"

	"readback/internal/fault"
	"readback/internal/session"
	"readback/internal/stream"
)

// Sessions keeps sessions in memory, for servers in a bubble, where there is no database. It judges as every store of
// sessions does, by session.Judge under a lock.
type Sessions struct {
	mu       sync.Mutex
	sessions map[stream.ID]*session.Session
	tokens   map[session.Hash]*refresh
}

type refresh struct {
	session.Token
	of     stream.ID
	parent session.Hash
}

// NewSessions makes an empty store.
func NewSessions() *Sessions {
	return &Sessions{sessions: map[stream.ID]*session.Session{}, tokens: map[session.Hash]*refresh{}}
}

func notHere() error { return fault.New(fault.NotHere, "There is no such session.") }

// OpenSession begins a session.
func (m *Sessions) OpenSession(_ context.Context, o session.Opening) (session.Session, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	now := time.Now()
	s := session.Session{ID: o.ID, Member: o.Member, Org: o.Org, CreatedAt: now, EndsAt: now.Add(o.AtMost), Origin: o.Origin, Device: o.Device}.Use(now, o.Idle)
	m.sessions[o.ID] = &s
	m.tokens[o.Refresh] = &refresh{of: o.ID}
	return s, nil
}

// ExchangeToken exchanges a refresh token.
func (m *Sessions) ExchangeToken(_ context.Context, x session.Exchange) (session.Session, session.Step, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	t := m.tokens[x.Presented]
	if t == nil {
		return session.Session{}, session.Step{}, notHere()
	}
	now, s := time.Now(), m.sessions[t.of]
	asked := t.Token
	m.heirs(x.Presented, func(heir *refresh) { asked.HeirUsed = asked.HeirUsed || !heir.Exchanged.IsZero() })
	step := session.Judge(*s, asked, now)
	if step.Over != "" {
		s.Ended = step.Over
		return *s, step, nil
	}
	void := func(heir *refresh) { heir.Void = heir.Void || heir != t && heir.Exchanged.IsZero() }
	switch {
	case !step.Repeat:
		if t.parent != (session.Hash{}) {
			m.heirs(t.parent, void)
		}
		t.Exchanged = now
	case !x.Page:
		m.heirs(x.Presented, void)
	}
	m.tokens[x.Next] = &refresh{of: t.of, parent: x.Presented}
	*s = s.Use(now, x.Idle)
	s.Origin, s.Device = x.Origin, x.Device
	return *s, step, nil
}

func (m *Sessions) heirs(of session.Hash, each func(*refresh)) {
	for _, t := range m.tokens {
		if t.parent == of {
			each(t)
		}
	}
}

// UseSession gives a session that goes on.
func (m *Sessions) UseSession(_ context.Context, id stream.ID, idle time.Duration) (session.Session, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	s, now := m.sessions[id], time.Now()
	if s == nil {
		return session.Session{}, notHere()
	}
	if _, over := s.Over(now); over {
		return *s, notHere()
	}
	if idle > 0 {
		*s = s.Use(now, idle)
	}
	return *s, nil
}

// LivingSessions gives the sessions that go on.
func (m *Sessions) LivingSessions(_ context.Context, org stream.ID, member *stream.ID) (all []session.Session, _ error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, s := range m.sessions {
		if _, over := s.Over(time.Now()); !over && s.Org == org && (member == nil || s.Member == *member) {
			all = append(all, *s)
		}
	}
	return all, nil
}

// EndSessions ends sessions of a member.
func (m *Sessions) EndSessions(_ context.Context, p stream.Person, only, except *stream.ID, why session.Reason) (ids []stream.ID, _ error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for id, s := range m.sessions {
		if s.Person() == p && s.Ended == "" && (only == nil || id == *only) && (except == nil || id != *except) {
			s.Ended = why
			ids = append(ids, id)
		}
	}
	return ids, nil
}
