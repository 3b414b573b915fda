package app_test

import (
	"fmt"
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/stream"
	"readback/internal/testkit/apptest"
)

// Of the world's shop: its bay, and the laser and the tape of readingAt and offset.
const (
	theBay   = "01940000-0000-7000-8000-0000000000b1"
	theLaser = "01940000-0000-7000-8000-0000000000c1"
	theTape  = "01940000-0000-7000-8000-0000000000c4"
)

// shown is the answer to a gateway.
type shown struct {
	Calibration stream.ID
	Seq         uint64
}

// gauge has a gateway show readings.
func gauge(who *apptest.Client, n int, readings string) apptest.Answer {
	return who.Post("/v1/readings", fmt.Sprintf(`{"n":%d,"readings":%s}`, n, readings))
}

// lands wants readings taken by that calibration.
func lands(t *testing.T, who *apptest.Client, cal *apptest.Stream) {
	t.Helper()
	got := gauge(who, 1, readingAt(12_000))
	require.Equal(t, http.StatusOK, got.Status, got.Body)
	require.Equal(t, shown{cal.ID, cal.Seq}, apptest.Read[shown](who, got))
	require.NotContains(t, got.Body, "verdict", "where, and nothing of what they come to")
}

// retireDevice takes a device out of use.
func retireDevice(owner *apptest.Client, id stream.ID) {
	register := &apptest.Stream{Ref: stream.Ref{Kind: stream.Register, ID: owner.Access.Org}}
	register.Seq = apptest.Read[struct{ Seq uint64 }](owner, owner.Get(register.Path())).Seq
	owner.Do(register, "retire", fmt.Sprintf(`{"kind":"interface","id":%q}`, id))
}

// TestGatewayOnTwoNodes: a gateway shows what the laser reads on one node, and the specialist sees the verdict on the other.
// Nothing of it is stored until the technician captures it. A token that is replaced, or whose gateway is retired, on one node
// is refused by the other at the very next request.
func TestGatewayOnTwoNodes(t *testing.T) {
	t.Parallel()
	p := twoNodes(t)
	owner := p.nodes[0].As(apptest.ShopOwner)
	cal := placed(p.tech, p.desk[0])
	there := func(c *apptest.Client) *apptest.Client {
		return p.nodes[1].Nobody().With("Authorization", "Bearer "+c.Token)
	}
	made, id := p.nodes[0].Gateway(owner, "Gauges", theBay, theLaser)
	first := there(made)

	desk := connect(t, p.nodes[0], p.desk[0].Token, nil)
	desk.want("welcome")
	desk.follow(cal.Ref, cal.Seq)
	desk.hear(func(m shownLive) bool { return m.Say == "caught-up" })
	stored := p.nodes[0].Stored()
	lands(t, first, cal)
	seen := desk.live(1)
	require.Equal(t, "adjust", seen.Verdict.Verdict)
	require.EqualValues(t, 12_000, seen.Verdict.Moves[0].ByUM, "by hand: whoever stands 12 mm too far goes back by them")
	require.Equal(t, stored, p.nodes[0].Stored(), "nothing is stored")
	got := first.Post(cal.Path()+"/commands", apptest.Body(stream.NewID(), cal.Seq, "report-readings", `{"moved":false,"readings":`+readingAt(12_000)+`}`))
	require.Equal(t, http.StatusUnauthorized, got.Status, "it captures nothing")
	p.tech.Do(cal, "report-readings", `{"moved":false,"captured":1,"readings":`+readingAt(12_000)+`}`)

	second := there(p.nodes[0].Token(owner, id))
	require.Equal(t, http.StatusUnauthorized, gauge(first, 2, readingAt(0)).Status, "a new one voids it")
	lands(t, second, cal)
	retireDevice(owner, id)
	require.Equal(t, http.StatusUnauthorized, gauge(second, 3, readingAt(0)).Status, "out of use")
	p.verified()
}

// TestWhereReadingsGo: to the one calibration that is being placed in the gateway's bay, and nowhere by guess.
func TestWhereReadingsGo(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech, spec, owner := s.As(apptest.Technician), s.As(apptest.Specialist), s.As(apptest.ShopOwner)
	gateway, _ := s.Gateway(owner, "Gauges", theBay, theLaser)
	nowhere := func(says string) {
		t.Helper()
		got := gauge(gateway, 1, readingAt(0))
		require.Equal(t, http.StatusConflict, got.Status, got.Body)
		require.Contains(t, got.Body, "one-placed-in-bay")
		require.Contains(t, got.Body, says)
	}
	open := func(job *apptest.Stream) *apptest.Stream { return tech.OpenCalibration(job) }

	first := tech.OpenJob()
	one := open(first)
	nowhere("Nothing is being placed") // no sheet yet
	tech.Do(one, "issue-sheet", placing)
	lands(t, gateway, one)
	other := open(tech.OpenJob())
	tech.Do(other, "issue-sheet", placing)
	nowhere("Several")
	tech.Request(other)
	nowhere("Several")
	spec.Do(other, "claim", `{}`)
	lands(t, gateway, other) // the one in hand
	tech.Do(first, "withdraw-job", `{"cause":"wrong-car","reason":"Another car stands there."}`)
	spec.Do(other, "return", `{"reason":"The shift ends."}`)
	lands(t, gateway, other) // the only one whose job goes on

	// What the register says of it holds: its instruments, its bay, its shop.
	got := gauge(gateway, 1, strings.Replace(readingAt(0), theLaser, theTape, 1))
	require.Equal(t, http.StatusUnprocessableEntity, got.Status, got.Body)
	require.Contains(t, got.Body, `"readings[0].instrument"`)
	next := stream.NewID().String()
	register := &apptest.Stream{Ref: stream.Ref{Kind: stream.Register, ID: owner.Access.Org}}
	register.Seq = apptest.Read[struct{ Seq uint64 }](owner, owner.Get(register.Path())).Seq
	owner.Do(register, "add-bay", fmt.Sprintf(`{"id":%q,"name":"Bay next door"}`, next))
	elsewhere, _ := s.Gateway(owner, "Gauges next door", next, theLaser)
	require.Equal(t, http.StatusConflict, gauge(elsewhere, 1, readingAt(0)).Status)
	south, _ := s.Gateway(s.As(apptest.OtherOwner), "Gauges", "01940000-0000-7000-8000-0000000001b1", "01940000-0000-7000-8000-0000000001c1")
	require.Equal(t, http.StatusConflict, gauge(south, 1, readingAt(0)).Status)

	// What a technician may not report is not shown.
	tech.Do(other, "report-readings", offset)
	lands(t, gateway, other)
	tech.Do(other, "report-readings", `{"moved":false,"readings":`+readingAt(0)+`}`)
	tech.Do(other, "lock", `{}`)
	tech.Do(other, "freeze", `{}`)
	nowhere("Nothing is being placed")
}
