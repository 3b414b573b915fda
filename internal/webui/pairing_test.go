package webui_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/testkit/apptest"
)

// TestTheQueue with its order and reasons at the desk, duty switched there, and the wait said in the bay at once.
func TestTheQueue(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	browser := browser(t)
	otto := s.As(apptest.DeskOwner)
	opens := strings.ToLower(time.Now().AddDate(0, 0, 3).Weekday().String()) // today in no time zone
	otto.Do(register(otto), "set-opening-hours", fmt.Sprintf(`{"zone":"Europe/Berlin","week":[{"day":%q,"open":[{"from":"08:00","to":"12:00"}]}]}`, opens))
	one, two := newScene(t, s), newScene(t, s)
	for _, c := range []*scene{one, two} {
		c.gates()
		c.sheet()
	}
	b := open(t, browser, "bay", s.URL, 1180, 820)
	b.signIn(apptest.Technician, "demo technician", "/bay")
	b.visit(one.bay())
	b.press("#ask-more")
	b.choose("#promised", "17:30")
	b.choose("#promised-day", "1")
	b.readable("ask", 7)
	b.onPhone("ask")
	b.press("#ask button[type=submit]")
	b.sees("#wait", "the desk is closed, and nobody is on duty who may take it")
	b.sees("#wait", "a desk opens next "+opens[:3])
	b.sees("#wait", "the car is promised for")
	b.sees("#wait", "first in the queue")
	b.sees("#wait", "when you asked: nobody who could take it")
	b.fits("nobody")
	b.readable("nobody", 7)
	b.onPhone("nobody")

	d := open(t, browser, "desk", s.URL, 1440, 900)
	d.signIn(apptest.Specialist, "demo specialist", "/desk")
	row := "#waits-" + one.cal.ID.String()
	d.sees(row, "demo workshop north")
	d.sees(row, "car promised for")
	d.sees(row, "nobody on duty may take it. you are off duty.")
	d.sees(row, "the bay was told: the desk is closed")
	d.sees("#duty", "off duty")
	d.press("#duty")
	d.sees("#duty", "on duty")
	d.sees(row, "offered to ines beispiel")
	d.readable("queue", 4.5)

	b.visit(two.bay())
	b.press("#request")
	b.sees("#wait", "likely")
	b.sees("#wait", "1 on duty, 1 before you")
	b.sees("#wait", "place 2 in the queue. likely up to")
	b.sees("#wait", "from now")
	b.fits("likely")
	b.onPhone("likely")
	b.press("#meanwhile")
	b.sees("#instruction", "place, then measure")
	b.press("#more") // it can be looked up while the target is placed
	b.sees("#wait", "place 2 in the queue")
	b.picture("more-waiting")

	d.sees("#waits-"+two.cal.ID.String(), "offered to ines beispiel")
	d.press("#decline-" + one.cal.ID.String())
	d.fill("#why-"+one.cal.ID.String(), "I do not have the method for this one.")
	d.picture("decline")
	d.keys("\r")
	d.sees(row, "declined")
	d.press("#claim-" + two.cal.ID.String())
	d.sees(".next-title", "adopt sheet 1")
	b.sees("#turn", "desk’s turn")

	// What was said of that wait is counted: the one before was declined and waits, the other was claimed within its range.
	d.visit("/desk")
	d.sees("#record", "said range held 1 of 1 waits, last 30 days")
	d.readable("record", 4.5)
	d.picture("record")
}

// TestNoAgreement: the bay says that nobody sees the request, and why, until the shop has an agreement.
func TestNoAgreement(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	owner := s.As(apptest.ShopOwner)
	desk := fmt.Sprintf(`{"desk":%q}`, s.Person(apptest.Specialist).Org)
	owner.Do(register(owner), "end-agreement", desk)
	c := newScene(t, s)
	c.gates()
	c.sheet()
	c.does(c.tech, "request", `{}`)
	b := open(t, browser(t), "bay", s.URL, 1180, 820)
	b.signIn(apptest.Technician, "demo technician", "/bay")
	b.visit(c.bay())
	b.sees("#wait", "no agreement with a desk")
	b.fits("no-agreement")
	b.readable("no-agreement", 7)
	b.onPhone("no-agreement")
	owner.Do(register(owner), "make-agreement", desk)
	b.visit(c.bay())
	b.sees("#wait", "nobody is on duty who may take it")
}

// TestHandOver on both sides: the card is read, said again wrongly and then rightly, and the work changes hands; and how
// long nothing was heard of the specialist.
func TestHandOver(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	otto := s.As(apptest.DeskOwner)
	otto.Do(register(otto), "change-member", fmt.Sprintf(`{"id":%q,"roles":["owner","specialist"]}`, otto.Access.Member))
	odile := s.As(apptest.ShopOwner)
	grant(otto, otto.Access.Member.String())
	grant(odile, odile.Access.Member.String())
	c := newScene(t, s)
	c.claimed()
	c.report(nil)
	c.does(c.tech, "lock", `{}`)
	c.does(c.tech, "freeze", `{}`)

	browser := browser(t)
	d := open(t, browser, "desk", s.URL, 1440, 900)
	d.signIn(apptest.Specialist, "demo specialist", "/desk")
	d.sees(".strip-turn", "bay’s turn")
	o := open(t, browser, "colleague", s.URL, 1440, 900)
	o.signIn(apptest.DeskOwner, "demo desk owner", "/desk")
	o.sees(".strip-turn", "with ines beispiel")
	d.keys("p")
	d.fill("#points", "The lamp at the left flickers.")
	c.does(c.tech, "note", `{"text":"Coffee?"}`) // what comes in takes nothing away that was typed
	d.sees("#log", "noted")
	d.readable("offer", 4.5)
	d.press("#offer-handover")
	o.sees(".strip-turn", "hand-over offered")
	o.sees(".next-title", "a hand-over waits")
	o.keys("\r")
	o.sees("#card", "the lamp at the left flickers")
	o.sees("#card", "must not be moved")
	o.sees("#card", "closing readings") // the next step
	o.readable("card", 4.5)
	o.press("#card-read")
	o.until(`!document.querySelector("#card")`)
	for _, said := range []string{"position-1", "stage-locked", "attempt-0", "frozen-true"} {
		o.press("#say-" + said)
	}
	o.picture("restate")
	o.press("#take-handover")
	o.sees("#notice", "stage")
	o.press("#say-stage-frozen")
	o.press("#take-handover")
	o.sees(".next-title", "adopt sheet 1")
	d.sees(".strip-turn", "with otto muster")

	// In the bay, from one tablet to another.
	b := open(t, browser, "bay", s.URL, 1180, 820)
	b.signIn(apptest.Technician, "demo technician", "/bay")
	b.visit(c.bay())
	b.press("#more")
	b.press("#part-handover")
	b.fill("#points", "Keys are in the office.")
	b.readable("handover", 7)
	b.press("#offer-handover")
	b.sees("#card", "keys are in the office")
	p := open(t, browser, "second-bay", s.URL, 1180, 820)
	p.signIn(apptest.ShopOwner, "demo shop owner", "/bay")
	p.visit(c.bay())
	p.sees("#card", "keys are in the office")
	p.readable("take", 7)
	p.onPhone("take")
	p.press("#card-read")
	for _, said := range []string{"position-1", "stage-frozen", "attempt-0", "frozen-true"} {
		p.press("#say-" + said)
	}
	p.readable("say", 7)
	p.onPhone("say")
	p.press("#take-handover")
	p.until(`!document.querySelector(".handover")`)
	var state struct {
		Technician struct{ Member string }
		Claim      struct{ Member string }
	}
	c.state(&state)
	require.Equal(t, s.Person(apptest.ShopOwner).Member.String(), state.Technician.Member)
	require.Equal(t, otto.Access.Member.String(), state.Claim.Member)

	o.visit("/sign-in")
	p.sees("#gone", "specialist not heard of for 0:0")
	p.fits("gone")
	o.visit("/desk")
	p.until(`document.querySelector("#gone").textContent === ""`)

	// Unplanned: whoever has it went off duty.
	for _, typ := range []string{"go-on-duty", "go-off-duty"} {
		otto.Do(register(otto), typ, fmt.Sprintf(`{"member":%q}`, otto.Access.Member))
	}
	d.sees(".next-title", "with a colleague")
	d.keys("t")
	d.fill("#reason", "Otto went home and did not hand over.")
	d.readable("take-over", 4.5)
	d.press("#send-form")
	d.sees(".next-title", "adopt sheet 1")
	o.sees(".strip-turn", "with ines beispiel")
}
