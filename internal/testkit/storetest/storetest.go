// Package storetest checks that a live.Store keeps the promises of that interface. Every implementation runs it: what
// the hub may rely on is what stands here.
package storetest

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/live"
	"readback/internal/stream"
	"readback/internal/trail"
)

// Make gives a store without any of the streams that are appended to here, and what destroys a key in it. It is called
// once for each test.
type Make func(t *testing.T) (store live.Store, destroy func(key stream.ID))

// Run runs the tests, each beside the others.
func Run(t *testing.T, make Make) {
	for name, test := range map[string]func(*testing.T, *desk){
		"nothing there":              nothingThere,
		"entries in order":           entriesInOrder,
		"pages are bounded":          pagesAreBounded,
		"same entry again":           sameEntryAgain,
		"another was faster":         anotherWasFaster,
		"command once":               commandOnce,
		"other kind":                 otherKind,
		"one winner":                 oneWinner,
		"many streams at once":       manyStreams,
		"key with the first":         keyWithFirst,
		"loser leaves nothing":       loserLeavesNothing,
		"one running routine":        oneRunning,
		"running elsewhere, nothing": runningElsewhereNothing,
		"clock":                      clock,
		"gone caller":                goneCaller,
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			store, destroy := make(t)
			test(t, &desk{store, destroy})
		})
	}
}

type desk struct {
	store   live.Store
	destroy func(stream.ID)
}

// entry is the next entry of a stream after prev (nil: the first), of a command of its own.
func entry(t *testing.T, ref stream.Ref, prev *trail.Record, text string) live.Append {
	t.Helper()
	e := stream.Entry{
		Stream: ref, Seq: 1, Type: "written", V: 1, At: time.Date(2026, 11, 25, 10, 20, 30, 123e6, time.UTC),
		By:      stream.By{Member: stream.NewID(), Org: stream.NewID(), Role: stream.Technician},
		Command: stream.Command{ID: stream.NewID(), Type: "write", Data: fmt.Appendf(nil, `{"text":%q}`, text)},
		MAC:     make([]byte, 32), Decided: []byte(`{}`),
	}
	if prev == nil {
		e.Opens = &stream.Opens{Rules: 1}
	} else {
		e.Seq, e.Prev = prev.Seq+1, prev.Hash
	}
	r, err := trail.Encode(e)
	require.NoError(t, err)
	return live.Append{Record: r, Summary: stream.Summary{Org: e.By.Org, Phase: "open", Data: map[string]any{"text": text}}}
}

func calibration() stream.Ref { return stream.Ref{Kind: stream.Calibration, ID: stream.NewID()} }

func (d *desk) append(t *testing.T, a live.Append, want live.Outcome) {
	t.Helper()
	got, err := d.store.Append(t.Context(), a)
	require.NoError(t, err)
	require.Equal(t, want, got)
}

// has checks that exactly these entries come after the number.
func (d *desk) has(t *testing.T, ref stream.Ref, after uint64, want ...live.Append) {
	t.Helper()
	got, err := d.store.Load(t.Context(), ref, after, 0)
	require.NoError(t, err)
	require.Len(t, got, len(want))
	for i, a := range want {
		require.True(t, a.Record.At.Equal(got[i].At))
		got[i].At = a.Record.At // the same moment may be in another zone
		require.Equal(t, a.Record, got[i])
		_, err := trail.Decode(got[i])
		require.NoError(t, err)
	}
}

func nothingThere(t *testing.T, d *desk) {
	d.has(t, calibration(), 0)
	d.has(t, calibration(), 7)
	_, err := d.store.Key(t.Context(), stream.NewID())
	require.True(t, fault.Is(err, fault.NotHere), "%v", err)
}

func entriesInOrder(t *testing.T, d *desk) {
	ref := calibration()
	var all []live.Append
	var prev *trail.Record
	for i := range 5 {
		a := entry(t, ref, prev, fmt.Sprint("entry ", i))
		d.append(t, a, live.Won)
		all, prev = append(all, a), &a.Record
	}
	for after := range 7 {
		d.has(t, ref, uint64(after), all[min(after, 5):]...)
	}
	for limit := 1; limit < 7; limit++ {
		got, err := d.store.Load(t.Context(), ref, 1, limit)
		require.NoError(t, err)
		require.Len(t, got, min(limit, 4))
		require.Equal(t, uint64(2), got[0].Seq, "the first of them")
		same, err := d.store.LoadFor(t.Context(), all[4].Summary.Org, ref, 1, limit)
		require.NoError(t, err)
		require.Equal(t, got, same, "the owner sees them all")
	}
}

// What is given to an organisation comes in pages of bounded size, each of one entry at least.
func pagesAreBounded(t *testing.T, d *desk) {
	ref := calibration()
	var prev *trail.Record
	var org stream.ID // of the last entry's writer, whose the stream is then
	for _, bytes := range []int{10, live.PageBytes / 2, live.PageBytes / 2, 10, 2 * live.PageBytes, 10, 10} {
		a := entry(t, ref, prev, strings.Repeat("x", bytes))
		a.Summary.Data = nil
		d.append(t, a, live.Won)
		prev, org = &a.Record, a.Summary.Org
	}
	for after, want := range []int{3, 2, 3, 2, 1, 2, 1, 0} {
		got, err := d.store.LoadFor(t.Context(), org, ref, uint64(after), 7)
		require.NoError(t, err)
		require.Equal(t, want, len(got), "after %d", after)
	}
	all, err := d.store.LoadFor(t.Context(), org, ref, 0, 0)
	require.NoError(t, err)
	require.Equal(t, 7, len(all), "without a limit")
}

// Sent again after an unknown outcome, the same bytes are won again, once in the store, also when others came since.
func sameEntryAgain(t *testing.T, d *desk) {
	ref := calibration()
	first := entry(t, ref, nil, "first")
	d.append(t, first, live.Won)
	d.append(t, first, live.Won)
	second := entry(t, ref, &first.Record, "second")
	d.append(t, second, live.Won)
	d.append(t, first, live.Won)
	d.has(t, ref, 0, first, second)
}

func anotherWasFaster(t *testing.T, d *desk) {
	ref := calibration()
	first := entry(t, ref, nil, "first")
	d.append(t, first, live.Won)
	d.append(t, entry(t, ref, nil, "late"), live.Lost)
	d.has(t, ref, 0, first)
}

func commandOnce(t *testing.T, d *desk) {
	ref := calibration()
	first := entry(t, ref, nil, "first")
	d.append(t, first, live.Won)
	again := entry(t, ref, &first.Record, "the same command")
	e, err := trail.Decode(again.Record)
	require.NoError(t, err)
	e.Command.ID = first.Record.CommandID
	again.Record, err = trail.Encode(e)
	require.NoError(t, err)
	d.append(t, again, live.Lost)
	d.has(t, ref, 0, first)
}

// An id is one stream's, whatever the kind.
func otherKind(t *testing.T, d *desk) {
	ref := calibration()
	first := entry(t, ref, nil, "first")
	d.append(t, first, live.Won)
	job := stream.Ref{Kind: stream.Job, ID: ref.ID}
	d.has(t, job, 0)
	d.append(t, entry(t, job, nil, "under the same id"), live.Lost)
	d.has(t, ref, 0, first)
}

func oneWinner(t *testing.T, d *desk) {
	ref := calibration()
	const racers, rounds = 8, 5
	var prev *trail.Record
	var all []live.Append
	for round := range rounds {
		entries := make([]live.Append, racers)
		outcomes := make([]live.Outcome, racers)
		errs := make([]error, racers)
		for i := range entries {
			entries[i] = entry(t, ref, prev, fmt.Sprint("round ", round, " racer ", i))
		}
		var wg sync.WaitGroup
		for i := range entries {
			wg.Go(func() { outcomes[i], errs[i] = d.store.Append(t.Context(), entries[i]) })
		}
		wg.Wait()
		won := 0
		for i := range entries {
			require.NoError(t, errs[i])
			if outcomes[i] == live.Won {
				won++
				all, prev = append(all, entries[i]), &entries[i].Record
			}
		}
		require.Equal(t, 1, won)
	}
	d.has(t, ref, 0, all...)
}

func manyStreams(t *testing.T, d *desk) {
	const streams, length = 40, 5
	var wg sync.WaitGroup
	refs, all := make([]stream.Ref, streams), make([][]live.Append, streams)
	errs := make([]error, streams)
	for s := range refs {
		refs[s] = calibration()
		var prev *trail.Record
		for i := range length {
			a := entry(t, refs[s], prev, fmt.Sprint(i))
			all[s], prev = append(all[s], a), &a.Record
		}
		wg.Go(func() {
			for _, a := range all[s] {
				if o, err := d.store.Append(t.Context(), a); err != nil || o != live.Won {
					errs[s] = fmt.Errorf("outcome %v: %w", o, err)
					return
				}
			}
		})
	}
	wg.Wait()
	for s := range refs {
		require.NoError(t, errs[s])
		d.has(t, refs[s], 0, all[s]...)
	}
}

// withKey gives a first entry that opens a stream with a key of its own.
func withKey(t *testing.T, ref stream.Ref) live.Append {
	t.Helper()
	a := entry(t, ref, nil, "opened")
	e, err := trail.Decode(a.Record)
	require.NoError(t, err)
	id, commitment := stream.NewID(), stream.Hash{9}
	e.Opens.Key, e.Opens.Commitment = &id, &commitment
	a.Record, err = trail.Encode(e)
	require.NoError(t, err)
	a.NewKey = &trail.WrappedKey{ID: id, Box: []byte("a box of sixty bytes, about")}
	return a
}

func keyWithFirst(t *testing.T, d *desk) {
	a := withKey(t, stream.Ref{Kind: stream.Job, ID: stream.NewID()})
	d.append(t, a, live.Won)
	got, err := d.store.Key(t.Context(), a.NewKey.ID)
	require.NoError(t, err)
	require.Equal(t, *a.NewKey, got)
	d.append(t, a, live.Won)

	d.destroy(a.NewKey.ID)
	_, err = d.store.Key(t.Context(), a.NewKey.ID)
	require.True(t, fault.Is(err, fault.NotHere), "%v", err)
}

func loserLeavesNothing(t *testing.T, d *desk) {
	ref := stream.Ref{Kind: stream.Job, ID: stream.NewID()}
	d.append(t, withKey(t, ref), live.Won)
	late := withKey(t, ref)
	d.append(t, late, live.Lost)
	_, err := d.store.Key(t.Context(), late.NewKey.ID)
	require.True(t, fault.Is(err, fault.NotHere), "%v", err)
}

// start opens a calibration and gives the entry that would start a leg of the specialist's.
func (d *desk) start(t *testing.T, specialist stream.Person) (stream.Ref, live.Append) {
	t.Helper()
	ref := calibration()
	first := entry(t, ref, nil, "opened")
	d.append(t, first, live.Won)
	a := entry(t, ref, &first.Record, "started")
	a.Runs = &specialist
	return ref, a
}

func somebody() stream.Person { return stream.Person{Org: stream.NewID(), Member: stream.NewID()} }

func oneRunning(t *testing.T, d *desk) {
	specialist := somebody()
	here, first := d.start(t, specialist)
	_, second := d.start(t, specialist)
	_, colleague := d.start(t, stream.Person{Org: specialist.Org, Member: stream.NewID()})
	_, namesake := d.start(t, stream.Person{Org: stream.NewID(), Member: specialist.Member}) // of another desk
	d.append(t, first, live.Won)
	d.append(t, first, live.Won) // sent again
	d.append(t, colleague, live.Won)
	d.append(t, namesake, live.Won)
	d.append(t, second, live.RunsElsewhere)
	end := entry(t, here, &first.Record, "ended")
	end.Ends = &specialist
	d.append(t, end, live.Won)
	d.append(t, second, live.Won)
}

func runningElsewhereNothing(t *testing.T, d *desk) {
	specialist := somebody()
	_, first := d.start(t, specialist)
	there, second := d.start(t, specialist)
	d.append(t, first, live.Won)
	d.append(t, second, live.RunsElsewhere)
	d.has(t, there, 1)

	// An end that comes from the wrong stream ends nothing.
	end := entry(t, there, nil, "opened") // lost: there is a first entry
	end.Ends = &specialist
	d.append(t, end, live.Lost)
	d.append(t, second, live.RunsElsewhere)
}

func clock(t *testing.T, d *desk) {
	a, err := d.store.Now(t.Context())
	require.NoError(t, err)
	b, err := d.store.Now(t.Context())
	require.NoError(t, err)
	require.False(t, b.Before(a))
}

// What a caller that is gone asked for is an error, not an answer.
func goneCaller(t *testing.T, d *desk) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	ref := calibration()
	_, err := d.store.Append(ctx, entry(t, ref, nil, "nobody waits"))
	require.Error(t, err)
	_, err = d.store.Load(ctx, ref, 0, 0)
	require.Error(t, err)
	d.has(t, ref, 0)
}
