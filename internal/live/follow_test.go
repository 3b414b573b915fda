package live_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/live"
	"readback/internal/stream"
	"readback/internal/testkit/memstore"
	"readback/internal/trail"
)

// From wherever a follower begins, and however much of it is at hand, it gets each entry once and in order, while more
// are coming in.
func TestFollowFromEverySequence(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		w.hub = w.node(func(c *live.Config) { c.MostRecent = 5; c.MostWaiting = 1000 })
		const before, during = 20, 30
		for w.last(w.cal) < before {
			w.do(w.technician, w.cal, "add", `{"n":1}`)
		}
		ears := make([]*ear, before+1)
		var wg sync.WaitGroup
		wg.Go(func() {
			for range during {
				w.do(w.technician, w.cal, "add", `{"n":1}`)
			}
		})
		for after := range ears {
			wg.Go(func() { ears[after], _ = w.follow(w.hub, w.technician, w.cal, uint64(after)) })
		}
		wg.Wait()
		synctest.Wait()
		for after, e := range ears {
			require.Equal(t, span(uint64(after)+1, before+during), e.heard())
		}
		_, err := w.hub.Follow(t.Context(), w.technician, w.cal, before+during+1, newEar())
		require.True(t, fault.Is(err, fault.InvalidInput), "%v", err)
	})
}

// The bytes followed are the stored ones, and are encoded once for all who see the same.
func TestEventsAreStoredBytesEncodedOnce(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		w.claimed()
		from := w.last(w.cal)
		var ears []*ear
		for _, a := range []stream.Actor{w.owner, w.technician, w.specialist, w.specialist} {
			e, _ := w.follow(w.hub, a, w.cal, from)
			ears = append(ears, e)
		}
		w.do(w.specialist, w.cal, "note", `{"note":"watch the cable"}`)
		synctest.Wait()
		records, err := w.store.Load(t.Context(), w.cal, from, 0)
		require.NoError(t, err)
		encoded := 0
		for _, e := range ears {
			ev := e.last()
			require.Equal(t, records[0].Body, ev.Body)
			require.Equal(t, records[0].Hash, ev.Hash)
			require.Equal(t, map[string]string{"/command/data/note": "watch the cable"}, ev.Opened)
			frame, err := ev.Frame(func(ev live.Event) ([]byte, error) { encoded++; return json.Marshal(ev.Opened) })
			require.NoError(t, err)
			require.JSONEq(t, `{"/command/data/note":"watch the cable"}`, string(frame))
		}
		require.Equal(t, 1, encoded)
	})
}

// News that cannot be read when the bus tells of it is read as soon as the store answers.
func TestNewsWhileTheStoreIsAway(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		from := w.last(w.cal)
		e, _ := w.follow(w.node(), w.technician, w.cal, from)
		w.store.Hook(memstore.Hooks{OnLoad: func(context.Context, stream.Ref, uint64) error { return errors.New("no answer") }})
		cmd := stream.Command{ID: stream.NewID(), Base: from, Type: "end", Data: []byte(`{}`)}
		_, err := w.hub.Do(t.Context(), w.technician, w.cal, cmd)
		require.NoError(t, err)
		time.Sleep(10 * time.Second)
		require.Empty(t, e.heard())
		w.store.Hook(memstore.Hooks{})
		time.Sleep(2 * time.Second)
		require.Equal(t, span(from+1, from+1), e.heard())
	})
}

func TestSlowFollowerIsDroppedAlone(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		from := w.last(w.cal)
		quick, _ := w.follow(w.hub, w.technician, w.cal, from)
		slow := newEar()
		slow.room = 2
		_, err := w.hub.Follow(t.Context(), w.technician, w.cal, from, slow)
		require.NoError(t, err)
		for range 5 {
			w.do(w.technician, w.cal, "add", `{"n":1}`)
		}
		synctest.Wait()
		require.Equal(t, span(from+1, from+5), quick.heard())
		require.Empty(t, quick.ended())
		require.Equal(t, span(from+1, from+2), slow.heard())
		require.Equal(t, []live.Reason{live.Slow}, slow.ended())
		require.EqualValues(t, 1, w.hub.Stats().Slow)
		require.EqualValues(t, 1, w.hub.Stats().Followers)

		// It comes back for the rest.
		slow.room = -1
		_, err = w.hub.Follow(t.Context(), w.technician, w.cal, from+2, slow)
		require.NoError(t, err)
		require.Equal(t, span(from+1, from+5), slow.heard())
	})
}

// What a desk sees over the life of a calibration.
func TestSightOfADesk(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		other := stream.Actor{Member: stream.NewID(), Org: stream.NewID(), Roles: []stream.Role{stream.Specialist}}
		w.do(w.owner, w.register(), "make-agreement", fmt.Sprintf(`{"desk":%q}`, other.Org))
		_, err := w.hub.Follow(t.Context(), w.specialist, w.cal, 0, newEar())
		require.True(t, fault.Is(err, fault.NotHere), "not before it is requested: %v", err)

		w.do(w.technician, w.cal, "note", `{"note":"before"}`)
		requested := w.do(w.technician, w.cal, "request", `{}`).Seq
		desk, _ := w.follow(w.hub, w.specialist, w.cal, 0)
		onlooker, _ := w.follow(w.hub, other, w.cal, 0)
		require.Equal(t, span(1, requested), desk.heard())
		for _, ev := range desk.events {
			require.Empty(t, ev.Opened, "before the claim nothing personal is readable")
		}

		claimed := w.do(w.specialist, w.cal, "claim", `{}`).Seq
		w.do(w.technician, w.cal, "note", `{"note":"after"}`)
		synctest.Wait()
		require.Equal(t, []live.Reason{live.OutOfSight}, onlooker.ended(), "claimed by another desk")
		require.Equal(t, span(1, requested), onlooker.heard())
		require.Equal(t, span(1, claimed+1), desk.heard())
		require.Equal(t, "after", desk.last().Opened["/command/data/note"])

		returned := w.do(w.specialist, w.cal, "return", `{}`).Seq
		w.do(w.technician, w.cal, "note", `{"note":"not theirs"}`)
		synctest.Wait()
		require.Equal(t, span(1, returned), desk.heard(), "the return, and nothing later")
		require.Equal(t, []live.Reason{live.OutOfSight}, desk.ended())

		// Afterwards it keeps what it had, and gets no more.
		events, last, err := w.hub.Read(t.Context(), w.specialist, w.cal, 2, 100)
		require.NoError(t, err)
		require.Equal(t, returned, last)
		require.Len(t, events, int(returned)-2)
		require.Equal(t, uint64(3), events[0].Seq)
		view, err := w.hub.View(t.Context(), w.specialist, w.cal)
		require.NoError(t, err)
		require.Equal(t, returned, view.Seq)
		require.Equal(t, stream.Ended, view.Relation)
		again, _ := w.follow(w.hub, w.specialist, w.cal, 0)
		require.Equal(t, span(1, returned), again.heard())
		require.Equal(t, []live.Reason{live.OutOfSight}, again.ended())
		w.refused(fault.NotYourRole, w.specialist, w.cal, w.cmd(w.cal, "add", `{"n":1}`))
		_, _, err = w.hub.Read(t.Context(), other, w.cal, 0, 100)
		require.True(t, fault.Is(err, fault.NotHere))

		// The job goes with its calibrations.
		w.do(w.technician, w.job, "note", `{"note":"later"}`)
		taken, err := w.hub.Bundle(t.Context(), w.specialist, w.cal.ID)
		require.NoError(t, err)
		require.Len(t, taken.Calibration, int(returned))
		require.NotEmpty(t, taken.Job)
		require.False(t, taken.Opens)
		taken, err = w.hub.Bundle(t.Context(), w.technician, w.cal.ID)
		require.NoError(t, err)
		require.True(t, taken.Opens)
		records, err := w.hub.Records(t.Context(), w.technician, w.cal)
		require.NoError(t, err)
		require.Len(t, records, int(returned)+1)
	})
}

// A job shows itself to a desk as far as its calibrations do.
func TestSightOfAJob(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		_, _, err := w.hub.Read(t.Context(), w.specialist, w.job, 0, 10)
		require.True(t, fault.Is(err, fault.NotHere), "%v", err)
		w.do(w.technician, w.cal, "request", `{}`)
		events, _, err := w.hub.Read(t.Context(), w.specialist, w.job, 0, 10)
		require.NoError(t, err)
		require.Empty(t, events[0].Opened)
		w.do(w.specialist, w.cal, "claim", `{}`)
		events, _, err = w.hub.Read(t.Context(), w.specialist, w.job, 0, 10)
		require.NoError(t, err)
		require.Equal(t, map[string]string{"/command/data/plate": "X 123"}, events[0].Opened)
		view, err := w.hub.View(t.Context(), w.specialist, w.job)
		require.NoError(t, err)
		require.Equal(t, stream.Claimed, view.Relation)
		require.Len(t, view.Opened, 1)

		job, _ := w.follow(w.hub, w.specialist, w.job, 0)
		time.Sleep(time.Second)
		w.do(w.specialist, w.cal, "return", `{}`)
		time.Sleep(time.Second)
		w.do(w.technician, w.job, "note", `{"note":"not theirs"}`)
		synctest.Wait()
		require.Equal(t, span(1, 1), job.heard())
		require.Equal(t, []live.Reason{live.OutOfSight}, job.ended())
		events, last, err := w.hub.Read(t.Context(), w.specialist, w.job, 0, 10)
		require.NoError(t, err)
		require.Equal(t, uint64(1), last)
		require.Len(t, events, 1)
	})
}

// An agreement that ends in the register ends the sight of those who wait: before the next entry, and within two ticks
// without one.
func TestSightEndsByAnotherStream(t *testing.T) {
	for _, next := range []bool{true, false} {
		t.Run(fmt.Sprint("next entry ", next), func(t *testing.T) {
			inBubble(t, func(t *testing.T, w *world) {
				requested := w.do(w.technician, w.cal, "request", `{}`).Seq
				desk, _ := w.follow(w.hub, w.specialist, w.cal, 0)
				time.Sleep(5 * time.Minute)
				require.Empty(t, desk.ended(), "following keeps the stream open")
				w.do(w.owner, w.register(), "end-agreement", fmt.Sprintf(`{"desk":%q}`, w.specialist.Org))
				if next {
					w.do(w.technician, w.cal, "add", `{"n":1}`)
				} else {
					time.Sleep(2 * time.Minute)
				}
				synctest.Wait()
				require.Equal(t, []live.Reason{live.OutOfSight}, desk.ended())
				require.Equal(t, span(1, requested), desk.heard())
			})
		})
	}
}

func TestPresenceAndTelling(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		w.do(w.technician, w.cal, "request", `{}`)
		technician, tech := w.follow(w.hub, w.technician, w.cal, 0)
		specialist, spec := w.follow(w.hub, w.specialist, w.cal, 0)
		present := func(e *ear) []live.Present {
			t.Helper()
			synctest.Wait()
			n, ok := e.note(live.PresenceKey)
			if !ok {
				return nil
			}
			var p []live.Present
			require.NoError(t, json.Unmarshal(n.Value, &p))
			return p
		}
		mine := live.Present{Member: w.technician.Member, Org: w.technician.Org, Roles: w.technician.Roles, Relation: stream.Own}
		theirs := live.Present{Member: w.specialist.Member, Org: w.specialist.Org, Roles: w.specialist.Roles, Relation: stream.Claimed}
		require.Equal(t, []live.Present{mine}, present(technician), "who only looks does not take part")
		require.Nil(t, present(specialist))

		w.do(w.specialist, w.cal, "claim", `{}`)
		require.Equal(t, []live.Present{mine, theirs}, present(technician))
		require.Equal(t, []live.Present{mine, theirs}, present(specialist))

		entries := w.last(w.cal)
		for n := range 3 {
			require.NoError(t, tech.Tell("laser", fmt.Appendf(nil, "%d", n)))
		}
		synctest.Wait()
		n, _ := specialist.note("laser")
		require.Equal(t, live.Note{Ref: w.cal, Key: "laser", From: w.technician.Member, Value: json.RawMessage("2")}, n)
		_, own := technician.note("laser")
		require.False(t, own, "not back to the sender")
		require.Equal(t, entries, w.last(w.cal), "nothing is stored")
		require.NotZero(t, w.hub.Stats().Dropped)
		require.True(t, fault.Is(tech.Tell("", nil), fault.InvalidInput))
		require.True(t, fault.Is(tech.Tell("photo", make([]byte, 5000)), fault.TooLarge))

		tech.Close()
		require.Equal(t, []live.Present{theirs}, present(specialist))
		require.Error(t, tech.Tell("laser", []byte("1")))
		spec.Close()
	})
}

func TestCloseEndsNothingElse(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		from := w.last(w.cal)
		stays, _ := w.follow(w.hub, w.technician, w.cal, from)
		leaves, g := w.follow(w.hub, w.technician, w.cal, from)
		w.do(w.technician, w.cal, "add", `{"n":1}`)
		g.Close()
		g.Close()
		synctest.Wait()
		w.do(w.technician, w.cal, "add", `{"n":1}`)
		synctest.Wait()
		require.Equal(t, span(from+1, from+2), stays.heard())
		require.Equal(t, span(from+1, from+1), leaves.heard())
		require.Empty(t, leaves.ended(), "who leaves is not told so")
	})
}

func TestFollowersHaveALimit(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		h := w.node(func(c *live.Config) { c.MostFollowers = 2 })
		w.follow(h, w.technician, w.cal, 0)
		_, g := w.follow(h, w.technician, w.cal, 0)
		_, err := h.Follow(t.Context(), w.technician, w.cal, 0, newEar())
		require.True(t, fault.Is(err, fault.TooMany), "%v", err)
		g.Close()
		synctest.Wait()
		w.follow(h, w.technician, w.cal, 0)
	})
}

// Desks that look at a waiting request take half of the places at most: the shop's own people find one.
func TestOnlookersLeavePlaces(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		w.do(w.technician, w.cal, "request", `{}`)
		h := w.node(func(c *live.Config) { c.MostFollowers = 4 })
		w.follow(h, w.specialist, w.cal, 0)
		w.follow(h, w.specialist, w.cal, 0)
		_, err := h.Follow(t.Context(), w.specialist, w.cal, 0, newEar())
		require.True(t, fault.Is(err, fault.TooMany), "%v", err)
		w.follow(h, w.technician, w.cal, 0)
		w.do(w.specialist, w.cal, "claim", `{}`)
		_, err = h.Follow(t.Context(), w.specialist, w.cal, 0, newEar())
		require.True(t, fault.Is(err, fault.TooMany), "the last quarter is the shop's: %v", err)
		w.follow(h, w.technician, w.cal, 0)
	})
}

// Large entries come in small pages, so that nobody who takes them slowly keeps many of them in memory; all of them come.
func TestLargeEntriesComeInPages(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		from := w.last(w.cal)
		for range 6 {
			w.do(w.technician, w.cal, "note", `{"note":"`+strings.Repeat("x", live.PageBytes/3)+`"}`)
		}
		h := w.node()
		e, _ := w.follow(h, w.technician, w.cal, from)
		synctest.Wait()
		require.Equal(t, span(from+1, from+6), e.heard())
		page, _, err := h.Read(t.Context(), w.technician, w.cal, from, 6)
		require.NoError(t, err)
		require.Equal(t, 3, len(page), "sealed, each takes four bytes for three, and the third fills the page")
		v, err := h.View(t.Context(), w.technician, w.cal)
		require.NoError(t, err)
		require.Equal(t, 6, len(v.Opened))
	})
}

// A caller that gives up while it waits leaves nothing behind that keeps the stream open.
func TestFollowGivenUp(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		release := make(chan struct{})
		w.store.Hook(memstore.Hooks{Before: func(ctx context.Context, _ live.Append) error { return wait(ctx, release) }})
		cmd := w.cmd(w.cal, "add", `{"n":1}`)
		answered := make(chan error, 2)
		go func() { _, err := w.hub.Do(t.Context(), w.technician, w.cal, cmd); answered <- err }()
		synctest.Wait()
		ctx, cancel := context.WithCancel(t.Context())
		e := newEar()
		go func() { _, err := w.hub.Follow(ctx, w.technician, w.cal, 0, e); answered <- err }()
		synctest.Wait()
		cancel()
		require.ErrorIs(t, <-answered, context.Canceled)
		close(release)
		require.NoError(t, <-answered)
		time.Sleep(5 * time.Minute)
		require.Zero(t, w.hub.Stats().Open)
		require.Zero(t, w.hub.Stats().Followers)
	})
}

func TestPastMayRefuse(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		w.hub = w.node(func(c *live.Config) { c.MostRecent = 1 })
		w.do(w.technician, w.cal, "add", `{"n":1}`)
		w.do(w.technician, w.cal, "add", `{"n":1}`)
		full := errors.New("no room in time")
		_, err := w.hub.Follow(t.Context(), w.technician, w.cal, 0, deaf{full})
		require.ErrorIs(t, err, full)
		time.Sleep(5 * time.Minute)
		require.Zero(t, w.hub.Stats().Open)
	})
}

type deaf struct{ err error }

func (d deaf) Past(context.Context, live.Event) error { return d.err }
func (d deaf) Entry(live.Event) bool                  { return true }
func (d deaf) Note(live.Note) bool                    { return true }
func (d deaf) End(stream.Ref, live.Reason)            {}

func TestIdleStreamsCloseAndOpenAgain(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		w.do(w.technician, w.cal, "add", `{"n":4}`)
		require.NotZero(t, w.hub.Stats().Open)
		e, g := w.follow(w.hub, w.technician, w.cal, 0)
		time.Sleep(3 * time.Minute)
		require.Equal(t, 2, w.hub.Stats().Open, "the followed one stays, and the register that says whether its follower still may")
		g.Close()
		time.Sleep(3 * time.Minute)
		require.Zero(t, w.hub.Stats().Open)
		got := w.do(w.technician, w.cal, "add", `{"n":5}`)
		require.Equal(t, w.last(w.cal), got.Seq)
		require.Equal(t, `{"count":9}`, string(w.chain(w.cal)[got.Seq-1].Decided))
		require.Len(t, e.heard(), int(got.Seq)-1)

		_, err := w.hub.View(t.Context(), w.technician, stream.Ref{Kind: stream.Job, ID: stream.NewID()})
		require.True(t, fault.Is(err, fault.NotHere))
		synctest.Wait()
		require.LessOrEqual(t, w.hub.Stats().Open, 3, "what is not there is not kept")
	})
}

func TestActor(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		got, err := w.hub.Actor(t.Context(), w.technician.Org, w.technician.Member)
		require.NoError(t, err)
		require.Equal(t, w.technician, got)
		for name, who := range map[string]stream.Actor{
			"nobody": w.stranger, "of another": {Org: w.technician.Org, Member: w.specialist.Member},
		} {
			_, err := w.hub.Actor(t.Context(), who.Org, who.Member)
			require.True(t, fault.Is(err, fault.SignInNeeded), "%s: %v", name, err)
		}
		w.do(w.owner, w.register(), "add-member", fmt.Sprintf(`{"id":%q,"roles":["technician"],"active":false}`, w.technician.Member))
		synctest.Wait()
		_, err = w.hub.Actor(t.Context(), w.technician.Org, w.technician.Member)
		require.True(t, fault.Is(err, fault.SignInNeeded), "retired: %v", err)
	})
}

// A member who is retired, or gets other roles, on one node follows no longer on another as soon as the register's entry
// is known there.
func TestARetiredMemberFollowsNoMore(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		far := w.node()
		from := w.last(w.cal)
		gone, _ := w.follow(far, w.technician, w.cal, from)
		stays, _ := w.follow(far, w.owner, w.cal, from)
		w.do(w.owner, w.register(), "set-limit", `{"n":5}`)
		synctest.Wait()
		require.Empty(t, gone.ended(), "nothing about the member")
		start := time.Now()
		w.do(w.owner, w.register(), "add-member", fmt.Sprintf(`{"id":%q,"roles":["technician"],"active":false}`, w.technician.Member))
		synctest.Wait()
		require.Zero(t, time.Since(start))
		require.Equal(t, []live.Reason{live.OutOfSight}, gone.ended())
		require.Empty(t, stays.ended())
		w.do(w.owner, w.cal, "end", `{}`)
		synctest.Wait()
		require.Empty(t, gone.heard())
		require.Equal(t, span(from+1, from+1), stays.heard())
	})
}

// What is asked for in small pieces is read in small pieces.
func TestReadingLoadsNoMoreThanAsked(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		w.do(w.technician, w.cal, "note", `{"note":"early"}`)
		for w.last(w.cal) < 600 { // more than two pages
			w.do(w.technician, w.cal, "add", `{"n":1}`)
		}
		counted := &counting{Store: w.store}
		h := w.node(func(c *live.Config) { c.Store = counted })
		e, _ := w.follow(h, w.technician, w.cal, 0)
		require.Equal(t, span(1, 600), e.heard())
		require.LessOrEqual(t, counted.most.Load(), int64(256), "opening and following go by pages")
		counted.most.Store(0)
		got, last, err := h.Read(t.Context(), w.technician, w.cal, 3, 2)
		require.NoError(t, err)
		require.Equal(t, uint64(600), last)
		require.Len(t, got, 2)
		require.Equal(t, uint64(4), got[0].Seq)
		require.EqualValues(t, 2, counted.most.Load())
		view, err := h.View(t.Context(), w.technician, w.cal)
		require.NoError(t, err)
		require.Equal(t, []string{"early"}, slices.Collect(maps.Values(view.Opened)), "also from the first page")
		require.LessOrEqual(t, counted.most.Load(), int64(256))
	})
}

// counting is a store that keeps the most entries that it gave at once.
type counting struct {
	live.Store
	most atomic.Int64
}

func (c *counting) Load(ctx context.Context, ref stream.Ref, after uint64, limit int) ([]trail.Record, error) {
	got, err := c.Store.Load(ctx, ref, after, limit)
	c.most.Store(max(c.most.Load(), int64(len(got))))
	return got, err
}

func (c *counting) LoadFor(ctx context.Context, org stream.ID, ref stream.Ref, after uint64, limit int) ([]trail.Record, error) {
	got, err := c.Store.LoadFor(ctx, org, ref, after, limit)
	c.most.Store(max(c.most.Load(), int64(len(got))))
	return got, err
}

func TestShutdown(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		h := w.node(func(c *live.Config) { c.MostWaiting = 100 })
		e, _ := w.follow(h, w.technician, w.cal, 0)
		from := w.last(w.cal)
		release := make(chan struct{})
		w.store.Hook(memstore.Hooks{Before: func(ctx context.Context, _ live.Append) error { return wait(ctx, release) }})
		results := make(chan error, 5)
		for range cap(results) {
			cmd := w.cmd(w.cal, "add", `{"n":1}`)
			go func() { _, err := h.Do(t.Context(), w.technician, w.cal, cmd); results <- err }()
			synctest.Wait()
		}
		down := make(chan error, 1)
		go func() { down <- h.Shutdown(t.Context()) }()
		synctest.Wait()
		require.Empty(t, down, "an append is on its way")
		_, err := h.Do(t.Context(), w.technician, w.job, w.cmd(w.job, "note", `{}`))
		require.True(t, fault.Is(err, fault.NotReady), "%v", err)
		close(release)
		require.NoError(t, <-down)

		accepted := 0
		for range cap(results) {
			if err := <-results; err == nil {
				accepted++
			} else {
				require.True(t, fault.Is(err, fault.NotReady), "%v", err)
			}
		}
		require.Equal(t, 1, accepted, "the one on its way")
		require.Equal(t, from+1, w.last(w.cal))
		require.Equal(t, span(1, from+1), e.heard())
		require.Equal(t, []live.Reason{live.Leaving}, e.ended())
		require.NoError(t, h.Shutdown(t.Context()), "again is harmless")
	})
}

func TestShutdownLosesPatience(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		h := w.node()
		w.store.Hook(memstore.Hooks{Before: func(ctx context.Context, _ live.Append) error { return wait(ctx, nil) }})
		result := make(chan error, 1)
		cmd := w.cmd(w.cal, "add", `{"n":1}`)
		go func() { _, err := h.Do(t.Context(), w.technician, w.cal, cmd); result <- err }()
		synctest.Wait()
		ctx, cancel := context.WithTimeout(t.Context(), 3*time.Second)
		defer cancel()
		require.ErrorIs(t, h.Shutdown(ctx), context.DeadlineExceeded)
		require.True(t, fault.Is(<-result, fault.NotReady))
	})
}
