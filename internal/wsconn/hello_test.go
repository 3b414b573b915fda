package wsconn_test

import (
	"context"
	"encoding/json"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/gorilla/websocket"
	"github.com/stretchr/testify/require"

	"readback/internal/stream"
	"readback/internal/testkit/toyserver"
	"readback/internal/wire"
	"readback/internal/wsconn"
)

func TestHandshakeIsRefusedWithAProblem(t *testing.T) {
	t.Parallel()
	b := onNetwork(t, toyserver.Options{Limits: wsconn.Limits{Connections: 1}})
	problem := func(r *http.Response) string {
		require.Equal(t, "application/problem+json", r.Header.Get("Content-Type"))
		var p wire.Problem
		require.NoError(t, json.NewDecoder(r.Body).Decode(&p))
		require.Equal(t, r.StatusCode, p.Status)
		return strings.TrimPrefix(p.Type, "/problems/")
	}

	plain, err := http.Get("http://" + b.addr + "/v1/live")
	require.NoError(t, err)
	defer plain.Body.Close()
	require.Equal(t, "malformed", problem(plain))

	// RFC 6455, section 10.2: a server that is not for everybody checks the origin.
	_, answer, err := b.try(http.Header{"Origin": {"https://elsewhere.example"}})
	require.Error(t, err)
	require.Equal(t, "foreign-origin", problem(answer))

	_, answer, err = b.try(http.Header{"Sec-Websocket-Protocol": {"chat"}})
	require.Error(t, err)
	require.Nil(t, answer) // the client library refuses to send two

	req, err := http.NewRequest(http.MethodGet, "http://"+b.addr+"/v1/live", nil)
	require.NoError(t, err)
	for k, v := range map[string]string{"Connection": "Upgrade", "Upgrade": "websocket", "Sec-WebSocket-Version": "13", "Sec-WebSocket-Key": "dGhlIHNhbXBsZSBub25jZQ=="} {
		req.Header.Set(k, v)
	}
	other, err := http.DefaultClient.Do(req)
	require.NoError(t, err)
	defer other.Body.Close()
	require.Equal(t, "malformed", problem(other))

	p := b.join(b.Ann)
	_, answer, err = b.try(nil)
	require.Error(t, err)
	require.Equal(t, "too-many", problem(answer))
	p.leave()
	http.DefaultClient.CloseIdleConnections()
}

func TestHelloSignsIn(t *testing.T) {
	t.Parallel()
	b := onNetwork(t, toyserver.Options{})
	p := b.connect()
	require.Equal(t, wire.Subprotocol, p.ws.Subprotocol())
	p.text(`{"say":"beat","n":1}`)
	slug, _ := p.refused()
	require.Equal(t, "sign-in-needed", slug, "nothing before hello")
	p.hello(b.Token(b.Ann))
	m := p.next()
	require.Equal(t, "welcome", m["say"])
	require.Equal(t, b.Ann.String(), m["member"])
	require.Equal(t, b.Org.String(), m["org"])
	require.Equal(t, []any{"technician"}, m["roles"])
	require.Equal(t, 15, number(m["heartbeat_s"]))
	p.text(`{"say":"beat","n":7}`)
	require.Equal(t, 7, number(p.until("beat")["n"]))
	p.hello(b.Token(b.Ben))
	slug, _ = p.refused()
	require.Equal(t, "already-there", slug, "a connection is one person's")
	p.leave()
}

func TestACookieSignsInUnderTheSameOriginRule(t *testing.T) {
	t.Parallel()
	b := onNetwork(t, toyserver.Options{})
	cookie := toyserver.Cookie + "=" + b.Token(b.Ann)
	_, answer, err := b.try(http.Header{"Cookie": {cookie}, "Origin": {"https://elsewhere.example"}})
	require.Error(t, err)
	require.Equal(t, http.StatusForbidden, answer.StatusCode)

	p, _, err := b.try(http.Header{"Cookie": {cookie}, "Origin": {"http://" + b.addr}})
	require.NoError(t, err)
	p.text(`{"say":"hello","protocol":1,"client":"page/1"}`)
	require.Equal(t, b.Ann.String(), p.until("welcome")["member"])
	p.leave()
}

func TestWhoMayNotComeIn(t *testing.T) {
	t.Parallel()
	b := onNetwork(t, toyserver.Options{Limits: wsconn.Limits{PerMember: 2}})
	good := b.Token(b.Ann)
	stranger, _, err := b.Tokens.Issue(b.Org, stream.NewID(), stream.NewID())
	require.NoError(t, err)
	elsewhere, _, err := b.Tokens.Issue(stream.NewID(), b.Ann, stream.NewID())
	require.NoError(t, err)
	for _, c := range []struct {
		name, token, slug string
		code              wire.CloseCode
	}{
		{"no token", "", "sign-in-needed", wire.CloseSignIn},
		{"forged token", good[:len(good)-4] + "AAAA", "sign-in-needed", wire.CloseSignIn},
		{"not a member", stranger, "sign-in-needed", wire.CloseSignedOut},
		{"member of another organisation", elsewhere, "sign-in-needed", wire.CloseSignedOut},
	} {
		p := b.connect()
		if c.token == "" {
			p.text(`{"say":"hello","protocol":1,"client":"test/1"}`)
		} else {
			p.hello(c.token)
		}
		slug, _ := p.refused()
		require.Equal(t, c.slug, slug, c.name)
		require.Equal(t, c.code, p.closed(), c.name)
	}

	first, second := b.join(b.Ann), b.join(b.Ann)
	third := b.connect()
	third.hello(good)
	slug, _ := third.refused()
	require.Equal(t, "too-many", slug)
	require.Equal(t, wire.CloseCrowded, third.closed())
	b.join(b.Ben).leave() // somebody else's limit is their own
	first.leave()
	second.leave()
}

func TestHelloMustComeInTime(t *testing.T) {
	t.Parallel()
	inBubble(t, toyserver.Options{}, func(t *testing.T, b *bench) {
		start := time.Now()
		p := b.connect()
		require.Equal(t, wire.CloseNoHello, p.closed())
		require.Equal(t, 10*time.Second, time.Since(start))
	})
}

func TestTheConnectionEndsWithTheToken(t *testing.T) {
	t.Parallel()
	inBubble(t, toyserver.Options{Lasts: 10 * time.Minute}, func(t *testing.T, b *bench) {
		start := time.Now()
		p := b.join(b.Ann)
		require.Equal(t, wire.CloseExpired, p.closed())
		require.Equal(t, 10*time.Minute, time.Since(start))

		old := b.Token(b.Ann)
		pass(11 * time.Minute)
		p = b.connect()
		p.hello(old)
		slug, _ := p.refused()
		require.Equal(t, "sign-in-needed", slug)
		require.Equal(t, wire.CloseExpired, p.closed())
	})
}

// TestTheConnectionGoesOnWithItsSession past the end of its token, as long as commands come; a session that ends takes it
// along at once.
func TestTheConnectionGoesOnWithItsSession(t *testing.T) {
	t.Parallel()
	inBubble(t, toyserver.Options{Lasts: 10 * time.Minute}, func(t *testing.T, b *bench) {
		start := time.Now()
		at := b.Open(0)
		out := b.SignIn(b.Ben)
		type end struct {
			code  wire.CloseCode
			after time.Duration
		}
		var reading sync.WaitGroup
		used, idle, ended := b.connect(), b.connect(), b.connect()
		ends := map[*peer]*end{used: {}, idle: {}, ended: {}}
		for p, text := range map[*peer]string{used: b.SignIn(b.Ann).Access, idle: b.SignIn(b.Ann).Access, ended: out.Access} {
			p.hello(text)
			p.until("welcome")
			reading.Go(func() { *ends[p] = end{p.closed(), time.Since(start)} })
		}
		pass(10 * time.Hour)
		used.command(at, toyserver.Note("still here", 1))
		require.NoError(t, b.Sessions.SignOut(t.Context(), out.Granted))
		reading.Wait()
		require.Equal(t, wire.CloseSignedOut, ends[ended].code)
		require.InDelta(t, 10*time.Hour, ends[ended].after, float64(time.Second), "at once")
		require.Equal(t, wire.CloseExpired, ends[idle].code)
		require.InDelta(t, 12*time.Hour, ends[idle].after, float64(2*time.Second), "unused for 12 h; looks are a second apart at least")
		require.Equal(t, wire.CloseExpired, ends[used].code)
		require.InDelta(t, 22*time.Hour, ends[used].after, float64(10*time.Minute+2*time.Second), "the use is noted at the first look after it")
	})
}

func TestSigningOutClosesWhatTheTokenOpened(t *testing.T) {
	t.Parallel()
	b := onNetwork(t, toyserver.Options{})
	text, access, err := b.Tokens.Issue(b.Org, b.Ann, stream.NewID())
	require.NoError(t, err)
	signed := b.connect()
	signed.hello(text)
	signed.until("welcome")
	other, ben := b.join(b.Ann), b.join(b.Ben)

	b.Sockets.CloseSession(access.Session)
	require.Equal(t, wire.CloseSignedOut, signed.closed())
	other.text(`{"say":"beat","n":1}`)
	other.until("beat")

	b.Sockets.CloseMember(stream.Person{Org: b.Org, Member: b.Ann})
	require.Equal(t, wire.CloseSignedOut, other.closed())
	ben.text(`{"say":"beat","n":1}`)
	ben.until("beat")
	ben.leave()
}

func TestARetiredMemberIsOutWithinAPing(t *testing.T) {
	t.Parallel()
	inBubble(t, toyserver.Options{}, func(t *testing.T, b *bench) {
		p := b.join(b.Ben)
		start := time.Now()
		b.Retire(b.Ben)
		require.Equal(t, wire.CloseSignedOut, p.closed())
		require.LessOrEqual(t, time.Since(start), 25*time.Second)
	})
}

// A client that answers no ping but goes on sending is looked at all the same, and hears nothing more of what it follows.
func TestARetiredMemberWhoAnswersNoPingIsOutToo(t *testing.T) {
	t.Parallel()
	inBubble(t, toyserver.Options{}, func(t *testing.T, b *bench) {
		ref := b.Open(0)
		p := b.join(b.Ben)
		p.ws.SetPingHandler(func(string) error { return nil })
		p.follow(ref, 1)
		p.until("caught-up")
		start := time.Now()
		b.Retire(b.Ben)
		require.Equal(t, "out-of-sight", p.until("ended")["reason"])
		require.Zero(t, time.Since(start), "the following ends with the entry")
		over := make(chan struct{})
		go func() {
			defer close(over)
			for p.ws.WriteMessage(websocket.TextMessage, []byte(`{"say":"beat","n":1}`)) == nil {
				pass(5 * time.Second)
			}
		}()
		require.Equal(t, wire.CloseSignedOut, p.closed())
		require.LessOrEqual(t, time.Since(start), 25*time.Second)
		<-over
	})
}

func TestARetiredMembersCommandIsRefused(t *testing.T) {
	t.Parallel()
	b := onNetwork(t, toyserver.Options{})
	ref := b.Open(0)
	p := b.join(b.Ben)
	b.Retire(b.Ben)
	p.command(ref, toyserver.Note("x", 1))
	slug, _ := p.refused()
	require.Equal(t, "sign-in-needed", slug)
	require.Equal(t, wire.CloseSignedOut, p.closed())
	got, _, err := b.Hub.Read(context.Background(), b.Actor(b.Ann), ref, 0, 10)
	require.NoError(t, err)
	require.Len(t, got, 1, "nothing was written")
}
