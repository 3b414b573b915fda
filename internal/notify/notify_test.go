package notify_test

import (
	"fmt"
	"io"
	"net"
	"net/http"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/notify"
	"readback/internal/stream"
)

func TestEveryEntryArrivesSigned(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	all, some := w.receive(nil), w.receive(nil)
	w.phones(2) // before there was a webhook
	first := w.seq + 1
	hook, secret := w.hook(all.url, "register.*")
	_, _ = w.hook(some.url, "register.member_added", "register.retired", "calibration.*")
	n := w.start(nil)
	w.phones(5)
	w.do(w.owner, "add-member", `{"id":%q,"name":"Invented Person","roles":["technician"]}`, stream.NewID())
	last := w.seq
	for seq, m := range all.all(t, first, last) {
		m.verify(t, secret)
		require.Equal(t, seq, m.message.Data.Seq)
		require.Equal(t, w.shop.ID, m.message.Data.Org)
		require.Equal(t, "register."+strings.ReplaceAll(m.message.Data.Entry, "-", "_"), m.message.Type)
		require.NotContains(t, m.body, "Invented")
		require.NotContains(t, m.body, "+00 555")
	}
	require.Equal(t, "register.member_added", some.next(t).message.Type)

	newer := w.secret(hook) // both sign for a day
	w.phones(1)
	all.next(t).verify(t, secret, newer)
	w.do(w.owner, "retire", `{"kind":"webhook","id":%q}`, hook)
	require.Equal(t, "register.retired", some.next(t).message.Type)
	n.Close()
	require.Empty(t, all.got)
	require.Empty(t, some.got)
	h := w.health(hook)
	require.Equal(t, int(last-first+2), h.Done)
	require.Zero(t, h.Waiting+h.Dead+h.Failures)
	require.Equal(t, 2, h.Secrets)
}

// TestNothingLostToCrashes: the sender dies again and again after the receiver took a delivery and before that was
// noted. The receiver, which drops what it has by webhook-id, has every entry in the end; the deliveries that were cut off
// came twice.
func TestNothingLostToCrashes(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	const crashes, entries = 5, 20
	var dies atomic.Bool
	hit, answered := make(chan struct{}, 1000), make(chan string, 1000)
	r := w.receive(func(_ http.ResponseWriter, q *http.Request) {
		if dies.Load() {
			hit <- struct{}{}
			<-q.Context().Done() // the sender is gone before it is answered
			return
		}
		answered <- q.Header.Get("webhook-id")
	})
	hook, _ := w.hook(r.url, "register.*")
	first := w.seq
	lease := func(c *notify.Config) { c.Lease = 300 * time.Millisecond }
	for range crashes {
		dies.Store(true)
		n := w.start(lease)
		w.phones(entries / crashes)
		<-hit
		n.Kill()
		dies.Store(false)
	}
	n := w.start(lease)
	ids := map[string]bool{}
	for len(ids) < entries+1 {
		select {
		case id := <-answered:
			ids[id] = true
		case <-time.After(30 * time.Second):
			t.Fatal("some are lost")
		}
	}
	n.Close()
	require.Len(t, r.all(t, first, w.seq), entries+1)
	require.Len(t, w.rows(hook, "done"), entries+1)
	times := 0
	for _, n := range r.ids {
		times += n
	}
	require.Len(t, r.ids, entries+1, "each has one id")
	require.GreaterOrEqual(t, times, entries+1+crashes)
}

// TestDeadThenAgain: after the last try it is dead and visible; asked for again it goes out under the same id.
func TestDeadThenAgain(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	var well atomic.Bool
	r := w.receive(func(rw http.ResponseWriter, _ *http.Request) {
		if !well.Load() {
			rw.WriteHeader(http.StatusInternalServerError)
		}
	})
	hook, _ := w.hook(r.url, "register.webhook_added")
	n := w.start(nil)
	var ids []string
	for range 3 { // as often as the short schedule has it
		ids = append(ids, r.next(t).id)
	}
	n.Close()
	require.Equal(t, []string{ids[0], ids[0], ids[0]}, ids)
	dead := w.rows(hook, "dead")
	require.Len(t, dead, 1)
	require.Equal(t, ids[0], dead[0].ID.String())
	require.Equal(t, 500, *dead[0].LastStatus)
	require.Equal(t, "answered 500 Internal Server Error", *dead[0].LastError)
	require.Equal(t, 3, dead[0].Attempts)
	h := w.health(hook)
	require.Equal(t, 1, h.Dead)
	require.Equal(t, 3, h.Failures)
	require.Equal(t, "answered 500 Internal Server Error", h.LastError)

	well.Store(true)
	require.NoError(t, w.db.Again(t.Context(), w.shop.ID, hook, dead[0].ID))
	require.Error(t, w.db.Again(t.Context(), w.shop.ID, hook, dead[0].ID), "it waits already")
	n = w.start(nil)
	require.Equal(t, ids[0], r.next(t).id)
	n.Close()
	require.Len(t, w.rows(hook, "done"), 1)
	require.Zero(t, w.health(hook).Failures)
}

func TestGoneDisables(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	var well atomic.Bool
	r := w.receive(func(rw http.ResponseWriter, _ *http.Request) {
		if !well.Load() {
			rw.WriteHeader(http.StatusGone)
		}
	})
	hook, _ := w.hook(r.url, "register.webhook_added", "register.organisation_changed")
	n := w.start(nil)
	r.next(t)
	n.Close()
	require.NotNil(t, w.health(hook).DisabledAt)
	other := w.receive(nil)
	w.hook(other.url, "register.organisation_changed")
	n = w.start(nil)
	w.phones(1)
	other.next(t)
	n.Close()
	require.Empty(t, r.got)
	waiting := w.rows(hook, "waiting")
	require.Len(t, waiting, 3) // two webhooks added, one change: kept for when it is enabled
	well.Store(true)
	require.NoError(t, w.db.Enable(t.Context(), w.shop.ID, hook))
	n = w.start(nil)
	for range waiting {
		r.next(t)
	}
	n.Close()
	require.Nil(t, w.health(hook).DisabledAt)
	require.Len(t, w.rows(hook, "done"), 3)
}

func TestRetryAfterIsHonoured(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	r := w.receive(func(rw http.ResponseWriter, _ *http.Request) {
		rw.Header().Set("Retry-After", "3600")
		rw.WriteHeader(http.StatusTooManyRequests)
	})
	hook, _ := w.hook(r.url, "register.*")
	n := w.start(nil)
	r.next(t)
	n.Close()
	row := w.rows(hook, "waiting")[0]
	require.InDelta(t, time.Hour.Seconds(), row.NextTry.Sub(row.ChangedAt).Seconds(), 1)
	held := w.health(hook).HeldUntil
	require.NotNil(t, held, "nothing else is pressed on it either")
	require.InDelta(t, time.Hour.Seconds(), held.Sub(row.ChangedAt).Seconds(), 1)
}

// TestBadReceiversHarmNobody: one never accepts a request, one never answers, one drips its answer, one answers a gigabyte,
// one answers with endless headers. The one that is well gets everything meanwhile.
func TestBadReceiversHarmNobody(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	ended := make(chan struct{})
	t.Cleanup(func() { close(ended) })
	silent, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	t.Cleanup(func() { silent.Close() })
	hangs := w.receive(func(_ http.ResponseWriter, q *http.Request) { <-q.Context().Done() })
	drips := w.receive(func(rw http.ResponseWriter, q *http.Request) {
		conn, buffer, err := rw.(http.Hijacker).Hijack()
		if err != nil {
			return
		}
		defer conn.Close()
		for {
			if _, err := io.WriteString(buffer, "H"); err != nil || buffer.Flush() != nil {
				return
			}
			select {
			case <-ended:
				return
			case <-time.After(20 * time.Millisecond):
			}
		}
	})
	floods := w.receive(func(rw http.ResponseWriter, _ *http.Request) {
		rw.Header().Set("Content-Length", fmt.Sprint(1<<30))
		for range 1 << 14 {
			if _, err := rw.Write(make([]byte, 1<<16)); err != nil {
				return
			}
		}
		t.Error("a gigabyte was taken")
	})
	headers := w.receive(func(rw http.ResponseWriter, _ *http.Request) {
		for i := range 40 {
			rw.Header().Set(fmt.Sprint("X-", i), strings.Repeat("x", 1000))
		}
	})
	bad := []*receiver{hangs, drips, headers, hangs}
	for _, r := range bad {
		w.hook(r.url, "register.*")
	}
	w.hook("https://"+silent.Addr().String()+"/", "register.*")
	flood, _ := w.hook(floods.url, "register.*")
	healthy := w.receive(nil)
	good, _ := w.hook(healthy.url, "register.*")
	first := w.seq
	n := w.start(func(c *notify.Config) {
		c.Connect, c.Whole = time.Second, 1500*time.Millisecond // a busy machine must not make the others late
		c.Slots, c.Troubled, c.Each = 26, 2, 1
		c.Schedule = slices.Repeat([]time.Duration{10 * time.Millisecond}, 20)
		c.Hold, c.HoldMost = 50*time.Millisecond, time.Hour
	})
	w.phones(40)
	healthy.all(t, first, w.seq)
	for range w.seq - first + 2 { // from its own entry on
		floods.next(t)
	}
	n.Close()
	require.Equal(t, int(w.seq-first+1), w.health(good).Done)
	require.NotZero(t, w.health(flood).Done, "its status was enough")
}
