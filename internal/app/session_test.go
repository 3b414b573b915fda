package app_test

import (
	"net/http"
	"testing"
	"time"

	"github.com/gorilla/websocket"
	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/testkit/apptest"
	"readback/internal/wire"
)

// signedOut waits for the socket to be closed as signed out.
func (p *socket) signedOut() {
	p.t.Helper()
	p.ws.SetReadDeadline(time.Now().Add(30 * time.Second)) // a test that waits in vain shall say so
	for {
		_, _, err := p.ws.ReadMessage()
		if err == nil {
			continue
		}
		require.True(p.t, websocket.IsCloseError(err, int(wire.CloseSignedOut)), "%v", err)
		return
	}
}

type granted struct{ Token, Refresh, Session string }

func signIn(s *apptest.Server, login, password string) granted {
	nobody := s.Nobody()
	return apptest.Read[granted](nobody, nobody.With("User-Agent", "tablet/1").Post("/v1/sign-in", `{"login":"`+login+`","password":"`+password+`"}`))
}

func welcomed(t *testing.T, s *apptest.Server, token string) *socket {
	t.Helper()
	p := connect(t, s, token, nil)
	require.NoError(t, p.ws.ReadJSON(&struct{}{}))
	return p
}

// TestASessionEndsOnEveryNode for each reason there is, and takes sockets and access tokens along. That a node hears of it
// without looking is postgres TestNodesHearOfEnds's.
func TestASessionEndsOnEveryNode(t *testing.T) {
	t.Parallel()
	here := apptest.Start(t)
	there := apptest.Serve(t, here.Config)
	owner := here.As(apptest.ShopOwner)
	tamsin := here.Person(apptest.Technician)
	password := "demo technician"
	db := here.SQL()
	_, err := db.Exec(t.Context(), "listen readback_ended")
	require.NoError(t, err)
	with := func(g granted) *apptest.Client { return here.Nobody().With("Authorization", "Bearer "+g.Token) }

	for _, c := range []struct {
		name string
		end  func(g granted)
	}{
		{"signed out", func(g granted) { require.Equal(t, http.StatusNoContent, with(g).Post("/v1/sign-out", "").Status) }},
		{"ended by an owner", func(g granted) {
			require.Equal(t, http.StatusNoContent, owner.Ask("DELETE", "/v1/sessions/"+g.Session, "").Status)
		}},
		{"a refresh token that came again", func(g granted) {
			first := apptest.Read[granted](owner, here.Nobody().Post("/v1/refresh", `{"refresh":"`+g.Refresh+`"}`))
			require.Equal(t, http.StatusOK, here.Nobody().Post("/v1/refresh", `{"refresh":"`+first.Refresh+`"}`).Status)
			require.Equal(t, http.StatusUnauthorized, here.Nobody().Post("/v1/refresh", `{"refresh":"`+g.Refresh+`"}`).Status)
		}},
		{"a new password", func(granted) {
			mine := signIn(here, apptest.Technician, password)
			next := password + "!"
			require.Equal(t, http.StatusNoContent, with(mine).Post("/v1/password", `{"old":"`+password+`","new":"`+next+`"}`).Status)
			password = next
			require.Equal(t, http.StatusOK, with(mine).Get("/v1/me").Status, "the session that changed it goes on")
		}},
		{"an account that was disabled", func(granted) {
			_, err := here.SQL().Exec(t.Context(), "update readback.account set disabled = true where member = $1", tamsin.Member.String())
			require.NoError(t, err)
			_, err = here.SQL().Exec(t.Context(), "update readback.account set disabled = false where member = $1", tamsin.Member.String())
			require.NoError(t, err)
		}},
		{"a member who was retired", func(granted) {
			register := &apptest.Stream{Ref: stream.Ref{Kind: stream.Register, ID: tamsin.Org}}
			register.Seq = apptest.Read[struct{ Seq uint64 }](owner, owner.Get(register.Path())).Seq
			owner.Do(register, "retire-member", `{"member":"`+tamsin.Member.String()+`"}`)
		}},
	} {
		g := signIn(here, apptest.Technician, password)
		require.NotEmpty(t, g.Token, c.name)
		sockets := []*socket{welcomed(t, here, g.Token), welcomed(t, there, g.Token)}
		c.end(g)
		for _, p := range sockets {
			p.signedOut()
		}
		for _, node := range []*apptest.Server{here, there} {
			got := node.Nobody().With("Authorization", "Bearer "+g.Token).Get("/v1/me")
			require.Equal(t, http.StatusUnauthorized, got.Status, c.name)
		}
		for told := ""; told != g.Session; { // a retired member is refused and closed before the session is ended
			n, err := db.WaitForNotification(t.Context())
			require.NoError(t, err, c.name)
			told = n.Payload
		}
	}
	var why []string
	rows, err := db.Query(t.Context(), "select distinct ended_why from readback.session where ended_why is not null order by 1")
	require.NoError(t, err)
	for rows.Next() {
		var one string
		require.NoError(t, rows.Scan(&one))
		why = append(why, one)
	}
	require.Equal(t, []string{"disabled", "new-password", "retired", "reused", "revoked", "signed-out"}, why)
}

func TestSessionsAreListed(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	type list struct {
		Sessions []struct {
			ID, Member, Created, Used, Expires, Origin, Device string
			Current                                            bool
		}
	}
	first, second := signIn(s, apptest.Technician, "demo technician"), signIn(s, apptest.Technician, "demo technician")
	tech := s.Nobody().With("Authorization", "Bearer "+second.Token)
	got := apptest.Read[list](tech, tech.Get("/v1/sessions")).Sessions
	require.Len(t, got, 2)
	require.Equal(t, second.Session, got[0].ID, "the last used first")
	require.True(t, got[0].Current && !got[1].Current)
	require.Equal(t, "tablet/1", got[0].Device)
	require.Equal(t, "127.0.0.1", got[0].Origin)

	member := s.Person(apptest.Technician).Member.String()
	owner, other := s.As(apptest.ShopOwner), s.As(apptest.OtherOwner)
	require.Len(t, apptest.Read[list](owner, owner.Get("/v1/sessions?member="+member)).Sessions, 2)
	require.Empty(t, apptest.Read[list](other, other.Get("/v1/sessions?member="+member)).Sessions, "of another organisation: as if there were none")
	require.Empty(t, apptest.Read[list](owner, owner.Get("/v1/sessions")).Sessions)
	slug := func(a apptest.Answer) string { return apptest.Read[wire.Problem](tech, a).Type }
	is := func(s fault.Slug) string { return "/problems/" + string(s) }
	require.Equal(t, is(fault.NotYourRole), slug(tech.Get("/v1/sessions?member="+s.Person(apptest.ShopOwner).Member.String())))
	require.Equal(t, is(fault.InvalidInput), slug(owner.Get("/v1/sessions?member=x")))
	for _, c := range []*apptest.Client{other, s.As(apptest.Specialist)} {
		require.Equal(t, is(fault.NotHere), slug(c.Ask("DELETE", "/v1/sessions/"+first.Session, "")))
	}
	require.Equal(t, is(fault.NotHere), slug(tech.Ask("DELETE", "/v1/sessions/"+stream.NewID().String(), "")))
	require.Equal(t, http.StatusNoContent, tech.Ask("DELETE", "/v1/sessions/"+first.Session, "").Status)
	require.Equal(t, is(fault.NotHere), slug(tech.Ask("DELETE", "/v1/sessions/"+first.Session, "")))
	require.Len(t, apptest.Read[list](tech, tech.Get("/v1/sessions")).Sessions, 1)
}

func TestChangingThePassword(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	in := signIn(s, apptest.Technician, "demo technician")
	tech := s.Nobody().With("Authorization", "Bearer "+in.Token)
	slug := func(body string) string {
		return apptest.Read[wire.Problem](tech, tech.Post("/v1/password", body)).Type
	}
	require.Equal(t, "/problems/invalid-input", slug(`{"old":"demo technician","new":"short"}`))
	require.Equal(t, "/problems/invalid-input", slug(`{"new":"long enough for us"}`))
	for range 5 {
		require.Equal(t, "/problems/sign-in-failed", slug(`{"old":"guessed technician","new":"long enough for us"}`))
	}
	require.Equal(t, "/problems/too-many", slug(`{"old":"demo technician","new":"long enough for us"}`), "who holds a session only must not guess the password")
	require.Equal(t, in.Session, signedIn(t, s, in.Token))
}

// signedIn is the session that the token's holder sees as the current one.
func signedIn(t *testing.T, s *apptest.Server, token string) string {
	t.Helper()
	c := s.Nobody().With("Authorization", "Bearer "+token)
	for _, one := range apptest.Read[struct {
		Sessions []struct {
			ID      string
			Current bool
		}
	}](c, c.Get("/v1/sessions")).Sessions {
		if one.Current {
			return one.ID
		}
	}
	return ""
}
