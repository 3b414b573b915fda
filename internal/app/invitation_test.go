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

// TestLinksForTheIdsOfOthers: an owner chooses ids of members, also one that another organisation's member has, and gets
// nothing by it there: no link is voided, no session ends, no way in is taken.
func TestLinksForTheIdsOfOthers(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	owner, member := newMember(s)
	other, nobody := s.As(apptest.OtherOwner), s.Nobody()
	register := other.Register()
	tech := s.As(apptest.Technician).Access.Member.String()
	for _, id := range []string{member, tech} {
		other.Do(register, "add-member", `{"id":"`+id+`","name":"N. Namesake","roles":["technician"]}`)
	}
	link := apptest.Read[invited](owner, owner.Post("/v1/invitations", `{"member":"`+member+`","login":"newcomer@north.example"}`)).Link
	theirs := apptest.Read[invited](other, other.Post("/v1/invitations", `{"member":"`+member+`","login":"namesake@south.example"}`)).Link
	require.Equal(t, http.StatusOK, nobody.Post("/v1/join", joining(tokenOf(t, link), "a new password of mine")).Status, "the other's link voided it")
	in := signIn(s, "newcomer@north.example", "a new password of mine")
	require.Equal(t, "not-found", slugOf(nobody, nobody.Post("/v1/join", joining(tokenOf(t, theirs), "a password of theirs"))))
	require.Equal(t, http.StatusOK, s.Nobody().With("Authorization", "Bearer "+in.Token).Get("/v1/me").Status, "the other's link ended a session")

	for _, id := range []string{member, tech} {
		require.Equal(t, "already-there", slugOf(other, other.Post("/v1/invitations", `{"member":"`+id+`","login":"namesake@south.example"}`)))
		require.Equal(t, "not-found", slugOf(other, other.Post("/v1/resets", `{"member":"`+id+`"}`)))
	}
	require.JSONEq(t, `{"accounts":[`+`{"member":"`+other.Access.Member.String()+`","login":"`+apptest.OtherOwner+`"},`+
		`{"member":"`+s.Person(apptest.OtherTechnician).Member.String()+`","login":"`+apptest.OtherTechnician+`"}]}`, other.Get("/v1/accounts").Body)
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
