package webui_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/testkit/apptest"
)

// TestAPersonSetsAndChangesTheirPassword in a browser: by an owner's link, then from the page of the account, where a
// session elsewhere is ended too.
func TestAPersonSetsAndChangesTheirPassword(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	browser := browser(t)
	owner := s.As(apptest.ShopOwner)
	reset := apptest.Read[struct{ Link string }](owner, owner.Post("/v1/resets", `{"member":"`+s.Person(apptest.Technician).Member.String()+`"}`))
	_, token, _ := strings.Cut(reset.Link, "#")
	require.NotEmpty(t, token)

	w := open(t, browser, "account", s.URL, 1000, 800)
	w.visit("/join#" + token)
	w.sees("#set", "set your password")
	w.until(`location.hash === ""`)
	w.picture("join")
	w.fill("#password", "a password of my own")
	w.fill("#again", "another password")
	w.press("#set button")
	w.sees("#set-problem", "not the same")
	w.fill("#again", "a password of my own")
	w.press("#set button")
	w.sees("#done", "your password is set")

	elsewhere := s.Nobody().With("User-Agent", "tablet/2").Post("/v1/sign-in", `{"login":"tamsin@north.example","password":"a password of my own"}`)
	in := apptest.Read[struct{ Token, Session string }](owner, elsewhere)
	w.visit("/sign-in?to=/account")
	w.fill("#login", apptest.Technician)
	w.fill("#password", "a password of my own")
	w.press("#sign-in button")
	w.sees("#sessions", "this one")
	w.sees("#sessions", "tablet/2")
	w.picture("account")
	w.press("#end-" + in.Session)
	w.until(`!document.querySelector("#sessions").textContent.includes("tablet/2")`)
	require.Equal(t, 401, s.Nobody().With("Authorization", "Bearer "+in.Token).Get("/v1/me").Status)

	w.fill("#old", "a password of my own")
	w.fill("#new", "the next password of mine")
	w.fill("#change #again", "the next password of mine")
	w.press("#change .primary")
	w.sees("#change #done", "your password is changed")
	require.Equal(t, 200, s.Nobody().Post("/v1/sign-in", `{"login":"tamsin@north.example","password":"the next password of mine"}`).Status)

	w.press("#everywhere")
	w.sees("#sign-in", "sign in")
	w.press("main a[href='/join']")
	w.sees("#ask", "forgot your password")
	w.picture("forgot")
	w.fill("#login", "nobody@north.example")
	w.press("#ask button")
	w.sees("#done", "if there is an account")
}
