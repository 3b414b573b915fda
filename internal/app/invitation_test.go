package app_test

import (
	"net/http"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/stream"
	"readback/internal/testkit/apptest"
	"readback/internal/testkit/pgtest"
	"readback/internal/testkit/postbox"
	"readback/internal/wire"
)

type invited struct{ ID, Member, Kind, Login, Made, Expires, Link string }

// tokenOf is what stands in the fragment of a link.
func tokenOf(t *testing.T, link string) string {
	t.Helper()
	_, token, ok := strings.Cut(link, "/join#")
	require.True(t, ok, link)
	require.Len(t, token, 43)
	return token
}

func joining(token, password string) string {
	return `{"token":"` + token + `","password":"` + password + `"}`
}

func slugOf(c *apptest.Client, a apptest.Answer) string {
	return strings.TrimPrefix(apptest.Read[wire.Problem](c, a).Type, "/problems/")
}

// newMember adds a technician who has no account.
func newMember(s *apptest.Server) (owner *apptest.Client, member string) {
	owner = s.As(apptest.ShopOwner)
	register := &apptest.Stream{Ref: stream.Ref{Kind: stream.Register, ID: owner.Access.Org}}
	register.Seq = apptest.Read[struct{ Seq uint64 }](owner, owner.Get(register.Path())).Seq
	member = stream.NewID().String()
	owner.Do(register, "add-member", `{"id":"`+member+`","name":"N. Newcomer","roles":["technician"]}`)
	return owner, member
}

func TestInvitations(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	owner, member := newMember(s)
	nobody, tech := s.Nobody(), s.As(apptest.Technician)
	invite := func(login string) apptest.Answer {
		return owner.Post("/v1/invitations", `{"member":"`+member+`","login":"`+login+`"}`)
	}
	first := apptest.Read[invited](owner, invite("newcomer@north.example"))
	require.True(t, strings.HasPrefix(first.Link, s.URL+"/join#"), first.Link)
	second := apptest.Read[invited](owner, invite(" Newcomer@North.example "))
	require.Equal(t, "newcomer@north.example", second.Login)
	list := apptest.Read[struct{ Invitations []invited }](owner, owner.Get("/v1/invitations")).Invitations
	require.Len(t, list, 1, "the newer one voids the older")
	require.Equal(t, second.ID, list[0].ID)
	require.Empty(t, list[0].Link, "a link is shown once")
	expires, err := time.Parse(time.RFC3339, second.Expires)
	require.NoError(t, err)
	require.WithinDuration(t, time.Now().Add(7*24*time.Hour), expires, time.Minute)

	require.Equal(t, "not-found", slugOf(nobody, nobody.Post("/v1/join", joining(tokenOf(t, first.Link), "a new password of mine"))))
	require.Equal(t, "invalid-input", slugOf(nobody, nobody.Post("/v1/join", joining(tokenOf(t, second.Link), "short"))))
	got := nobody.Post("/v1/join", joining(tokenOf(t, second.Link), "a new password of mine"))
	require.Equal(t, http.StatusOK, got.Status, got.Body)
	require.JSONEq(t, `{"login":"newcomer@north.example"}`, got.Body)
	require.Equal(t, "not-found", slugOf(nobody, nobody.Post("/v1/join", joining(tokenOf(t, second.Link), "another password of mine"))), "one use")
	in := signIn(s, "newcomer@north.example", "a new password of mine")
	require.NotEmpty(t, in.Token)
	accounts := owner.Get("/v1/accounts")
	require.Contains(t, accounts.Body, `{"member":"`+member+`","login":"newcomer@north.example"}`)
	require.NotContains(t, accounts.Body, "argon2", "nothing of a password")
	require.NotContains(t, s.As(apptest.OtherOwner).Get("/v1/accounts").Body, "north.example")

	// An owner resets the password: its sessions end when it is set, not before.
	reset := apptest.Read[invited](owner, owner.Post("/v1/resets", `{"member":"`+member+`"}`))
	require.Equal(t, "reset", reset.Kind)
	as := s.Nobody().With("Authorization", "Bearer "+in.Token)
	require.Equal(t, http.StatusOK, as.Get("/v1/me").Status)
	require.Equal(t, http.StatusOK, nobody.Post("/v1/join", joining(tokenOf(t, reset.Link), "the third password of mine")).Status)
	require.Equal(t, http.StatusUnauthorized, as.Get("/v1/me").Status)
	require.NotEmpty(t, signIn(s, "newcomer@north.example", "the third password of mine").Token)

	// Withdrawn, and of a member who was retired: dead.
	gone := apptest.Read[invited](owner, owner.Post("/v1/resets", `{"member":"`+member+`"}`))
	require.Equal(t, "not-found", slugOf(tech, s.As(apptest.OtherOwner).Ask("DELETE", "/v1/invitations/"+gone.ID, "")))
	require.Equal(t, http.StatusNoContent, owner.Ask("DELETE", "/v1/invitations/"+gone.ID, "").Status)
	require.Equal(t, "not-found", slugOf(nobody, nobody.Post("/v1/join", joining(tokenOf(t, gone.Link), "the fourth password of mine"))))
	last := apptest.Read[invited](owner, invite("newcomer@north.example"))
	register := &apptest.Stream{Ref: stream.Ref{Kind: stream.Register, ID: owner.Access.Org}}
	register.Seq = apptest.Read[struct{ Seq uint64 }](owner, owner.Get(register.Path())).Seq
	owner.Do(register, "retire-member", `{"member":"`+member+`"}`)
	require.Equal(t, "not-found", slugOf(nobody, nobody.Post("/v1/join", joining(tokenOf(t, last.Link), "the fourth password of mine"))))

	for want, a := range map[string]apptest.Answer{
		"not-your-role":    tech.Post("/v1/invitations", `{"member":"`+member+`","login":"x"}`),
		"not-your-role ":   tech.Get("/v1/invitations"),
		"not-your-role   ": tech.Get("/v1/accounts"),
		"not-your-role  ":  tech.Post("/v1/resets", `{"member":"`+member+`"}`),
		"sign-in-needed":   nobody.Post("/v1/resets", `{"member":"`+member+`"}`),
		"not-found":        invite("retired@north.example"),
		"not-found ":       s.As(apptest.OtherOwner).Post("/v1/resets", `{"member":"`+tech.Access.Member.String()+`"}`),
		"not-found  ":      s.As(apptest.OtherOwner).Post("/v1/invitations", `{"member":"`+tech.Access.Member.String()+`","login":"mine@south.example"}`),
		"already-there":    owner.Post("/v1/invitations", `{"member":"`+owner.Access.Member.String()+`","login":"tamsin@north.example"}`),
		"invalid-input":    owner.Post("/v1/invitations", `{"member":"x","login":"a b"}`),
		"invalid-input ":   nobody.Post("/v1/resets", `{"login":"x","member":"y"}`),
		"invalid-input  ":  nobody.Post("/v1/join", `{"token":""}`),
		"malformed":        nobody.Post("/v1/join", `{`),
		"foreign-origin":   nobody.With("Sec-Fetch-Site", "cross-site").Post("/v1/join", joining("x", "the fourth password of mine")),
	} {
		require.Equal(t, strings.TrimSpace(want), slugOf(owner, a), a.Body)
	}
}

// TestTwoOfOneID: owners choose the ids of members, so two organisations may have one with the same. They live side by
// side: of links, passwords, sessions and retirement each gets its own, whatever the other organisation does.
func TestTwoOfOneID(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	owner, member := newMember(s)
	other, nobody := s.As(apptest.OtherOwner), s.Nobody()
	register := other.Register()
	tech := s.As(apptest.Technician).Access.Member.String()
	for _, id := range []string{member, tech} {
		other.Do(register, "add-member", `{"id":"`+id+`","name":"N. Namesake","roles":["technician"]}`)
	}
	const ours, theirs = "newcomer@north.example", "namesake@south.example"
	invite := func(c *apptest.Client, login string) string {
		return apptest.Read[invited](c, c.Post("/v1/invitations", `{"member":"`+member+`","login":"`+login+`"}`)).Link
	}
	join := func(link, password string) {
		t.Helper()
		require.Equal(t, http.StatusOK, nobody.Post("/v1/join", joining(tokenOf(t, link), password)).Status)
	}
	goesOn := func(g granted) {
		t.Helper()
		require.Equal(t, http.StatusOK, nobody.With("Authorization", "Bearer "+g.Token).Get("/v1/me").Status)
	}
	links := []string{invite(owner, ours), invite(other, theirs)} // neither voids the other
	join(links[0], "a new password of ours")
	mine := signIn(s, ours, "a new password of ours")
	join(links[1], "a new password of theirs")
	goesOn(mine)
	namesake := signIn(s, theirs, "a new password of theirs")
	require.Equal(t, "already-there", slugOf(other, other.Post("/v1/invitations", `{"member":"`+member+`","login":"`+ours+`"}`)), "the name is somebody else's")

	for _, c := range []*apptest.Client{owner, other} {
		require.Len(t, apptest.Read[struct{ Sessions []struct{ ID string } }](c, c.Get("/v1/sessions?member="+member)).Sessions, 1)
	}
	me := func(g granted) *apptest.Client { return nobody.With("Authorization", "Bearer "+g.Token) }
	require.Equal(t, http.StatusNoContent, me(namesake).Post("/v1/password", `{"old":"a new password of theirs","new":"another password of theirs"}`).Status)
	goesOn(mine)
	reset := apptest.Read[invited](other, other.Post("/v1/resets", `{"member":"`+member+`"}`))
	require.Equal(t, theirs, reset.Login)
	again := apptest.Read[invited](owner, owner.Post("/v1/resets", `{"member":"`+member+`"}`))
	require.Equal(t, ours, again.Login)
	join(reset.Link, "a third password of theirs")
	goesOn(mine)
	join(again.Link, "a second password of ours")
	require.Equal(t, "not-found", slugOf(other, other.Post("/v1/resets", `{"member":"`+tech+`"}`)), "theirs has no account")

	mine, namesake = signIn(s, ours, "a second password of ours"), signIn(s, theirs, "a third password of theirs")
	socket := welcomed(t, s, mine.Token)
	require.Equal(t, http.StatusNoContent, me(namesake).Post("/v1/sign-out", `{"everywhere":true}`).Status)
	goesOn(mine)
	namesake = signIn(s, theirs, "a third password of theirs")
	closed := welcomed(t, s, namesake.Token)
	other.Do(register, "retire-member", `{"member":"`+member+`"}`)
	closed.signedOut()
	require.Equal(t, http.StatusUnauthorized, me(namesake).Get("/v1/me").Status)
	goesOn(mine)
	_, err := s.SQL().Exec(t.Context(), `update readback.account set disabled = true where login = $1`, theirs)
	require.NoError(t, err)
	goesOn(mine)
	require.NoError(t, socket.ws.WriteJSON(map[string]any{"say": "beat", "n": 1}))
	socket.want("beat")
}

// TestAResetOpensNoDisabledAccount: a link that was out when an account was disabled does not undo that.
func TestAResetOpensNoDisabledAccount(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	owner, nobody := s.As(apptest.ShopOwner), s.Nobody()
	tech := s.As(apptest.Technician).Access.Member.String()
	reset := apptest.Read[invited](owner, owner.Post("/v1/resets", `{"member":"`+tech+`"}`))
	_, err := s.SQL().Exec(t.Context(), `update readback.account set disabled = true where member = $1`, tech) // docs/operations.md
	require.NoError(t, err)
	require.Equal(t, "not-found", slugOf(nobody, nobody.Post("/v1/join", joining(tokenOf(t, reset.Link), "a new password of mine"))))
	again := apptest.Read[invited](owner, owner.Post("/v1/invitations", `{"member":"`+tech+`","login":"`+apptest.Technician+`"}`))
	require.Equal(t, http.StatusOK, nobody.Post("/v1/join", joining(tokenOf(t, again.Link), "a new password of mine")).Status, "an owner opens it again")
}

var inLetter = regexp.MustCompile(`https://bay\.example/join#[\w-]{43}`)

func TestLinksAreMailed(t *testing.T) {
	t.Parallel()
	box := postbox.Listen(t, postbox.Options{})
	cfg := apptest.Config(pgtest.Database(t))
	cfg.SMTPURL, cfg.MailFrom, cfg.PublicURL = "smtp://"+box.Addr, "readback@bay.example", "https://bay.example"
	s := apptest.Serve(t, cfg)
	owner, member := newMember(s)
	got := owner.Post("/v1/invitations", `{"member":"`+member+`","login":"newcomer@north.example"}`)
	require.Equal(t, http.StatusOK, got.Status, got.Body)
	require.Empty(t, apptest.Read[invited](owner, got).Link, "mailed links are not shown")
	require.NotContains(t, got.Body, "join")
	letter := <-box.Letters
	require.Equal(t, "newcomer@north.example", letter.To)
	nobody := s.Nobody()
	require.Equal(t, http.StatusOK, nobody.Post("/v1/join", joining(tokenOf(t, inLetter.FindString(letter.Text)), "a new password of mine")).Status)
	require.Equal(t, "invalid-input", slugOf(owner, owner.Post("/v1/invitations", `{"member":"`+member+`","login":"newcomer"}`)), "nowhere to mail to")

	// Anybody may ask; who has no account shows from nothing, and the links of one who has are not voided by asking again.
	for _, login := range []string{"nobody@north.example", "newcomer@north.example", "newcomer@north.example", "not an address"} {
		a := nobody.Post("/v1/resets", `{"login":"`+login+`"}`)
		if login == "not an address" {
			require.Equal(t, "invalid-input", slugOf(nobody, a))
			continue
		}
		require.Equal(t, http.StatusAccepted, a.Status, a.Body)
		require.Empty(t, a.Body)
	}
	letter = <-box.Letters
	require.Equal(t, "newcomer@north.example", letter.To)
	require.Equal(t, http.StatusOK, nobody.Post("/v1/join", joining(tokenOf(t, inLetter.FindString(letter.Text)), "yet another password")).Status)
	require.NotEmpty(t, signIn(s, "newcomer@north.example", "yet another password").Token)
	require.Empty(t, box.Letters)

	for range 10 {
		nobody.Post("/v1/resets", `{"login":"someone@north.example"}`)
	}
	require.Equal(t, "too-many", slugOf(nobody, nobody.Post("/v1/resets", `{"login":"someone@north.example"}`)))
}

// TestAMailThatDoesNotGoOut leaves no invitation behind.
func TestAMailThatDoesNotGoOut(t *testing.T) {
	t.Parallel()
	box := postbox.Listen(t, postbox.Options{Refuse: true})
	cfg := apptest.Config(pgtest.Database(t))
	cfg.SMTPURL, cfg.MailFrom, cfg.PublicURL = "smtp://"+box.Addr, "readback@bay.example", "https://bay.example"
	s := apptest.Serve(t, cfg)
	owner, member := newMember(s)
	require.Equal(t, "not-ready", slugOf(owner, owner.Post("/v1/invitations", `{"member":"`+member+`","login":"newcomer@north.example"}`)))
	require.JSONEq(t, `{"invitations":[]}`, owner.Get("/v1/invitations").Body)
}
