package live_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/access"
	"readback/internal/fault"
	"readback/internal/live"
	"readback/internal/stream"
	"readback/internal/testkit/memstore"
	"readback/internal/trail"
)

// chain reads a stream from the store and checks that it is whole.
func (w *world) chain(ref stream.Ref) []stream.Entry {
	w.t.Helper()
	records, err := w.store.Load(context.Background(), ref, 0, 0)
	require.NoError(w.t, err)
	var entries []stream.Entry
	var head stream.Hash
	for i, r := range records {
		require.NoError(w.t, trail.Follows(uint64(i), head, r))
		e, err := trail.Decode(r)
		require.NoError(w.t, err)
		entries, head = append(entries, e), r.Hash
	}
	return entries
}

func TestAcceptedIsStored(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		got := w.do(w.technician, w.cal, "add", `{"n":3}`)
		entries := w.chain(w.cal)
		e := entries[len(entries)-1]
		require.Equal(t, live.Receipt{Seq: e.Seq, Hash: e.Hash, Type: "added", At: e.At}, got)
		require.Equal(t, w.technician.Member, e.By.Member)
		require.JSONEq(t, `{"count":3}`, string(e.Decided))
		require.True(t, e.At.Equal(time.Now().Truncate(time.Millisecond)))
		sum, _ := w.store.Summary(w.cal.ID)
		require.Equal(t, map[string]int{"count": 3}, sum.Data)
	})
}

// Many at once on two streams: every command has one entry, none is lost, and every follower saw each once in order.
func TestOnceAndInOrderUnderConcurrency(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		w.hub = w.node(func(c *live.Config) { c.MostWaiting = 1000 })
		from := w.last(w.cal)
		early, _ := w.follow(w.hub, w.technician, w.cal, 0)
		const senders, each = 20, 10
		var wg sync.WaitGroup
		var ids sync.Map
		for range senders {
			wg.Go(func() {
				for range each {
					cmd := w.cmd(w.cal, "add", `{"n":1}`)
					got, err := w.hub.Do(t.Context(), w.technician, w.cal, cmd)
					if err != nil {
						t.Error(err)
						return
					}
					ids.Store(got.Seq, cmd.ID)
				}
			})
		}
		wg.Wait()
		synctest.Wait()
		entries := w.chain(w.cal)
		require.Len(t, entries, int(from)+senders*each)
		for _, e := range entries[from:] {
			id, ok := ids.Load(e.Seq)
			require.True(t, ok)
			require.Equal(t, e.Command.ID, id)
		}
		require.Equal(t, span(1, from+senders*each), early.heard())
	})
}

func TestSameCommandAgain(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		cmd := w.cmd(w.cal, "note", `{"note":"left door dented","n":1}`)
		first, err := w.hub.Do(t.Context(), w.technician, w.cal, cmd)
		require.NoError(t, err)
		w.do(w.technician, w.cal, "add", `{"n":1}`)

		cmd.Data = json.RawMessage(` { "n" : 1, "note" : "left door d\u0065nted" } `) // the same, spelled differently
		again, err := w.hub.Do(t.Context(), w.technician, w.cal, cmd)
		require.NoError(t, err)
		require.True(t, again.Repeated)
		again.Repeated = false
		require.Equal(t, first, again)

		for name, change := range map[string]func(*stream.Command){
			"data": func(c *stream.Command) { c.Data = json.RawMessage(`{"n":1,"note":"right door dented"}`) },
			"type": func(c *stream.Command) { c.Type = "add" },
			"base": func(c *stream.Command) { c.Base-- },
		} {
			other := cmd
			change(&other)
			t.Log(name)
			w.refused(fault.IDReused, w.technician, w.cal, other)
		}
		w.refused(fault.IDReused, w.owner, w.cal, cmd) // the same words from someone else
	})
}

func TestRefusals(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		w.do(w.technician, w.cal, "request", `{}`)
		stale := w.cmd(w.cal, "claim", `{}`)
		w.do(w.technician, w.cal, "add", `{"n":1}`)
		w.refused(fault.Stale, w.specialist, w.cal, stale)
		ahead := w.cmd(w.cal, "add", `{"n":1}`)
		ahead.Base++
		w.refused(fault.InvalidInput, w.technician, w.cal, ahead)
		w.refused(fault.UnknownType, w.technician, w.cal, w.cmd(w.cal, "dance", `{}`))
		w.refused(fault.InvalidInput, w.technician, w.cal, w.cmd(w.cal, "add", `{"m":1}`))
		w.refused(fault.InvalidInput, w.technician, w.cal, w.cmd(w.cal, "add", `{"n":1.5}`))
		w.refused(fault.AlreadyThere, w.technician, w.cal, w.cmd(w.cal, "open", `{"job":"`+w.job.ID.String()+`"}`))
		w.refused(fault.NotYourRole, w.specialist, w.job, w.cmd(w.job, "add", `{"n":1}`)) // sees the job by its calibration
		other := stream.Ref{Kind: stream.Job, ID: w.cal.ID}                               // the id is a calibration's
		w.refused(fault.NotHere, w.technician, other, w.cmd(other, "open-job", `{}`))
		require.Zero(t, w.hub.Stats().Repeated)

		// Nothing of a refusal is remembered: the same id may succeed later.
		w.do(w.owner, w.register(), "set-limit", `{"n":3}`)
		full := w.cmd(w.cal, "add", `{"n":9}`)
		w.refused(fault.NotMet, w.technician, w.cal, full)
		w.do(w.owner, w.register(), "set-limit", `{"n":30}`)
		got, err := w.hub.Do(t.Context(), w.technician, w.cal, full)
		require.NoError(t, err)
		require.False(t, got.Repeated)
	})
}

// A stranger cannot tell a stream that exists from one that does not, whatever is tried.
func TestForeignIsMissing(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		missing := stream.Ref{Kind: stream.Calibration, ID: stream.NewID()}
		for name, try := range map[string]func(stream.Ref) error{
			"add": func(r stream.Ref) error {
				_, err := w.hub.Do(t.Context(), w.stranger, r, stream.Command{ID: stream.NewID(), Type: "add", Data: []byte(`{"n":1}`)})
				return err
			},
			"seen": func(r stream.Ref) error {
				_, err := w.hub.Do(t.Context(), w.stranger, r, stream.Command{ID: stream.NewID(), Base: 1, Type: "add", Data: []byte(`{"n":1}`)})
				return err
			},
			"wrong": func(r stream.Ref) error {
				_, err := w.hub.Do(t.Context(), w.stranger, r, stream.Command{ID: stream.NewID(), Type: "dance", Data: []byte(`{"x":1.5}`)})
				return err
			},
			"follow": func(r stream.Ref) error { _, err := w.hub.Follow(t.Context(), w.stranger, r, 0, newEar()); return err },
			"ahead":  func(r stream.Ref) error { _, err := w.hub.Follow(t.Context(), w.stranger, r, 99, newEar()); return err },
			"read":   func(r stream.Ref) error { _, _, err := w.hub.Read(t.Context(), w.stranger, r, 0, 10); return err },
			"view":   func(r stream.Ref) error { _, err := w.hub.View(t.Context(), w.stranger, r); return err },
			"record": func(r stream.Ref) error { _, err := w.hub.Records(t.Context(), w.stranger, r); return err },
			"bundle": func(r stream.Ref) error { _, err := w.hub.Bundle(t.Context(), w.stranger, r.ID); return err },
		} {
			there, nowhere := try(w.cal), try(missing)
			require.Equal(t, access.NotHere(), there, name)
			require.Equal(t, nowhere, there, name)
		}
		// A calibration under someone else's job is under no job.
		_, err := w.hub.Do(t.Context(), w.stranger, missing, stream.Command{ID: stream.NewID(), Type: "open", Data: []byte(`{"job":"` + w.job.ID.String() + `"}`)})
		require.Equal(t, access.NotHere(), err)
		require.Equal(t, uint64(0), w.last(missing))
	})
}

// Two nodes over one store: every command succeeds once, whichever node was faster, and the chain is one.
func TestTwoNodesRace(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		// Hold every append until the other node's has come as well, so that nearly all of them race.
		w.store.Hook(memstore.Hooks{Before: func(context.Context, live.Append) error { time.Sleep(time.Millisecond); return nil }})
		nodes := []*live.Hub{w.hub, w.node()}
		from := w.last(w.cal)
		ears := []*ear{}
		for _, h := range nodes {
			e, _ := w.follow(h, w.technician, w.cal, 0)
			ears = append(ears, e)
		}
		const each = 25
		var wg sync.WaitGroup
		for _, h := range nodes {
			wg.Go(func() {
				for range each {
					cmd := w.cmd(w.cal, "add", `{"n":1}`)
					for range 10 {
						_, err := h.Do(t.Context(), w.technician, w.cal, cmd)
						if err == nil {
							break
						}
						if !fault.Is(err, fault.NotReady) {
							t.Error(err)
							return
						}
					}
				}
			})
		}
		wg.Wait()
		synctest.Wait()
		entries := w.chain(w.cal)
		require.Len(t, entries, int(from)+2*each)
		require.JSONEq(t, fmt.Sprintf(`{"count":%d}`, 2*each), string(entries[len(entries)-1].Decided))
		require.Positive(t, nodes[0].Stats().Lost+nodes[1].Stats().Lost)
		for _, e := range ears {
			require.Equal(t, span(1, from+2*each), e.heard())
		}
	})
}

// The same command sent to both nodes at once, as after a lost connection, makes one entry and one answer.
func TestSameCommandToTwoNodes(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		w.store.Hook(memstore.Hooks{Before: func(context.Context, live.Append) error { time.Sleep(time.Millisecond); return nil }})
		other := w.node()
		cmd := w.cmd(w.cal, "note", `{"note":"both"}`)
		var got [2]live.Receipt
		var errs [2]error
		var wg sync.WaitGroup
		for i, h := range []*live.Hub{w.hub, other} {
			wg.Go(func() { got[i], errs[i] = h.Do(t.Context(), w.technician, w.cal, cmd) })
		}
		wg.Wait()
		require.NoError(t, errors.Join(errs[:]...))
		require.Equal(t, got[0].Hash, got[1].Hash)
		require.Equal(t, cmd.Base+1, w.last(w.cal))
	})
}

// A node that the bus does not reach still decides by what is in the store.
func TestNodeThatIsBehind(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		deaf := w.node(func(c *live.Config) { c.Bus = nil })
		_, g := w.follow(deaf, w.technician, w.cal, 0) // keeps it open
		defer g.Close()
		w.do(w.technician, w.cal, "request", `{}`)
		cmd := w.cmd(w.cal, "claim", `{}`) // its base is news to the deaf node
		got, err := deaf.Do(t.Context(), w.specialist, w.cal, cmd)
		require.NoError(t, err)
		require.Equal(t, cmd.Base+1, got.Seq)
		synctest.Wait()

		// A fact changed on the other node counts at once.
		w.do(w.owner, w.register(), "set-limit", `{"n":5}`)
		_, err = deaf.Do(t.Context(), w.technician, w.cal, w.cmd(w.cal, "add", `{"n":6}`))
		require.True(t, fault.Is(err, fault.NotMet), "%v", err)
		w.do(w.owner, w.register(), "set-limit", `{"n":50}`)
		_, err = deaf.Do(t.Context(), w.technician, w.cal, w.cmd(w.cal, "add", `{"n":6}`))
		require.NoError(t, err)
	})
}

func TestUnknownOutcomeIsSentAgain(t *testing.T) {
	for _, c := range []struct {
		name    string
		written bool // when the connection breaks
	}{{"not written", false}, {"written", true}} {
		t.Run(c.name, func(t *testing.T) {
			inBubble(t, func(t *testing.T, w *world) {
				var calls atomic.Int32
				broken := errors.New("the connection broke")
				fail := func() error {
					if calls.Add(1) <= 3 {
						return broken
					}
					return nil
				}
				var sent []stream.Hash
				w.store.Hook(memstore.Hooks{
					Before: func(_ context.Context, a live.Append) error {
						sent = append(sent, a.Record.Hash)
						if !c.written {
							return fail()
						}
						return nil
					},
					After: func(context.Context, live.Append, live.Outcome) error {
						if c.written {
							return fail()
						}
						return nil
					},
				})
				ear, _ := w.follow(w.hub, w.owner, w.cal, w.last(w.cal))
				from := w.last(w.cal)
				got := w.do(w.technician, w.cal, "start", `{}`)
				require.False(t, got.Repeated)
				require.Equal(t, from+1, got.Seq)
				require.Equal(t, from+1, w.last(w.cal))
				require.Len(t, sent, 4)
				for _, h := range sent {
					require.Equal(t, got.Hash, h, "the same bytes each time")
				}
				synctest.Wait()
				require.Equal(t, span(from+1, from+1), ear.heard())
				require.EqualValues(t, 3, w.hub.Stats().Unsure)
			})
		})
	}
}

// The outcome stays unknown longer than patience lasts: the sender is told so, nobody sees anything before it is known,
// and sending the same again finds out.
func TestOutcomeUnknownForLong(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		var away atomic.Bool
		down := errors.New("no answer")
		answer := func() error {
			if away.Load() {
				return down
			}
			return nil
		}
		w.store.Hook(memstore.Hooks{
			After:  func(context.Context, live.Append, live.Outcome) error { return answer() },
			OnLoad: func(context.Context, stream.Ref, uint64) error { return answer() },
		})
		from := w.last(w.cal)
		cmd := w.cmd(w.cal, "add", `{"n":1}`)
		ear, _ := w.follow(w.hub, w.technician, w.cal, from)
		away.Store(true)
		_, err := w.hub.Do(t.Context(), w.technician, w.cal, cmd)
		require.True(t, fault.Is(err, fault.NotReady), "%v", err)
		require.Empty(t, ear.heard())
		away.Store(false)
		got, err := w.hub.Do(t.Context(), w.technician, w.cal, cmd)
		require.NoError(t, err)
		require.Equal(t, from+1, got.Seq)
		require.Equal(t, from+1, w.last(w.cal))
		require.Equal(t, span(from+1, from+1), ear.heard())
	})
}

// Nobody sees an entry, and nobody is told of it, while it is on its way to the store.
func TestDurableBeforeVisible(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		from := w.last(w.cal)
		ear, _ := w.follow(w.hub, w.technician, w.cal, from)
		release := make(chan struct{})
		w.store.Hook(memstore.Hooks{Before: func(ctx context.Context, _ live.Append) error { return wait(ctx, release) }})
		answered := make(chan error, 1)
		cmd := w.cmd(w.cal, "add", `{"n":1}`)
		go func() { _, err := w.hub.Do(t.Context(), w.technician, w.cal, cmd); answered <- err }()
		synctest.Wait()
		require.Empty(t, ear.heard())
		require.Empty(t, answered)
		close(release)
		require.NoError(t, <-answered)
		synctest.Wait()
		require.Equal(t, span(from+1, from+1), ear.heard())
	})
}

// A sender that goes away does not stop its command.
func TestSenderGoesAway(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		from := w.last(w.cal)
		release := make(chan struct{})
		w.store.Hook(memstore.Hooks{Before: func(ctx context.Context, _ live.Append) error { return wait(ctx, release) }})
		ctx, cancel := context.WithCancel(t.Context())
		cmd := w.cmd(w.cal, "add", `{"n":1}`)
		answered := make(chan error, 1)
		go func() { _, err := w.hub.Do(ctx, w.technician, w.cal, cmd); answered <- err }()
		synctest.Wait()
		cancel()
		require.ErrorIs(t, <-answered, context.Canceled)
		close(release)
		synctest.Wait()
		require.Equal(t, from+1, w.last(w.cal))
		got, err := w.hub.Do(t.Context(), w.technician, w.cal, cmd)
		require.NoError(t, err)
		require.True(t, got.Repeated)
	})
}

func TestBusyElsewhere(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		second := stream.Ref{Kind: stream.Calibration, ID: stream.NewID()}
		w.do(w.technician, second, "open", `{"job":"`+w.job.ID.String()+`"}`)
		w.do(w.technician, w.cal, "start", `{}`)
		w.refused(fault.BusyElsewhere, w.technician, second, w.cmd(second, "start", `{}`))
		w.do(w.technician, w.cal, "end", `{}`)
		w.do(w.technician, second, "start", `{}`)
	})
}

// Personal values never reach the store in plain text: own ones are under the job's key, and so are those of facts.
func TestPersonalValuesAreSealed(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		w.claimed()
		w.do(w.technician, w.cal, "note", `{"note":"scratch on the left"}`)
		for _, ref := range []stream.Ref{w.register(), w.job, w.cal} {
			records, err := w.store.Load(t.Context(), ref, 0, 0)
			require.NoError(t, err)
			for _, r := range records {
				for _, plain := range []string{"Name of a", "X 123", "scratch"} {
					require.NotContains(t, string(r.Body), plain)
				}
			}
		}
		entries := w.chain(w.cal)
		wrapped, err := w.store.Key(t.Context(), *w.chain(w.job)[0].Opens.Key)
		require.NoError(t, err)
		key, err := w.keys.Unwrap(wrapped)
		require.NoError(t, err)
		require.Equal(t, key.Commitment(), *w.chain(w.job)[0].Opens.Commitment)
		require.Nil(t, entries[0].Opens.Key)

		// Read with the job's key alone, as whoever has the bundle does.
		claim := entries[2]
		require.Equal(t, "claimed", claim.Type)
		require.Len(t, claim.Facts, 1)
		var member struct{ Name stream.Sealed }
		require.NoError(t, json.Unmarshal(claim.Facts[0].Value, &member))
		name, err := key.Open(w.cal.ID, trail.FactPath(claim.Facts[0].Key.Name, "name"), member.Name)
		require.NoError(t, err)
		require.Equal(t, "Name of a specialist", name)

		events, _, err := w.hub.Read(t.Context(), w.technician, w.cal, 0, 100)
		require.NoError(t, err)
		require.Equal(t, map[string]string{"/facts/0/value/name": "Name of a specialist"}, events[2].Opened)
		require.Equal(t, map[string]string{"/command/data/note": "scratch on the left"}, events[3].Opened)
	})
}

// A fact that the stream holds at its newest version is not stored again.
func TestFactsAreStoredOnce(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		w.do(w.owner, w.register(), "set-limit", `{"n":100}`)
		for range 3 {
			w.do(w.technician, w.cal, "add", `{"n":1}`)
		}
		w.do(w.owner, w.register(), "set-limit", `{"n":101}`)
		w.do(w.technician, w.cal, "add", `{"n":1}`)
		var stored []int
		for _, e := range w.chain(w.cal)[1:] {
			stored = append(stored, len(e.Facts))
		}
		require.Equal(t, []int{1, 0, 0, 1}, stored)
	})
}

// Two registers whose commands each need the other's news at the same time do not wait for each other for ever.
func TestLinesThatNeedEachOther(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		theirs := stream.Ref{Kind: stream.Register, ID: w.specialist.Org}
		theirOwner := w.specialist
		theirOwner.Roles = []stream.Role{stream.Owner}
		w.store.Hook(memstore.Hooks{OnLoad: func(context.Context, stream.Ref, uint64) error { time.Sleep(time.Millisecond); return nil }})
		var wg sync.WaitGroup
		start := time.Now()
		for range 10 {
			wg.Go(func() {
				cmd := w.cmd(w.register(), "make-agreement", `{"desk":"`+theirs.ID.String()+`"}`)
				_, err := w.hub.Do(t.Context(), w.owner, w.register(), cmd)
				if err != nil {
					t.Error(err)
				}
			})
			wg.Go(func() {
				cmd := w.cmd(theirs, "make-agreement", `{"desk":"`+w.owner.Org.String()+`"}`)
				_, err := w.hub.Do(t.Context(), theirOwner, theirs, cmd)
				if err != nil {
					t.Error(err)
				}
			})
		}
		wg.Wait()
		require.Less(t, time.Since(start), time.Second, "nobody's patience ran out")
	})
}

// Destroying the key of a job erases what was sealed; the trail stays readable, and takes no more entries.
func TestErasedKey(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		w.do(w.technician, w.cal, "note", `{"note":"to be forgotten"}`)
		head := w.last(w.cal)
		w.store.Destroy(*w.chain(w.job)[0].Opens.Key)
		time.Sleep(2 * time.Minute) // the key is kept for one

		events, _, err := w.hub.Read(t.Context(), w.technician, w.cal, 0, 100)
		require.NoError(t, err)
		require.Len(t, events, int(head))
		require.Empty(t, events[head-1].Opened)
		require.Contains(t, string(events[head-1].Body), "sealed")
		ear, _ := w.follow(w.hub, w.technician, w.cal, 0)
		require.Equal(t, span(1, head), ear.heard())
		require.Empty(t, ear.last().Opened)
		view, err := w.hub.View(t.Context(), w.technician, w.job)
		require.NoError(t, err)
		require.Empty(t, view.Opened)
		w.refused(fault.WrongPhase, w.technician, w.cal, w.cmd(w.cal, "add", `{"n":1}`))
	})
}

// A fact whose personal values were erased where it comes from stays closed, and hinders nothing.
func TestErasedFact(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		theirs := stream.Ref{Kind: stream.Register, ID: w.specialist.Org}
		key := *w.chain(theirs)[0].Opens.Key
		w.store.Destroy(key)
		time.Sleep(2 * time.Minute)
		w.claimed()
		claim := w.chain(w.cal)[2]
		require.Contains(t, string(claim.Facts[0].Value), key.String())
		events, _, err := w.hub.Read(t.Context(), w.technician, w.cal, 2, 1)
		require.NoError(t, err)
		require.Empty(t, events[0].Opened)
	})
}

func TestClockFarOff(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		for offset, ready := range map[time.Duration]bool{
			1900 * time.Millisecond: true, 2100 * time.Millisecond: false, -1900 * time.Millisecond: true, -2100 * time.Millisecond: false,
		} {
			h := w.node(func(c *live.Config) { c.Now = func() time.Time { return time.Now().Add(-offset) } })
			got, err := h.Do(t.Context(), w.technician, w.cal, w.cmd(w.cal, "add", `{"n":1}`))
			if !ready {
				require.True(t, fault.Is(err, fault.NotReady), "%v: %v", offset, err)
				require.Error(t, h.Ready())
				continue
			}
			require.NoError(t, err)
			require.True(t, got.At.Equal(time.Now().Truncate(time.Millisecond)), "the store's clock counts")
		}
	})
}

// slowly answers what its clock shows after a while on the way there and another on the way back.
type slowly struct {
	live.Store
	there, back time.Duration
}

func (s slowly) Now(ctx context.Context) (time.Time, error) {
	time.Sleep(s.there)
	defer time.Sleep(s.back)
	return s.Store.Now(ctx)
}

// A Store that is slow to answer when it is asked for the time moves no clock that is right, and one that is wrong no
// farther than it must be.
func TestClockOfABusyMachine(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		for _, c := range []struct{ there, back, behind, left time.Duration }{
			{1800 * time.Millisecond, 0, 0, 0},
			{0, 1800 * time.Millisecond, 0, 0},
			{600 * time.Millisecond, 600 * time.Millisecond, 0, 0},
			{0, 0, 1500 * time.Millisecond, 0},
			{0, 300 * time.Millisecond, 1500 * time.Millisecond, 300 * time.Millisecond}, // it may have been read last
			{300 * time.Millisecond, 0, 1500 * time.Millisecond, 0},
			{300 * time.Millisecond, 0, -1500 * time.Millisecond, -300 * time.Millisecond},
		} {
			h := w.node(func(cfg *live.Config) {
				cfg.Store = slowly{cfg.Store, c.there, c.back}
				cfg.Now = func() time.Time { return time.Now().Add(-c.behind) }
			})
			_, err := h.Do(t.Context(), w.technician, w.cal, w.cmd(w.cal, "add", `{"n":1}`))
			require.NoError(t, err)
			v, err := h.View(t.Context(), w.technician, w.cal)
			require.NoError(t, err)
			require.Equal(t, time.Now().Add(-c.left).Truncate(time.Millisecond).UTC(), v.Now, "%+v", c)
		}
	})
}

// A node that is not fit, as with a full disk, refuses before anything is decided.
func TestUnfitNode(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		full := fault.New(fault.NoRoom, "The disk is nearly full.")
		h := w.node(func(c *live.Config) { c.Fit = func() error { return full } })
		_, err := h.Do(t.Context(), w.technician, w.cal, w.cmd(w.cal, "add", `{"n":1}`))
		require.Equal(t, full, err)
		require.Equal(t, full, h.Ready())
		_, err = h.View(t.Context(), w.technician, w.cal)
		require.NoError(t, err, "reading goes on")
	})
}

// An overloaded stream refuses at once instead of letting anyone wait.
func TestOverload(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		h := w.node(func(c *live.Config) { c.MostWaiting = 2 })
		release := make(chan struct{})
		w.store.Hook(memstore.Hooks{Before: func(ctx context.Context, _ live.Append) error { return wait(ctx, release) }})
		results := make(chan error, 10)
		for range 10 {
			cmd := w.cmd(w.cal, "add", `{"n":1}`)
			go func() { _, err := h.Do(t.Context(), w.technician, w.cal, cmd); results <- err }()
			synctest.Wait()
		}
		require.Len(t, results, 7) // one at work, two waiting
		for range 7 {
			require.True(t, fault.Is(<-results, fault.TooMany))
		}
		close(release)
		for range 3 {
			require.NoError(t, <-results)
		}
	})
}

// Streams that nobody uses make room for others; those in use do not.
func TestRoomForStreams(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		h := w.node(func(c *live.Config) { c.MostOpen = 3 }) // the two, and their follower's register
		desk := stream.Ref{Kind: stream.Register, ID: w.specialist.Org}
		_, first := w.follow(h, w.technician, w.cal, 0)
		_, second := w.follow(h, w.technician, w.job, 0)
		_, err := h.View(t.Context(), w.specialist, desk)
		require.True(t, fault.Is(err, fault.TooMany), "%v", err)
		first.Close()
		first.Close()
		synctest.Wait()
		_, err = h.View(t.Context(), w.specialist, desk)
		require.NoError(t, err)
		require.Equal(t, 3, h.Stats().Open)
		second.Close()
		_, err = h.View(t.Context(), w.technician, w.cal)
		require.NoError(t, err)
	})
}

// wait is until the channel is closed.
func wait(ctx context.Context, c <-chan struct{}) error {
	select {
	case <-c:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func TestBrokenStreamIsRefused(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		records, err := w.store.Load(t.Context(), w.cal, 0, 0)
		require.NoError(t, err)
		e, err := trail.Decode(records[0])
		require.NoError(t, err)
		e.Seq, e.Opens, e.Prev, e.Type = 2, nil, stream.Hash{1}, "noted" // an entry that follows another
		r, err := trail.Encode(e)
		require.NoError(t, err)
		r.CommandID = stream.NewID()
		_, err = w.store.Append(t.Context(), live.Append{Record: r})
		require.NoError(t, err)
		_, err = w.node().Do(t.Context(), w.technician, w.cal, w.cmd(w.cal, "add", `{"n":1}`))
		require.True(t, fault.Is(err, fault.InternalFault), "%v", err)
		require.False(t, strings.Contains(err.Error(), "hash"), "what is wrong is for the log")
		w.do(w.technician, w.job, "note", `{}`) // others go on
	})
}
