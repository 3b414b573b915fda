package live_test

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"log/slog"
	"os"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"readback/internal/fault"
	"readback/internal/live"
	"readback/internal/stream"
	"readback/internal/testkit/memstore"
	"readback/internal/trail"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// world is a store with a shop (owner, technician), a desk that has an agreement with it (specialist), a stranger, a job
// and a calibration of the shop's.
type world struct {
	t     testing.TB
	store *memstore.Store
	keys  trail.WrappingKey
	hub   *live.Hub // the first node

	owner, technician, specialist, stranger stream.Actor
	job, cal                                stream.Ref
}

// inBubble runs a test on a fake clock, with the world's hubs shut down at the end.
func inBubble(t *testing.T, test func(t *testing.T, w *world)) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) { test(t, newWorld(t)) })
}

func newWorld(t testing.TB) *world {
	secret := make([]byte, trail.KeySize)
	_, err := rand.Read(secret)
	require.NoError(t, err)
	keys, err := trail.WrappingKeyFrom(secret)
	require.NoError(t, err)
	shop, desk := stream.NewID(), stream.NewID()
	someone := func(org stream.ID, role stream.Role) stream.Actor {
		return stream.Actor{Member: stream.NewID(), Org: org, Roles: []stream.Role{role}}
	}
	w := &world{
		t: t, store: memstore.New(), keys: keys,
		owner: someone(shop, stream.Owner), technician: someone(shop, stream.Technician),
		specialist: someone(desk, stream.Specialist), stranger: someone(stream.NewID(), stream.Technician),
		job: stream.Ref{Kind: stream.Job, ID: stream.NewID()}, cal: stream.Ref{Kind: stream.Calibration, ID: stream.NewID()},
	}
	w.hub = w.node()
	for _, o := range []struct {
		id      stream.ID
		members []stream.Actor
	}{{shop, []stream.Actor{w.owner, w.technician}}, {desk, []stream.Actor{w.specialist}}} {
		reg := stream.Ref{Kind: stream.Register, ID: o.id}
		system := stream.Actor{Org: o.id, Roles: []stream.Role{stream.System}}
		w.do(system, reg, "open-organisation", `{}`)
		for _, m := range o.members {
			raw, err := json.Marshal(map[string]any{"id": m.Member, "roles": m.Roles, "active": true, "name": "Name of a " + string(m.Roles[0])})
			require.NoError(t, err)
			w.do(system, reg, "add-member", string(raw))
		}
	}
	w.do(w.owner, w.register(), "make-agreement", `{"desk":"`+desk.String()+`"}`)
	w.do(w.technician, w.job, "open-job", `{"plate":"X 123"}`)
	w.do(w.technician, w.cal, "open", `{"job":"`+w.job.ID.String()+`"}`)
	return w
}

func (w *world) register() stream.Ref { return stream.Ref{Kind: stream.Register, ID: w.owner.Org} }

// node starts another hub over the world's store.
func (w *world) node(change ...func(*live.Config)) *live.Hub {
	c := live.Config{
		Store: w.store, Bus: w.store.Bus(), Keys: w.keys, Rules: toys(), Belonging: w.store.Belonging,
		Log: slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelError + 1})),
	}
	for _, f := range change {
		f(&c)
	}
	h := live.New(c)
	w.t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
		defer cancel()
		require.NoError(w.t, h.Shutdown(ctx))
	})
	return h
}

// last is the number of the stream's last entry.
func (w *world) last(ref stream.Ref) uint64 {
	records, err := w.store.Load(context.Background(), ref, 0, 0)
	require.NoError(w.t, err)
	return uint64(len(records))
}

func (w *world) cmd(ref stream.Ref, typ, data string) stream.Command {
	return stream.Command{ID: stream.NewID(), Base: w.last(ref), Type: typ, Data: json.RawMessage(data)}
}

// do gives a new command to the first node, which must accept it.
func (w *world) do(actor stream.Actor, ref stream.Ref, typ, data string) live.Receipt {
	w.t.Helper()
	got, err := w.hub.Do(context.Background(), actor, ref, w.cmd(ref, typ, data))
	require.NoError(w.t, err)
	return got
}

func (w *world) refused(slug fault.Slug, actor stream.Actor, ref stream.Ref, cmd stream.Command) {
	w.t.Helper()
	before := w.last(ref)
	_, err := w.hub.Do(context.Background(), actor, ref, cmd)
	require.True(w.t, fault.Is(err, slug), "%v", err)
	require.Equal(w.t, before, w.last(ref), "a refusal stores nothing")
}

// claimed brings the calibration to where the desk has claimed it.
func (w *world) claimed() {
	w.do(w.technician, w.cal, "request", `{}`)
	w.do(w.specialist, w.cal, "claim", `{}`)
}

// ear is a follower that keeps what it gets.
type ear struct {
	mu     sync.Mutex
	events []live.Event
	past   int // of them, by Past
	notes  map[string]live.Note
	ends   []live.Reason
	room   int // entries it takes before it has no more; -1: all
}

func newEar() *ear { return &ear{room: -1, notes: map[string]live.Note{}} }

func (e *ear) Past(_ context.Context, ev live.Event) error {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.events = append(e.events, ev)
	e.past++
	return nil
}

func (e *ear) Entry(ev live.Event) bool {
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.room == 0 {
		return false
	}
	e.room--
	e.events = append(e.events, ev)
	return true
}

func (e *ear) Note(n live.Note) bool {
	e.mu.Lock()
	defer e.mu.Unlock()
	_, had := e.notes[n.Key]
	e.notes[n.Key] = n
	return !had
}

func (e *ear) End(_ stream.Ref, why live.Reason) {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.ends = append(e.ends, why)
}

// heard is the numbers of the entries so far.
func (e *ear) heard() []uint64 {
	e.mu.Lock()
	defer e.mu.Unlock()
	out := []uint64{}
	for _, ev := range e.events {
		out = append(out, ev.Seq)
	}
	return out
}

func (e *ear) last() live.Event {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.events[len(e.events)-1]
}

func (e *ear) ended() []live.Reason {
	e.mu.Lock()
	defer e.mu.Unlock()
	return append([]live.Reason{}, e.ends...)
}

func (e *ear) note(key string) (live.Note, bool) {
	e.mu.Lock()
	defer e.mu.Unlock()
	n, ok := e.notes[key]
	return n, ok
}

// span is the numbers from the one to the other.
func span(from, to uint64) []uint64 {
	out := []uint64{}
	for n := from; n <= to; n++ {
		out = append(out, n)
	}
	return out
}

func (w *world) follow(h *live.Hub, actor stream.Actor, ref stream.Ref, after uint64) (*ear, *live.Following) {
	w.t.Helper()
	e := newEar()
	g, err := h.Follow(context.Background(), actor, ref, after, e)
	require.NoError(w.t, err)
	return e, g
}
