package app_test

import (
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/app"
	"readback/internal/fault"
	"readback/internal/testkit/apptest"
)

func document(t *testing.T, name string) string {
	t.Helper()
	raw, err := os.ReadFile(filepath.Join(apptest.Root(), "testdata", "import", name))
	require.NoError(t, err)
	return string(raw)
}

// TestInitAgain gives documents again to a server that runs: the same ones do nothing, others for the same organisation
// are refused, and a fault anywhere leaves everything as it was.
func TestInitAgain(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t) // shop.json and desk.json are there
	quiet := slog.New(slog.DiscardHandler)
	shop, desk := document(t, "shop.json"), document(t, "desk.json")
	third := strings.NewReplacer("-0000000000", "-0000000002", "desk.example", "third.example", "Demo Desk", "Third Desk").Replace(desk)
	fourth := `{"format": "readback-register/1", "organisation": {"name": "Fourth (invented)", "sort": "shop"},
		"members": [{"name": "A (invented)", "roles": ["owner"]}], "agreements": [{"desk": "01940000-0000-7000-8000-000000000bad"}]}`
	put := func(docs ...string) ([]app.SetUp, error) {
		var list []app.Document
		for i, d := range docs {
			list = append(list, app.Document{File: string(rune('a'+i)) + ".json", Raw: []byte(d)})
		}
		return app.Init(t.Context(), s.Config, quiet, list)
	}
	before := s.Stored()

	done, err := put(shop, desk)
	require.NoError(t, err)
	for _, o := range done {
		require.Zero(t, o.Entries+o.Accounts)
	}
	for name, c := range map[string]struct {
		docs []string
		slug fault.Slug
		says string
	}{
		"a bay with another name": {[]string{strings.Replace(shop, `"Bay 1"`, `"Bay one"`, 1)}, fault.AlreadyThere, "a.json"},
		"a bay less": {[]string{strings.Replace(shop, `,
    {"name": "Bay 2"}`, "", 1)}, fault.AlreadyThere, "01940000-0000-7000-8000-0000000000a0 is there already"},
		"a fault in the second document":  {[]string{third, strings.Replace(shop, `"due": "2099-12-31"`, `"due": "soon"`, 1)}, fault.InvalidInput, "b.json: The input is not usable as it stands: instruments[0].due"},
		"a password too short":            {[]string{strings.Replace(third, "demo desk owner", "short", 1)}, fault.InvalidInput, "members[1].sign_in.password"},
		"a name to sign in with twice":    {[]string{third, strings.NewReplacer("-0000000002", "-0000000003", "otto@third", "OTTO@third", "ines@third", "ines@fourth").Replace(third)}, fault.InvalidInput, "b.json: The input is not usable as it stands: members[1].sign_in.login"},
		"somebody's name to sign in with": {[]string{strings.Replace(third, "otto@third.example", "Otto@desk.example", 1)}, fault.AlreadyThere, "members[1].sign_in.login"},
		"somebody's name, for the same member id": {[]string{strings.NewReplacer("-0000000000d0", "-0000000002d0", "ines@desk", "ines@third", "Demo Desk", "Third Desk").Replace(desk)},
			fault.AlreadyThere, "members[1].sign_in.login"},
		"an agreement with nobody": {[]string{fourth}, fault.InvalidInput, "a.json: The input is not usable as it stands: agreements[0].desk"},
		"an agreement with a shop": {[]string{strings.Replace(fourth, "-000000000bad", "-0000000000a0", 1)}, fault.InvalidInput, "agreements[0].desk"},
		"an agreement of a desk":   {[]string{strings.Replace(third, `"members"`, `"agreements": [{"desk": "01940000-0000-7000-8000-0000000000d0"}], "members"`, 1)}, fault.InvalidInput, "agreements: none"},
		"a name with a space":      {[]string{strings.Replace(third, "otto@third.example", "otto third", 1)}, fault.InvalidInput, "members[1].sign_in.login"},
	} {
		_, err := put(c.docs...)
		require.True(t, fault.Is(err, c.slug), "%s: %v", name, err)
		require.ErrorContains(t, err, c.says, name)
		require.Equal(t, before, s.Stored(), name)
	}
	in := s.Nobody().Post("/v1/sign-in", `{"login":"otto@third.example","password":"demo desk owner"}`)
	require.Equal(t, 401, in.Status)
	_, err = put(third)
	require.NoError(t, err)
	in = s.Nobody().Post("/v1/sign-in", `{"login":"otto@third.example","password":"demo desk owner"}`)
	require.Equal(t, 200, in.Status, "at once, beside a running server: %s", in.Body)
}

// TestInitGoesOn takes away what came last in an init that was cut short; the same document brings it back, and only it.
func TestInitGoesOn(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	quiet := slog.New(slog.DiscardHandler)
	ids := strings.NewReplacer(`"id": "01940000-0000-7000-8000-0000000000d0",`, "", `"id": "01940000-0000-7000-8000-0000000000d1",`, "", `"id": "01940000-0000-7000-8000-0000000000d2",`, "", "desk.example", "new.example", "Demo Desk", "New Desk")
	doc := app.Document{File: "new.json", Raw: []byte(ids.Replace(document(t, "desk.json")))}
	first, err := app.Init(t.Context(), s.Config, quiet, []app.Document{doc})
	require.NoError(t, err)
	require.Equal(t, 5, first[0].Entries)
	whole := s.Stored()

	_, err = s.SQL().Exec(t.Context(), "delete from readback.account where login = 'otto@new.example'")
	require.NoError(t, err)
	second, err := app.Init(t.Context(), s.Config, quiet, []app.Document{doc})
	require.NoError(t, err)
	require.Equal(t, first[0].ID, second[0].ID, "ids that the document leaves open are the same again")
	require.Zero(t, second[0].Entries)
	require.Equal(t, 1, second[0].Accounts)
	require.Equal(t, strings.Count(whole, "\n"), strings.Count(s.Stored(), "\n"))
}

// TestFirstOwner needs no document.
func TestFirstOwner(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	first := app.FirstOwner{Organisation: "Harbour Workshop (invented)", Sort: "shop", Owner: "A. Owner (invented)", Login: "a@harbour.example"}
	doc, password, err := first.Document()
	require.NoError(t, err)
	var made []string
	doc.Made = func(login string) {
		require.Equal(t, 200, s.Nobody().Post("/v1/sign-in", `{"login":"`+login+`","password":"`+password+`"}`).Status, "told when it is there")
		made = append(made, login)
	}
	_, err = app.Init(t.Context(), s.Config, slog.New(slog.DiscardHandler), []app.Document{doc})
	require.NoError(t, err)
	require.Equal(t, []string{"a@harbour.example"}, made)
	in := s.Nobody().Post("/v1/sign-in", `{"login":"a@harbour.example","password":"`+password+`"}`)
	require.Equal(t, 200, in.Status, in.Body)

	again, other, err := first.Document()
	require.NoError(t, err)
	require.NotEqual(t, password, other)
	done, err := app.Init(t.Context(), s.Config, slog.New(slog.DiscardHandler), []app.Document{again})
	require.NoError(t, err)
	require.Zero(t, done[0].Accounts, "the password made first stays")

	var next string
	before := s.Stored()
	give := func(organisation, login string) error {
		next = ""
		return app.NewPassword(t.Context(), s.Config, slog.New(slog.DiscardHandler), organisation, login, func(p string) { next = p })
	}
	for _, c := range [][2]string{{"Demo Desk (invented)", first.Login}, {first.Organisation, "b@harbour.example"}, {first.Organisation, ""}} {
		require.Error(t, give(c[0], c[1]))
		require.Empty(t, next)
		require.Equal(t, before, s.Stored())
	}
	signIn := func(password string) int {
		return s.Nobody().Post("/v1/sign-in", `{"login":"a@harbour.example","password":"`+password+`"}`).Status
	}
	require.NoError(t, give(first.Organisation, " A@harbour.example"))
	require.Equal(t, 200, signIn(next))
	require.Equal(t, 401, signIn(password))
}
