package client_test

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"readback/api/client"
	"readback/internal/live"
	"readback/internal/stream"
	"readback/internal/testkit/toyserver"
	"readback/internal/wsconn"
)

func TestDoAndFollow(t *testing.T) {
	t.Parallel()
	inBubble(t, toyserver.Options{}, func(t *testing.T, w *world) {
		ann, ben := w.client(w.Ann), w.client(w.Ben)
		at := ref(w.Open(1))
		la, lb := w.connect(ann), w.connect(ben)
		f, err := lb.Follow(at, 0)
		require.NoError(t, err)
		_, err = lb.Follow(at, 0)
		require.Error(t, err)
		r, err := la.Do(t.Context(), at, note("hello", 7))
		require.NoError(t, err)
		require.Equal(t, uint64(3), r.Seq)
		require.Equal(t, "note-done", r.Type)
		for want := uint64(1); want <= 3; want++ {
			e, err := f.Next(t.Context())
			require.NoError(t, err)
			require.Equal(t, want, e.Seq)
			if want == 3 {
				require.Equal(t, r.Hash, e.Hash)
				require.Equal(t, "hello", e.Opened["/command/data/text"])
			}
		}
		synctest.Wait()
		require.NotZero(t, f.Head())
		require.Len(t, f.Here(), 1)
		require.Equal(t, w.Ben.String(), f.Here()[0].Member)

		_, err = la.Do(t.Context(), at, client.Command{Type: "refuse"})
		require.True(t, client.IsProblem(err, "not-met"))
		missing, err := la.Follow(client.Ref{Kind: "job", ID: client.NewID()}, 0)
		require.NoError(t, err)
		_, err = missing.Next(t.Context())
		require.True(t, client.IsProblem(err, "not-found"))

		f.Close()
		_, err = f.Next(t.Context())
		require.ErrorIs(t, err, client.ErrClosed)
		f, err = lb.Follow(at, 2)
		require.NoError(t, err, "a stream can be followed again")
		e, err := f.Next(t.Context())
		require.NoError(t, err)
		require.Equal(t, uint64(3), e.Seq)

		lb.Close()
		_, err = f.Next(t.Context())
		require.ErrorIs(t, err, client.ErrClosed)
		_, err = lb.Do(t.Context(), at, note("late", 1))
		require.ErrorIs(t, err, client.ErrClosed)
		_, err = lb.Follow(at, 0)
		require.ErrorIs(t, err, client.ErrClosed)
		la.Close()
	})
}

// The connection breaks right behind the command's bytes, before its answer is read. Do sends the same command again on
// a new connection and gets the answer of the one entry.
func TestDoSendsAgainUntilThereIsAnAnswer(t *testing.T) {
	t.Parallel()
	inBubble(t, toyserver.Options{}, func(t *testing.T, w *world) {
		at := w.Open(0)
		c := w.client(w.Ann)
		l := w.connect(c)
		line := w.last()
		line.cutAtWrite.Store(line.writes.Load() + 1)
		r, err := l.Do(t.Context(), ref(at), note("once", 1))
		require.NoError(t, err)
		require.Equal(t, uint64(2), r.Seq)
		require.True(t, r.Repeated, "the first one had arrived")
		entries, _, err := c.Entries(t.Context(), ref(at), 0, 10)
		require.NoError(t, err)
		require.Len(t, entries, 2)
		l.Close()
		c.Close()
	})
}

func TestDoSendsAgainWhatIsNotReady(t *testing.T) {
	t.Parallel()
	inBubble(t, toyserver.Options{}, func(t *testing.T, w *world) {
		at := w.Open(0)
		l := w.connect(w.client(w.Ann))
		hang := make(chan struct{})
		var once sync.Once
		w.OnDurable(func(a live.Append) {
			once.Do(func() { <-hang }) // longer than the server waits with a command
		})
		start := time.Now()
		go func() {
			pass(40 * time.Second)
			close(hang)
		}()
		r, err := l.Do(t.Context(), ref(at), note("once", 1))
		require.NoError(t, err)
		require.Equal(t, uint64(2), r.Seq)
		require.GreaterOrEqual(t, time.Since(start), 40*time.Second)
		require.Less(t, time.Since(start), time.Minute)

		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		hang2 := make(chan struct{})
		w.OnDurable(func(live.Append) { <-hang2 })
		_, err = l.Do(ctx, ref(at), note("twice", 2))
		require.ErrorIs(t, err, context.DeadlineExceeded, "ctx bounds it all")
		close(hang2)
		l.Close()
	})
}

// Whatever is cut whenever: a follower gets each entry once and in order, and each command makes one entry.
func TestExactlyOnceOverBrokenConnections(t *testing.T) {
	t.Parallel()
	for seed := range uint64(5) {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			t.Parallel()
			inBubble(t, toyserver.Options{Limits: wsconn.Limits{OutboxMessages: 16}}, func(t *testing.T, w *world) {
				const notes = 100
				at := ref(w.Open(0))
				writer, reader := w.connect(w.client(w.Ann)), w.connect(w.client(w.Ben))
				f, err := reader.Follow(at, 0)
				require.NoError(t, err)
				stop := make(chan struct{})
				var cutting sync.WaitGroup
				cutting.Go(func() { w.cutSometimes(seed, stop) })

				made := map[uint64]int{}
				cutting.Go(func() {
					for n := range notes {
						r, err := writer.Do(context.Background(), at, note("x", n))
						if err != nil {
							t.Errorf("command %d: %v", n, err)
							return
						}
						made[r.Seq] = n
						pass(300 * time.Millisecond)
					}
				})
				for want := uint64(1); want <= notes+1; want++ {
					e, err := f.Next(t.Context())
					require.NoError(t, err)
					require.Equal(t, want, e.Seq)
				}
				close(stop)
				cutting.Wait()
				require.Len(t, made, notes)
				for n := range notes {
					require.Equal(t, n, made[uint64(n+2)])
				}
				require.Greater(t, len(w.lines), 5, "there were cuts")
				writer.Close()
				reader.Close()
			})
		})
	}
}

// Nothing fails and nothing arrives: a cable pulled behind a switch. The missing answers to the beats tell.
func TestAHalfOpenConnectionIsNoticed(t *testing.T) {
	t.Parallel()
	inBubble(t, toyserver.Options{}, func(t *testing.T, w *world) {
		at := w.Open(0)
		l := w.connect(w.client(w.Ann))
		f, err := l.Follow(ref(at), 1)
		require.NoError(t, err)
		synctest.Wait()
		pass(5 * time.Minute) // beats keep it alive although nothing happens
		require.Len(t, w.lines, 1)

		start := time.Now()
		w.last().silent.Store(true)
		w.Do(w.Ben, at, toyserver.Note("missed", 1))
		e, err := f.Next(t.Context())
		require.NoError(t, err)
		require.Equal(t, uint64(2), e.Seq)
		require.Len(t, w.lines, 2)
		require.LessOrEqual(t, time.Since(start), 40*time.Second) // 2.5 heartbeats of 15 s and the pause
		l.Close()
		w.lines[0].Close()
	})
}

// Who does not take its entries loses none and holds up nobody: neither its own commands nor other streams.
func TestAQueueThatIsFullIsFilledLater(t *testing.T) {
	t.Parallel()
	inBubble(t, toyserver.Options{}, func(t *testing.T, w *world) {
		const notes = 2500
		long, short := w.Open(notes), w.Open(0)
		l := w.connect(w.client(w.Ann))
		f, err := l.Follow(ref(long), 0)
		require.NoError(t, err)
		g, err := l.Follow(ref(short), 0)
		require.NoError(t, err)
		synctest.Wait()
		_, err = l.Do(t.Context(), ref(short), note("x", 1))
		require.NoError(t, err)
		for want := uint64(1); want <= 2; want++ {
			e, err := g.Next(t.Context())
			require.NoError(t, err)
			require.Equal(t, want, e.Seq)
		}
		for want := uint64(1); want <= notes+1; want++ {
			e, err := f.Next(t.Context())
			require.NoError(t, err)
			require.Equal(t, want, e.Seq)
		}
		w.Do(w.Ben, long, toyserver.Note("new", 1))
		e, err := f.Next(t.Context())
		require.NoError(t, err)
		require.Equal(t, uint64(notes+2), e.Seq)
		require.Len(t, w.lines, 1)
		l.Close()
	})
}

// The server stops, with a code that says resume, and another takes its place.
func TestAServerThatIsReplaced(t *testing.T) {
	t.Parallel()
	inBubble(t, toyserver.Options{}, func(t *testing.T, w *world) {
		at := w.Open(0)
		var lost []error
		c, err := client.New(client.Config{URL: "http://toy.example", Name: "test/1", Dial: w.dial, Lost: func(err error) { lost = append(lost, err) }})
		require.NoError(t, err)
		c.Use(w.Token(w.Ann))
		l := w.connect(c)
		f, err := l.Follow(ref(at), 1)
		require.NoError(t, err)
		require.NoError(t, w.Sockets.Shutdown(t.Context()))
		done := make(chan error, 1)
		go func() {
			_, err := l.Do(t.Context(), ref(at), note("x", 1))
			done <- err
		}()
		pass(30 * time.Second)
		w.Sockets = wsconn.New(wsconn.Config{Hub: w.Hub, Check: w.Tokens.Check})
		w.mount(w.Sockets, nil)
		require.NoError(t, <-done)
		e, err := f.Next(t.Context())
		require.NoError(t, err)
		require.Equal(t, uint64(2), e.Seq)
		var closed *client.Closed
		require.ErrorAs(t, lost[0], &closed)
		require.Equal(t, 1001, closed.Code)
		require.True(t, client.IsProblem(lost[1], "not-ready"))
		l.Close()
	})
}

func TestTheEndThatIsForGood(t *testing.T) {
	t.Parallel()
	inBubble(t, toyserver.Options{Lasts: time.Minute}, func(t *testing.T, w *world) {
		at := w.Open(0)
		c := w.client(w.Ann)
		l := w.connect(c)
		f, err := l.Follow(ref(at), 0)
		require.NoError(t, err)
		<-l.Done()
		var closed *client.Closed
		require.ErrorAs(t, l.Err(), &closed)
		require.Equal(t, 4102, closed.Code)
		e, err := f.Next(t.Context())
		require.NoError(t, err, "what has arrived can still be taken")
		require.Equal(t, uint64(1), e.Seq)
		_, err = f.Next(t.Context())
		require.ErrorIs(t, err, l.Err())
		_, err = l.Do(t.Context(), ref(at), note("x", 1))
		require.ErrorIs(t, err, l.Err())
		l.Close()

		pass(5 * time.Second) // clocks of two nodes may differ
		_, err = c.Connect(t.Context())
		require.ErrorAs(t, err, &closed)
		require.Equal(t, 4102, closed.Code)
		require.True(t, client.IsProblem(err, "sign-in-needed"), "with the reason: %v", err)

		c.Use(w.Token(w.Ann))
		l = w.connect(c)
		w.Retire(w.Ann)
		_, err = l.Do(t.Context(), ref(at), note("x", 1))
		require.True(t, client.IsProblem(err, "sign-in-needed"))
		<-l.Done()
		require.ErrorAs(t, l.Err(), &closed)
		require.Equal(t, 4103, closed.Code)
		l.Close()
	})
}

func TestConnectSaysWhyNot(t *testing.T) {
	t.Parallel()
	c, err := client.New(client.Config{URL: "http://127.0.0.1:1", Name: "test/1"})
	require.NoError(t, err)
	_, err = c.Connect(t.Context())
	require.Error(t, err)
	inBubble(t, toyserver.Options{}, func(t *testing.T, w *world) {
		_, err := w.stranger().Connect(t.Context())
		require.True(t, client.IsProblem(err, "sign-in-needed"), "%v", err)
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		_, err = w.client(w.Ann).Connect(ctx)
		require.True(t, errors.Is(err, context.Canceled), "%v", err)
	})
}

// One stream more than a connection follows: its Next says so, at once, and the others go on. There is room for it once one
// of them is closed, also on a connection made anew.
func TestFollowTooMany(t *testing.T) {
	t.Parallel()
	inBubble(t, toyserver.Options{}, func(t *testing.T, w *world) {
		l := w.connect(w.client(w.Ann))
		var follows []*client.Following
		for range 65 { // by default 64 are followed
			f, err := l.Follow(ref(w.Open(0)), 0)
			require.NoError(t, err)
			follows = append(follows, f)
		}
		first, over := follows[0], follows[64]
		start := time.Now()
		_, err := over.Next(t.Context())
		require.True(t, client.IsProblem(err, "too-many"), "%v", err)
		require.ErrorContains(t, err, "at most 64")
		require.Zero(t, time.Since(start), "waiting would change nothing")
		for _, f := range follows[:64] {
			_, err := f.Next(t.Context())
			require.NoError(t, err)
		}

		at := ref(w.Open(1))
		first.Close()
		again, err := l.Follow(at, 0)
		require.NoError(t, err)
		for anew := range 2 {
			e, err := again.Next(t.Context())
			require.NoError(t, err)
			require.Equal(t, uint64(1+anew), e.Seq)
			w.last().Close() // all 64 are followed anew
		}
		_, err = l.Do(t.Context(), at, note("x", 1))
		require.NoError(t, err)
		_, err = again.Next(t.Context())
		require.NoError(t, err)
	})
}

// A hundred at once on one Live: more than it sends at a time, and each gets its own answer.
func TestManyCommandsAtOnce(t *testing.T) {
	t.Parallel()
	inBubble(t, toyserver.Options{}, func(t *testing.T, w *world) {
		refs := []stream.Ref{w.Open(0), w.Open(0), w.Open(0), w.Open(0)}
		l := w.connect(w.client(w.Ann))
		var all sync.WaitGroup
		for n := range 100 {
			all.Go(func() {
				cmd := note("x", n)
				cmd.ID = client.NewID()
				for range 2 {
					if _, err := l.Do(t.Context(), ref(refs[n%4]), cmd); err != nil && !client.IsProblem(err, "too-many") {
						t.Errorf("command %d: %v", n, err)
					}
				}
			})
		}
		all.Wait()
		l.Close()
	})
}
