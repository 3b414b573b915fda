package client_test

import (
	"bytes"
	"context"
	"net/http"
	"net/http/httptest"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/api/client"
	"readback/internal/account"
	"readback/internal/testkit/toyserver"
)

func TestSignInAndOut(t *testing.T) {
	t.Parallel()
	inBubble(t, toyserver.Options{}, func(t *testing.T, w *world) {
		w.mount(w.Sockets, account.NewDesk(accounts{"ann": {Member: w.Ann, Org: w.Org, Login: "ann", Hash: account.Hash("right")}}))
		c := w.stranger()
		defer c.Close()
		ctx := t.Context()
		require.True(t, client.IsProblem(c.Get(ctx, "/v1/me", nil), "sign-in-needed"))
		_, err := c.SignIn(ctx, "ann", "wrong")
		require.True(t, client.IsProblem(err, "sign-in-failed"), "%v", err)

		s, err := c.SignIn(ctx, "Ann", "right")
		require.NoError(t, err)
		require.Equal(t, w.Ann.String(), s.Member)
		require.Equal(t, w.Org.String(), s.Org)
		require.Equal(t, []string{"technician"}, s.Roles)
		var me struct{ Member string }
		require.NoError(t, c.Get(ctx, "/v1/me", &me))
		require.Equal(t, s.Member, me.Member)

		l := w.connect(c)
		require.Equal(t, s.Member, l.Welcome().Member)
		require.Equal(t, s.Expires, l.Welcome().Expires)
		require.NoError(t, c.SignOut(ctx))
		<-l.Done()
		var closed *client.Closed
		require.ErrorAs(t, l.Err(), &closed)
		require.Equal(t, 4103, closed.Code)
		require.True(t, client.IsProblem(c.Get(ctx, "/v1/me", nil), "sign-in-needed"))
		l.Close()
	})
}

// TestASessionIsRenewed long past the end of its access tokens, over broken connections too; a lost answer to the
// exchange does no harm.
func TestASessionIsRenewed(t *testing.T) {
	t.Parallel()
	inBubble(t, toyserver.Options{Lasts: time.Minute}, func(t *testing.T, w *world) {
		w.mount(w.Sockets, account.NewDesk(accounts{"ann": {Member: w.Ann, Org: w.Org, Login: "ann", Hash: account.Hash("right")}}))
		c := w.stranger()
		defer c.Close()
		ctx := t.Context()
		_, err := c.SignIn(ctx, "ann", "right")
		require.NoError(t, err)
		at := ref(w.Open(0))
		l := w.connect(c)
		for n := range 5 {
			pass(10 * time.Minute) // the access token has run out since
			var several sync.WaitGroup
			for range 4 {
				several.Go(func() {
					if err := c.Get(ctx, "/v1/me", nil); err != nil {
						t.Error(err)
					}
				})
			}
			several.Wait()
			pass(10 * time.Minute)
			w.last().Close() // the connection that is there, or one that is idle
			_, err := l.Do(ctx, at, note("on", n+1))
			require.NoError(t, err)
		}

		// The answer to an exchange gets lost: the line is cut when the request has been written. The same is sent again.
		pass(10 * time.Minute)
		c.Close()
		w.cutNext.Store(true)
		require.NoError(t, c.Get(ctx, "/v1/me", nil))
		require.False(t, w.cutNext.Load())

		// The session ends: so does the Live, and nothing is tried for ever.
		w.Retire(w.Ann)
		pass(10 * time.Minute)
		require.True(t, client.IsProblem(c.Get(ctx, "/v1/me", nil), "sign-in-needed"))
		<-l.Done()
		l.Close()
	})
}

func TestCommandsAndEntriesByHTTP(t *testing.T) {
	t.Parallel()
	inBubble(t, toyserver.Options{}, func(t *testing.T, w *world) {
		c := w.client(w.Ann)
		defer c.Close()
		at := ref(w.Open(2))
		cmd := note("by HTTP", 3)
		cmd.ID, cmd.Base = client.NewID(), 3
		first, err := c.Command(t.Context(), at, cmd)
		require.NoError(t, err)
		require.Equal(t, uint64(4), first.Seq)
		again, err := c.Command(t.Context(), at, cmd)
		require.NoError(t, err)
		require.True(t, again.Repeated)
		again.Repeated = false
		require.Equal(t, first, again)

		entries, head, err := c.Entries(t.Context(), at, 2, 1)
		require.NoError(t, err)
		require.Equal(t, uint64(4), head)
		require.Len(t, entries, 1)
		entries, _, err = c.Entries(t.Context(), at, 3, 10)
		require.NoError(t, err)
		require.Equal(t, first.Hash, entries[0].Hash)
		require.Equal(t, "by HTTP", entries[0].Opened["/command/data/text"])

		_, err = c.Command(t.Context(), at, client.Command{Type: "note", Data: map[string]any{"text": "x", "n": "many"}})
		var p *client.Problem
		require.ErrorAs(t, err, &p)
		require.Equal(t, "invalid-input", p.Slug())
		require.Equal(t, 422, p.Status)
		require.Equal(t, "n", p.Errors[0].Field)
		require.Contains(t, p.Error(), "n: a whole number")

		var key bytes.Buffer
		require.NoError(t, c.Download(t.Context(), "/v1/trail-key", &key))
		require.Equal(t, "toy+0+key\n", key.String())
		require.True(t, client.IsProblem(c.Download(t.Context(), "/v1/nothing", &key), "not-found"))
	})
}

// Something between client and server answers with a page of its own.
func TestAnAnswerThatIsNoProblem(t *testing.T) {
	t.Parallel()
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", "text/html")
		w.WriteHeader(http.StatusBadGateway)
		w.Write([]byte("<h1>no</h1>"))
	}))
	defer s.Close()
	c, err := client.New(client.Config{URL: s.URL, Name: "test/1"})
	require.NoError(t, err)
	defer c.Close()
	var p *client.Problem
	require.ErrorAs(t, c.Get(context.Background(), "/v1/me", nil), &p)
	require.Equal(t, 502, p.Status)
	require.Equal(t, "about:blank", p.Type)
	_, err = c.Connect(context.Background())
	require.ErrorAs(t, err, &p)
	require.Equal(t, 502, p.Status)
}

func TestNewRefusesWhatItCannotUse(t *testing.T) {
	t.Parallel()
	for _, url := range []string{"", "bay.example", "ftp://bay.example", "http://"} {
		_, err := client.New(client.Config{URL: url, Name: "test/1"})
		require.Error(t, err, url)
	}
	_, err := client.New(client.Config{URL: "http://bay.example"})
	require.Error(t, err)
}
