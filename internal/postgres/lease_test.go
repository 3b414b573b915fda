package postgres

import (
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"readback/internal/live"
	"readback/internal/stream"
	"readback/internal/testkit/pgtest"
)

// Times of the tests. What is between them is long against any delay of the machine.
const (
	lasts = 10 * time.Minute
	gap   = 5 * time.Minute
)

// holding are two nodes and a claim.
type holding struct {
	t     *testing.T
	sql   *pgx.Conn
	nodes [2]*DB
	claim *line
	by    stream.Person
	since time.Time
}

func newHolding(t *testing.T) *holding {
	url := pgtest.Database(t)
	h := &holding{t: t, sql: superuser(t, url), nodes: [2]*DB{open(t, url, Options{}), open(t, url, Options{})}, claim: newLine(), since: began}
	h.by = stream.Person{Org: h.claim.actor, Member: stream.NewID()}
	h.is("guided")
	h.hear(true)
	return h
}

// is appends the next entry, after which the claim is in the phase.
func (h *holding) is(phase string) {
	h.t.Helper()
	desk := h.by.Org
	a := h.claim.next(phase)
	a.Summary.Phase, a.Summary.Desk = phase, &desk
	a.Summary.Data = map[string]any{"queue": map[string]any{"member": h.by.Member, "since": h.since}}
	if phase == "waiting" {
		a.Summary.Desk, a.Summary.QueuedAt, a.Summary.DueAt, a.Summary.Data = nil, &began, &began, map[string]any{"queue": map[string]any{}}
	}
	want(h.t, h.nodes[0], a, live.Won)
	h.claim.won(a)
}

func (h *holding) hear(anew bool, people ...stream.Person) {
	h.t.Helper()
	require.NoError(h.t, h.nodes[0].Hear(h.t.Context(), people, anew, gap))
}

// colleague is somebody else of the desk.
func (h *holding) colleague() stream.Person {
	return stream.Person{Org: h.by.Org, Member: stream.NewID()}
}

// namesake is somebody of another organisation whose register has the same id.
func (h *holding) namesake() stream.Person {
	return stream.Person{Org: stream.NewID(), Member: h.by.Member}
}

// ago moves what was heard into the past, while nodes went on writing.
func (h *holding) ago(d time.Duration) {
	h.t.Helper()
	_, err := h.sql.Exec(h.t.Context(), `update lease set heard_at = heard_at - $1::interval`, d)
	require.NoError(h.t, err)
	_, err = h.sql.Exec(h.t.Context(), `update lease_watch set since = since - $1::interval`, d)
	require.NoError(h.t, err)
}

func (h *holding) lapsing() []Lapsing {
	h.t.Helper()
	due, err := h.nodes[1].TakeLapsing(h.t.Context(), lasts, time.Minute)
	require.NoError(h.t, err)
	return due
}

// TestLapsing: a claim lapses when nothing was heard of its specialist for so long, and for no other reason.
func TestLapsing(t *testing.T) {
	t.Parallel()
	exec := func(h *holding, sql string) {
		_, err := h.sql.Exec(h.t.Context(), sql)
		require.NoError(h.t, err)
	}
	for name, c := range map[string]struct {
		then func(h *holding)
		due  bool
	}{
		"silent for long":               {func(h *holding) { h.ago(lasts + time.Minute) }, true},
		"silent, and others are heard":  {func(h *holding) { h.ago(lasts + time.Minute); h.hear(false, h.colleague(), h.namesake()) }, true},
		"stopped":                       {func(h *holding) { h.ago(lasts + time.Minute); h.is("stopped") }, true},
		"silent for less":               {func(h *holding) { h.ago(lasts - time.Minute) }, false},
		"heard again":                   {func(h *holding) { h.ago(lasts + time.Minute); h.hear(false, h.by) }, false},
		"a leg runs":                    {func(h *holding) { h.ago(lasts + time.Minute); h.is("running"); h.hear(false) }, false},
		"back in the queue":             {func(h *holding) { h.ago(lasts + time.Minute); h.is("waiting") }, false},
		"claimed anew, not written yet": {func(h *holding) { h.ago(lasts + time.Minute); h.since = h.since.Add(time.Hour); h.is("guided") }, false},
		"claimed anew by the same specialist": {func(h *holding) {
			h.ago(lasts + time.Minute)
			h.since = h.since.Add(time.Hour)
			h.is("guided")
			h.hear(false)
		}, false},
		"a node starts": {func(h *holding) { h.ago(lasts + time.Minute); h.hear(true) }, false},
		"the database was away": {func(h *holding) {
			h.ago(lasts + time.Minute)
			exec(h, `update lease_watch set seen_at = seen_at - interval '6 minutes'`)
			h.hear(false)
		}, false},
		"the clock was set on by an hour": {func(h *holding) {
			exec(h, `update lease_watch set seen_at = seen_at - interval '1 hour', since = since - interval '1 hour'; update lease set heard_at = heard_at - interval '1 hour'`)
			h.hear(false)
		}, false},
		"the clock was set back by an hour": {func(h *holding) {
			exec(h, `update lease_watch set seen_at = seen_at + interval '1 hour', since = since + interval '1 hour'; update lease set heard_at = heard_at + interval '1 hour'`)
			h.hear(false)
		}, false},
		"set back by an hour, then silent": {func(h *holding) {
			exec(h, `update lease_watch set seen_at = seen_at + interval '1 hour', since = since + interval '1 hour'; update lease set heard_at = heard_at + interval '1 hour'`)
			h.hear(false)
			h.ago(lasts + time.Minute)
		}, true},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := newHolding(t)
			c.then(h)
			due := h.lapsing()
			if !c.due {
				require.Empty(t, due)
				return
			}
			require.Len(t, due, 1)
			require.Equal(t, h.claim.ref.ID, due[0].Stream)
			require.Equal(t, h.claim.org, due[0].Shop)
			require.Equal(t, h.by, due[0].Specialist)
			require.Equal(t, h.claim.seq, due[0].Seq)
			require.InDelta(t, (lasts + time.Minute).Seconds(), due[0].Unheard.Seconds(), 60, "a machine that is a minute slow")
		})
	}
}

// TestLapsingOnce: of two nodes that look at once, again and again, each claim goes to one.
func TestLapsingOnce(t *testing.T) {
	t.Parallel()
	h := newHolding(t)
	const claims = 200
	for range claims - 1 {
		h.claim = newLine()
		h.is("guided")
	}
	h.hear(false)
	h.ago(2 * lasts)
	got := make([][]Lapsing, len(h.nodes))
	var wg sync.WaitGroup
	for i, node := range h.nodes {
		wg.Go(func() {
			for range claims / 100 * 2 { // a hundred at a time; twice as often as one node alone would need
				due, err := node.TakeLapsing(t.Context(), lasts, time.Hour)
				if err != nil {
					t.Error(err)
				}
				got[i] = append(got[i], due...)
			}
		})
	}
	wg.Wait()
	seen := map[stream.ID]bool{}
	for _, l := range append(got[0], got[1]...) {
		require.False(t, seen[l.Stream], "given twice")
		seen[l.Stream] = true
	}
	require.Len(t, seen, claims)
	require.Empty(t, h.lapsing(), "being tried")
	_, err := h.sql.Exec(t.Context(), `update lease set trying_until = now() - interval '1 second'`)
	require.NoError(t, err)
	require.Len(t, h.lapsing(), 100, "whoever tried has failed")
}

// TestHearSideBySide: nodes write leases at the same time, while claims come and go, without getting in each other's way.
func TestHearSideBySide(t *testing.T) {
	t.Parallel()
	h := newHolding(t)
	var wg sync.WaitGroup
	for _, node := range h.nodes {
		wg.Go(func() {
			for range 100 {
				if err := node.Hear(t.Context(), []stream.Person{h.by}, false, gap); err != nil {
					t.Error(err)
				}
				if _, err := node.TakeLapsing(t.Context(), 0, 0); err != nil {
					t.Error(err)
				}
			}
		})
	}
	for range 50 {
		h.claim = newLine()
		h.is("guided")
		h.is("waiting")
	}
	wg.Wait()
	h.hear(false)
	require.Equal(t, 1, one[int](t, h.sql, `select count(*)::int from lease`), "the claims that stand")
}

func TestUnheard(t *testing.T) {
	t.Parallel()
	h := newHolding(t)
	h.ago(3 * time.Minute)
	unheard, known, err := h.nodes[1].Unheard(t.Context(), h.claim.ref.ID, h.by)
	require.NoError(t, err)
	require.True(t, known)
	require.InDelta(t, 180, unheard.Seconds(), 60, "a machine that is a minute slow")
	for _, other := range []stream.Person{h.colleague(), h.namesake()} {
		_, known, err = h.nodes[1].Unheard(t.Context(), h.claim.ref.ID, other)
		require.NoError(t, err)
		require.False(t, known, "somebody else holds it")
	}
	silent, err := h.nodes[0].Silent(t.Context(), time.Minute)
	require.NoError(t, err)
	require.Contains(t, silent, h.claim.ref.ID)
	h.hear(false, h.by)
	silent, err = h.nodes[0].Silent(t.Context(), time.Minute)
	require.NoError(t, err)
	require.Empty(t, silent)
}
