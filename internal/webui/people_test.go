package webui_test

import (
	"encoding/json"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"readback/internal/testkit/apptest"
	"readback/internal/testkit/pgtest"
	"readback/internal/testkit/postbox"
)

// TestAnOwnerLetsPeopleIn in a browser: somebody new is added and invited, sets a password by the link, is signed out from
// afar, gets a link for a new password that is withdrawn again; who is no owner finds neither the way there nor anything
// on the page.
func TestAnOwnerLetsPeopleIn(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	browser := browser(t)
	w := open(t, browser, "owner", s.URL, 1180, 820)
	w.signIn(apptest.ShopOwner, "demo shop owner", "/bay")
	w.press("a#people")
	w.sees("#here", "people")
	tamsin := s.Person(apptest.Technician).Member.String()
	w.sees(".person:has(#name-"+tamsin+")", "signs in as tamsin@north.example")
	w.readable("people", 7)
	w.onPhone("people")

	w.fill("#new-name", "Nell Newcomer")
	w.fill("#new-login", apptest.Technician)
	w.press("#new-person .primary")
	w.sees("#fault-role-technician", "one role")
	w.press("label:has(#role-technician)")
	w.press("#new-person .primary")
	w.sees("#fault-new-login", "has this name. another one, please: nobody is added yet")
	require.False(t, run(w, chromedp.Evaluate[bool](`document.querySelector("#here").closest("section").textContent.includes("Nell")`)))
	w.fill("#new-login", apptest.DeskOwner) // of another organisation: only the server knows
	w.press("#new-person .primary")
	w.sees("#fault-new-login", "a name that nobody else signs in with")
	w.sees("#new-person .rest", "nell newcomer is added, but not invited yet")
	w.sees(".person", "cannot sign in yet")
	w.until(`document.activeElement.id === "new-login" && document.querySelector("#new-name").value === "Nell Newcomer" && document.querySelector("#role-technician").checked`)
	w.readable("taken", 4.5)
	w.onPhone("taken")
	nell := run(w, chromedp.Evaluate[string](`[...document.querySelectorAll(".person")].find(e => e.textContent.includes("Nell")).querySelector("b").id.slice(5)`))
	row := ".person:has(#name-" + nell + ")"
	w.fill("#new-login", "nell@north.example")
	w.press("#new-person .primary")
	w.sees(row, "invited as nell@north.example")
	w.until(`document.querySelector("#new-name").value === "" && !document.querySelector("#new-name").matches(":disabled")`) // for the next
	require.Equal(t, 1, run(w, chromedp.Evaluate[int](`[...document.querySelectorAll(".person")].filter(e => e.textContent.includes("Nell")).length`)))
	w.press("#invite-" + nell)
	w.fill("#login-"+nell, "nell@north.example")
	w.press("#inviting .second")
	w.until(`document.querySelector("#handed")`)
	w.sees(row, "invited as nell@north.example")
	link := run(w, chromedp.Evaluate[string](`document.querySelector("#handed").value`))
	w.press("#copy-handed")
	w.sees(".link-box [role=status]", "cop")
	w.readable("link", 4.5)
	w.onPhone("link")

	n := open(t, browser, "newcomer", s.URL, 1000, 800)
	_, token, found := strings.Cut(link, "/join#")
	require.True(t, found, link)
	n.visit("/join#" + token)
	n.fill("#password", "a password of my own")
	n.fill("#again", "a password of my own")
	n.press("#set button")
	n.sees("#done", "your password is set")
	n.signIn("nell@north.example", "a password of my own", "/bay")
	n.sees("#cars", "calibrations")
	n.until(`document.querySelector("a#people").hidden`)
	n.visit("/people")
	n.sees(".problem", "owners let people in")
	n.visit("/account")
	n.sees("#sessions", "this one")
	n.until(`document.querySelector("a#people").hidden`)

	w.visit("/account")
	w.press("a#people")
	w.sees(row, "signs in as nell@north.example")
	w.press("#sessions-" + nell)
	w.sees("#sessions", "last used")
	w.readable("signed-in", 4.5)
	w.onPhone("signed-in")
	w.press("#sessions [id^=end-]")
	w.sees("#sessions", "nowhere now")
	n.visit("/account")
	n.until(`location.pathname === "/sign-in"`)

	w.press("#sessions-" + nell)
	w.until(`!document.querySelector("#sessions")`)
	w.press("#reset-" + nell)
	w.sees(row, "has a link for a new password")
	link = run(w, chromedp.Evaluate[string](`document.querySelector("#handed").value`))
	w.press("#withdraw-" + nell)
	w.until(`!document.querySelector("#handed") && !document.querySelector("#withdraw-` + nell + `")`)
	_, token, _ = strings.Cut(link, "/join#")
	require.Equal(t, http.StatusNotFound, s.Nobody().Post("/v1/join", `{"token":"`+token+`","password":"another of my own"}`).Status)

	desk := open(t, browser, "desk owner", s.URL, 1440, 900)
	desk.signIn(apptest.DeskOwner, "demo desk owner", "/people") // with no work at the desk
	desk.visit("/desk")
	desk.until(`document.querySelector("a#people").checkVisibility()`)
	desk.readable("desk", 4.5)
	desk.press("a#people")
	desk.sees("#here", "people")
	desk.until(`!document.body.textContent.includes("north.example")`)
}

// TestAnOwnerChangesAPerson in a browser: roles, languages and proofs of competence, read back over HTTP; the last owner stays
// one; whoever has left is signed out and stays in the list.
func TestAnOwnerChangesAPerson(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	browser := browser(t)
	w := open(t, browser, "owner", s.URL, 1180, 820)
	w.signIn(apptest.ShopOwner, "demo shop owner", "/bay")
	w.visit("/people")
	person := s.Person(apptest.Technician)
	tamsin, odile := person.Member.String(), s.Person(apptest.ShopOwner).Member.String()
	row := ".person:has(#name-" + tamsin + ")"
	w.sees(row, "front camera: due 31 dec 2099")
	w.press("#change-" + tamsin)
	w.press("#member button")
	w.sees("#member-problem", "nothing was changed")
	w.fill("#member-languages", "english")
	w.press("#member button")
	w.sees("#member-problem", "languages[0]")
	w.fill("#member-languages", "en, de")
	w.press("label:has(#has-owner)")
	w.press("#member button")
	w.sees(row, "technician, owner")
	w.sees(row, "speaks en, de")
	w.choose("#proof-sensor", "front-radar")
	w.choose("#proof-expires", time.Now().UTC().AddDate(0, 0, 5).Format(time.DateOnly))
	w.fill("#proof-number", "INV-0042")
	w.press("#competence button")
	w.sees("#changing .session", "proof inv-0042")
	w.sees(row+" .bay", "front radar: due")
	w.readable("changing", 4.5)
	w.onPhone("changing")
	w.hold("#revoke-front-camera", `!document.querySelector("#revoke-front-camera")`)
	w.press("label:has(#has-owner)")
	w.press("#member button")
	w.until(`document.querySelector("` + row + `").querySelector("span").textContent === "technician"`)
	var view struct {
		State struct {
			Members map[string]json.RawMessage
		}
	}
	owner := s.As(apptest.ShopOwner)
	require.NoError(t, json.Unmarshal([]byte(owner.Get(owner.Register().Path()).Body), &view))
	var m struct {
		Roles, Languages []string
		Competences      []struct{ Sensor, Proof string }
	}
	require.NoError(t, json.Unmarshal(view.State.Members[tamsin], &m))
	require.Equal(t, []string{"technician"}, m.Roles)
	require.Equal(t, []string{"en", "de"}, m.Languages)
	require.Len(t, m.Competences, 1)
	require.Equal(t, "INV-0042", m.Competences[0].Proof)

	w.press("#change-" + odile)
	w.press("#leaving summary")
	w.hold("#retire-member", `document.querySelector("#member-problem").textContent.includes("last owner")`)
	w.readable("last-owner", 4.5)
	n := open(t, browser, "technician", s.URL, 1180, 820)
	n.signIn(apptest.Technician, "demo technician", "/bay")
	n.sees("#cars", "calibrations")
	w.press("#change-" + tamsin)
	w.press("#leaving summary")
	w.hold("#retire-member", `document.querySelector("`+row+`").textContent.includes("Left: cannot sign in")`)
	n.visit("/account")
	n.until(`location.pathname === "/sign-in"`)
}

// TestALinkIsMailedAndNotShown where the server sends mail: the owner reads where it went, and why it went nowhere.
func TestALinkIsMailedAndNotShown(t *testing.T) {
	t.Parallel()
	box := postbox.Listen(t, postbox.Options{})
	cfg := apptest.Config(pgtest.Database(t))
	cfg.SMTPURL, cfg.MailFrom, cfg.PublicURL = "smtp://"+box.Addr, "readback@bay.example", "https://bay.example"
	s := apptest.Serve(t, cfg)
	w := open(t, browser(t), "owner", s.URL, 1180, 820)
	w.signIn(apptest.ShopOwner, "demo shop owner", "/bay")
	w.visit("/people")
	w.fill("#new-name", "Nell Newcomer")
	w.press("label:has(#role-owner)")
	w.fill("#new-login", "nell")
	w.press("#new-person .primary")
	w.sees("#fault-new-login", "a mail address")
	w.press(".person [id^=invite-]")
	w.fill("#inviting input", "nell@north.example")
	w.press("#inviting .second")
	w.sees(".person", "a link was mailed to nell@north.example")
	require.Equal(t, "nell@north.example", (<-box.Letters).To)
	w.until(`!document.querySelector("#handed")`)
	w.readable("mailed", 4.5)
}
