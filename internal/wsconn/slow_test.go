package wsconn_test

import (
	"context"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/gorilla/websocket"
	"github.com/stretchr/testify/require"

	"readback/internal/live"
	"readback/internal/stream"
	"readback/internal/testkit/memstore"
	"readback/internal/testkit/toyserver"
	"readback/internal/wire"
	"readback/internal/wsconn"
)

// A client that reads and answers nothing, not even pings, is taken for gone after a minute.
func TestASilentClientIsClosed(t *testing.T) {
	t.Parallel()
	inBubble(t, toyserver.Options{}, func(t *testing.T, b *bench) {
		p := b.join(b.Ann)
		start := time.Now()
		p.ws.SetPingHandler(func(string) error { return nil })
		require.Equal(t, wire.CloseSilent, p.closed())
		require.Equal(t, time.Minute, time.Since(start))
	})
}

// A client that only listens stays: it answers pings, and they come although there is always something to write.
func TestAListenerStays(t *testing.T) {
	t.Parallel()
	inBubble(t, toyserver.Options{}, func(t *testing.T, b *bench) {
		ref := b.Open(0)
		p := b.join(b.Ann)
		p.follow(ref, 1)
		p.until("caught-up")
		pings := 0
		answer := p.ws.PingHandler()
		p.ws.SetPingHandler(func(s string) error { pings++; return answer(s) })
		go func() {
			for n := range 290 {
				pass(time.Second)
				b.Hub.Do(t.Context(), b.Actor(b.Ben), ref, toyserver.Note("x", n))
			}
		}()
		for want := 2; want <= 291; want++ {
			require.Equal(t, want, number(p.until("entry")["seq"]))
		}
		require.Equal(t, 11, pings, "every 25 s in 290 s")
		p.leave()
	})
}

// Two follow; one stops reading. It is closed with a code that says resume and then gets what it missed; the other has
// everything all along, and nobody who writes has waited.
func TestASlowReaderIsClosedAndResumes(t *testing.T) {
	t.Parallel()
	inBubble(t, toyserver.Options{Limits: wsconn.Limits{OutboxMessages: 8}}, func(t *testing.T, b *bench) {
		ref := b.Open(0)
		fast, slow := b.join(b.Ann), b.join(b.Ben)
		fast.follow(ref, 1)
		fast.until("caught-up")
		slow.follow(ref, 1)
		slow.until("caught-up")

		start := time.Now()
		for n := range 30 {
			b.Do(b.Ann, ref, toyserver.Note("x", n))
			require.Equal(t, n+2, number(fast.until("entry")["seq"]))
		}
		require.Zero(t, time.Since(start), "nobody waited for the slow one")

		// The slow one reads again before it is cut: what was under way, then the code.
		last := 1
		for {
			_, frame, err := slow.ws.ReadMessage()
			if err != nil {
				require.True(t, websocket.IsCloseError(err, int(wire.CloseSlow)), "%v", err)
				break
			}
			if strings.Contains(string(frame), `"say":"entry"`) {
				last++
			}
		}
		require.Less(t, last, 10)
		slow.ws.Close()

		slow = b.join(b.Ben)
		slow.follow(ref, uint64(last))
		for want := last + 1; want <= 31; want++ {
			require.Equal(t, want, number(slow.until("entry")["seq"]))
		}
		require.Equal(t, 31, number(slow.until("caught-up")["seq"]))
		require.Equal(t, uint64(1), b.Sockets.Stats().Closed[wire.CloseSlow])
		fast.leave()
		slow.leave()
	})
}

// One that never reads again is cut: nothing of it stays.
func TestADeadReaderIsCut(t *testing.T) {
	t.Parallel()
	inBubble(t, toyserver.Options{}, func(t *testing.T, b *bench) {
		ref := b.Open(0)
		p := b.join(b.Ann)
		p.follow(ref, 1)
		p.until("caught-up")
		b.Do(b.Ben, ref, toyserver.Note("x", 1))
		pass(9 * time.Second)
		require.Equal(t, 1, b.Sockets.Stats().Connections)
		pass(2 * time.Second) // the write was given 10 s
		synctest.Wait()
		require.Zero(t, b.Sockets.Stats().Connections)
		p.ws.Close()
	})
}

// The past is longer than the outbox: it waits for room and is no reason to close.
func TestALongPastWaitsForItsReader(t *testing.T) {
	t.Parallel()
	b := onNetwork(t, toyserver.Options{Limits: wsconn.Limits{OutboxMessages: 8, OutboxBytes: 4000}})
	ref := b.Open(500)
	p := b.join(b.Ann)
	p.follow(ref, 0)
	for want := 1; want <= 501; want++ {
		require.Equal(t, want, number(p.until("entry")["seq"]))
	}
	require.Equal(t, 501, number(p.until("caught-up")["seq"]))
	p.leave()
}

// A client leaves, or loses interest, in the middle of a long past that it does not read.
func TestLeavingInTheMiddleOfThePast(t *testing.T) {
	t.Parallel()
	inBubble(t, toyserver.Options{Limits: wsconn.Limits{OutboxMessages: 8}}, func(t *testing.T, b *bench) {
		ref := b.Open(100)
		p := b.join(b.Ann)
		p.follow(ref, 0)
		synctest.Wait()
		p.say(map[string]any{"say": "unfollow", "stream": ref})
		synctest.Wait()
		seen := 0
		p.text(`{"say":"beat","n":1}`)
		for p.next()["say"] != "beat" {
			seen++
		}
		require.LessOrEqual(t, seen, 8)

		p.follow(ref, 0)
		synctest.Wait()
		p.ws.Close()
		synctest.Wait()
		require.NotContains(t, b.Log.String(), "canceled", "who leaves is no fault of the server's")
	})
}

// A panic on a message's way is that message's refusal. The connection and the server go on.
func TestAPanicIsARefusal(t *testing.T) {
	t.Parallel()
	inBubble(t, toyserver.Options{}, func(t *testing.T, b *bench) {
		ref := b.Open(100)
		p := b.join(b.Ann)
		b.Store.Hook(memstore.Hooks{OnLoad: func(_ context.Context, _ stream.Ref, after uint64) error {
			if after == 0 {
				panic("a mistake in reading")
			}
			return nil
		}})
		p.follow(ref, 0)
		slug, _ := p.refused()
		require.Equal(t, "internal-fault", slug)
		require.Contains(t, b.Log.String(), "a mistake in reading")
		require.Contains(t, b.Log.String(), "goroutine ", "the stack")

		b.Store.Hook(memstore.Hooks{Before: func(context.Context, live.Append) error { panic("a mistake in writing") }})
		p.command(ref, toyserver.Note("x", 1))
		slug, _ = p.refused()
		require.Equal(t, "internal-fault", slug)
		b.Store.Hook(memstore.Hooks{})
		p.command(ref, toyserver.Note("x", 1))
		require.Equal(t, 102, number(p.until("accepted")["seq"]))
		p.leave()
	})
}

func TestStoppingAnswersWhatIsUnderWay(t *testing.T) {
	t.Parallel()
	inBubble(t, toyserver.Options{}, func(t *testing.T, b *bench) {
		ref := b.Open(0)
		release := make(chan struct{})
		durable := b.hold(ref, release)
		p, idle := b.join(b.Ann), b.join(b.Ben)
		first, second := toyserver.Note("first", 1), toyserver.Note("second", 2)
		p.command(ref, first)
		<-durable
		p.command(ref, second) // waits behind it
		synctest.Wait()

		stopped := make(chan error, 1)
		go func() { stopped <- b.Sockets.Shutdown(context.Background()) }()
		synctest.Wait()
		require.Equal(t, wire.CloseLeaving, idle.closed(), "whoever waits for nothing is closed at once")
		_, answer, err := b.try(nil)
		require.Error(t, err)
		require.Equal(t, 503, answer.StatusCode)

		close(release)
		m := p.until("accepted")
		require.Equal(t, first.ID.String(), m["command"])
		m = p.until("accepted")
		require.Equal(t, second.ID.String(), m["command"])
		require.Equal(t, wire.CloseLeaving, p.closed())
		require.True(t, wire.CloseLeaving.Resumes())
		require.NoError(t, <-stopped)
	})
}

// What was read is done: the line breaks right behind a second command that waits for a first.
func TestWhatWasReadIsDone(t *testing.T) {
	t.Parallel()
	inBubble(t, toyserver.Options{}, func(t *testing.T, b *bench) {
		ref := b.Open(0)
		release := make(chan struct{})
		durable := b.hold(ref, release)
		p := b.join(b.Ann)
		p.command(ref, toyserver.Note("first", 1))
		<-durable
		p.command(ref, toyserver.Note("stop", 2))
		p.raw.Close()
		synctest.Wait()
		close(release)
		synctest.Wait()
		require.Equal(t, 3, len(records(t, b, ref)))
		require.Zero(t, b.Sockets.Stats().Connections)
	})
}

func TestStoppingGivesUpOnAStoreThatHangs(t *testing.T) {
	t.Parallel()
	inBubble(t, toyserver.Options{}, func(t *testing.T, b *bench) {
		ref := b.Open(0)
		release := make(chan struct{})
		durable := b.hold(ref, release)
		p := b.join(b.Ann)
		p.command(ref, toyserver.Note("first", 1))
		<-durable
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		require.ErrorIs(t, b.Sockets.Shutdown(ctx), context.DeadlineExceeded)
		p.ws.Close()
		close(release)
	})
}

func TestStoppingHasAnEnd(t *testing.T) {
	t.Parallel()
	inBubble(t, toyserver.Options{}, func(t *testing.T, b *bench) {
		p := b.join(b.Ann) // never reads again
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		start := time.Now()
		require.ErrorIs(t, b.Sockets.Shutdown(ctx), context.DeadlineExceeded)
		require.Equal(t, time.Second, time.Since(start))
		require.Zero(t, b.Sockets.Stats().Connections)
		p.ws.Close()
	})
}

// The hub stops first, as when a node loses its database for good: followers are told.
func TestTheHubEndsAFollowing(t *testing.T) {
	t.Parallel()
	b := onNetwork(t, toyserver.Options{})
	ref := b.Open(0)
	p := b.join(b.Ann)
	p.follow(ref, 1)
	p.until("caught-up")
	require.NoError(t, b.Hub.Shutdown(t.Context()))
	require.Equal(t, "leaving", p.until("ended")["reason"])
	p.command(ref, toyserver.Note("x", 1))
	slug, _ := p.refused()
	require.Equal(t, "not-ready", slug)
	p.leave()
}
