package app_test

import (
	"encoding/json"
	"fmt"
	"log/slog"
	"net/http"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/app"
	"readback/internal/stream"
	"readback/internal/testkit/apptest"
	"readback/internal/testkit/pgtest"
	"readback/internal/token"
)

// pair is two nodes on one database, and who races on them.
type pair struct {
	t     *testing.T
	nodes [2]*apptest.Server
	tech  *apptest.Client // at the first
	desk  [2]*apptest.Client
}

// twoNodes serves one database twice. At either node there is the desk's specialist.
func twoNodes(t *testing.T) *pair {
	t.Helper()
	cfg := apptest.Config(pgtest.Database(t))
	p := &pair{t: t, nodes: [2]*apptest.Server{apptest.Serve(t, cfg), apptest.Serve(t, cfg)}}
	p.tech = p.nodes[0].As(apptest.Technician)
	for i, node := range p.nodes {
		p.desk[i] = node.As(apptest.Specialist)
	}
	return p
}

// verified stops the nodes and has everything in the database decided again.
func (p *pair) verified() {
	p.t.Helper()
	for _, node := range p.nodes {
		require.NoError(p.t, node.Stop())
	}
	report, err := app.VerifyDatabase(p.t.Context(), p.nodes[0].Config, slog.New(slog.DiscardHandler))
	require.NoError(p.t, err)
	require.NoError(p.t, report.Err(), report.String())
}

// at is the same person at the other node.
func (p *pair) at(node int, c *apptest.Client) *apptest.Client {
	return p.nodes[node].Member(token.Access{Org: c.Access.Org, Member: c.Access.Member})
}

// shot is one command of a race.
type shot struct {
	by        *apptest.Client
	on        *apptest.Stream
	typ, data string
}

func (s shot) fire() apptest.Answer {
	return s.by.Post(s.on.Path()+"/commands", apptest.Body(stream.NewID(), s.on.Seq, s.typ, s.data))
}

// race fires two commands at once, and gives the answers in the order of the commands. first sets out a moment earlier.
func race(first int, shots [2]shot) (answers [2]apptest.Answer) {
	var all sync.WaitGroup
	for n := range 2 {
		i := (first + n) % 2
		all.Go(func() { answers[i] = shots[i].fire() })
	}
	all.Wait()
	return answers
}

// won says which of two commands was accepted, and holds the other to the refusals that there may be.
func (p *pair) won(answers [2]apptest.Answer, refusals ...string) int {
	p.t.Helper()
	winner := 0
	if answers[1].Status == http.StatusOK {
		winner = 1
	}
	accepted, refused := answers[winner], answers[1-winner]
	require.Equal(p.t, http.StatusOK, accepted.Status, "one of the two: %s / %s", answers[0].Body, answers[1].Body)
	require.NotEqual(p.t, http.StatusOK, refused.Status, "only one of the two: %s / %s", answers[0].Body, answers[1].Body)
	require.Contains(p.t, refusals, apptest.Read[struct{ Type string }](p.tech, refused).Type, refused.Body)
	return winner
}

// view is a calibration as these tests read it.
type view struct {
	Seq   uint64
	State struct {
		Phase string
		Gates []struct{ Gate string }
		Claim struct{ Member stream.ID }
		Place struct{ Stage string }
		Words []struct{ Role string }
	}
}

func look(c *apptest.Client, cal *apptest.Stream) view {
	return apptest.Read[view](c, c.Get(cal.Path()))
}

// TestTwoClaim: two specialists take one request at the same moment, each at a node of their own, a thousand times. One of
// them has it, the other is told that it waits no more, and that is all there is in the trail.
func TestTwoClaim(t *testing.T) {
	t.Parallel()
	p := twoNodes(t)
	// Two specialists for each lane: the thousand claims and their returns of one would be more than a member may ask at once.
	rivals := [2][2]*apptest.Client{{p.desk[0], p.at(1, colleague(p.nodes[0]))}, {colleague(p.nodes[0]), p.at(1, colleague(p.nodes[0]))}}
	const requests, times = 8, 125
	var wins [requests][2]int
	cals := make([]*apptest.Stream, requests)
	for i := range cals {
		cals[i] = p.tech.OpenCalibration(p.tech.OpenJob())
		p.tech.Request(cals[i])
	}
	var all sync.WaitGroup
	for lane := range 2 { // two races at a time: more would only wait for one another
		all.Go(func() {
			for i := lane; i < requests; i += 2 {
				cal, desk := cals[i], rivals[lane]
				for n := range times {
					winner := p.won(race(n%2, [2]shot{{desk[0], cal, "claim", `{}`}, {desk[1], cal, "claim", `{}`}}), "/problems/wrong-phase")
					wins[i][winner]++
					cal.Seq++
					// Back by the node that lost, half of the times: that one then knows first that it waits again.
					p.at(n/2%2, desk[winner]).Do(cal, "return", `{"reason":"Taken again."}`)
				}
			}
		})
	}
	all.Wait()
	var sum [2]int
	sql := p.nodes[0].SQL()
	for i, cal := range cals {
		var claimed, returned int
		require.NoError(t, sql.QueryRow(t.Context(), `
			select count(*) filter (where type = 'claimed'), count(*) filter (where type = 'returned') from readback.entry where stream = $1`,
			cal.ID.String()).Scan(&claimed, &returned))
		require.Equal(t, times, claimed)
		require.Equal(t, times, returned)
		sum[0], sum[1] = sum[0]+wins[i][0], sum[1]+wins[i][1]
	}
	require.Equal(t, requests*times, sum[0]+sum[1])
	require.NotZero(t, sum[0], "else it was no race")
	require.NotZero(t, sum[1], "else it was no race")
	t.Logf("of %d claims %d were won at the first node, %d at the second", requests*times, sum[0], sum[1])
	p.verified()
}

// words brings a calibration of the front camera to where only the two words are missing.
func (p *pair) words() *apptest.Stream {
	p.t.Helper()
	spec := p.desk[0]
	job := p.tech.OpenJob()
	p.tech.Do(job, "record-scan", `{"when":"before","source":"typed","codes":[]}`)
	cal := p.tech.OpenCalibration(job)
	p.tech.Do(cal, "issue-sheet", placing)
	for _, g := range look(p.tech, cal).State.Gates {
		value := ""
		if g.Gate == "temperature-noted" {
			value = `,"value":{"amount":18500,"unit":"mC"}`
		}
		p.tech.Do(cal, "record-gate", fmt.Sprintf(`{"gate":%q,"met":true,"evidence":"declared"%s}`, g.Gate, value))
	}
	p.tech.Do(cal, "request", `{}`)
	spec.Do(cal, "claim", `{}`)
	spec.Do(cal, "adopt-sheet", `{"sheet":1}`)
	spec.Do(cal, "instruct", `{"step":"fit-target"}`)
	p.tech.Do(cal, "read-back", `{"step":1,"target":"T-CAM-07"}`)
	spec.Do(cal, "confirm", `{"step":1}`)
	p.tech.Do(cal, "done", `{"step":1}`)
	p.tech.Do(cal, "report-readings", `{"moved":true,"readings":`+measured+`}`)
	p.freeze(cal)
	return cal
}

// measured is the board where it should be.
const measured = `[{"quantity":"datum-distance","instrument":"01940000-0000-7000-8000-0000000000c1","value_um":2000000},
	{"quantity":"centre-offset","instrument":"01940000-0000-7000-8000-0000000000c4","value_um":900,"plumbed":true}]`

// freeze goes on from readings within limits to where only the two words are missing.
func (p *pair) freeze(cal *apptest.Stream) {
	p.t.Helper()
	p.tech.Do(cal, "lock", `{}`)
	p.tech.Do(cal, "freeze", `{}`)
	p.closes(cal)
}

func (p *pair) closes(cal *apptest.Stream) {
	p.t.Helper()
	p.tech.Do(cal, "report-closing", `{"readings":`+measured+`}`)
}

// ends ends the leg so that the same position can be run again in the same attempt.
func (p *pair) ends(by *apptest.Client, cal *apptest.Stream) {
	p.t.Helper()
	by.Do(cal, "end-leg", `{"outcome":"not-completed","routine_holds":true}`)
	p.freeze(cal)
}

// TestTwoLegs: one specialist says go for two vehicles at the same moment, at two nodes, a hundred times. One leg starts; the
// other is refused, and starts as soon as the first has ended.
func TestTwoLegs(t *testing.T) {
	t.Parallel()
	p := twoNodes(t)
	cals := [2]*apptest.Stream{p.words(), p.words()}
	sql := p.nodes[0].SQL()
	running := func() (n int) {
		require.NoError(t, sql.QueryRow(t.Context(), `select count(*) from readback.running`).Scan(&n))
		return n
	}
	var wins [2]int
	for n := range 100 {
		for _, cal := range cals {
			require.Equal(t, "word-given", p.tech.Do(cal, "bay-clear", `{}`).Type)
		}
		winner := p.won(race(n%2, [2]shot{{p.desk[0], cals[0], "go", `{}`}, {p.desk[1], cals[1], "go", `{}`}}), "/problems/busy-elsewhere")
		wins[winner]++
		cals[winner].Seq++
		require.Equal(t, 1, running())
		require.Equal(t, "running", look(p.tech, cals[winner]).State.Phase)
		other := look(p.tech, cals[1-winner])
		require.Equal(t, cals[1-winner].Seq, other.Seq, "a refusal leaves nothing")
		p.ends(p.desk[winner], cals[winner])
		require.Equal(t, "leg-started", p.desk[1-winner].Do(cals[1-winner], "go", `{}`).Type, "the word still waited")
		p.ends(p.desk[1-winner], cals[1-winner])
		require.Zero(t, running())
	}
	t.Logf("of 100 %d started at the first node, %d at the second", wins[0], wins[1])
	p.verified()
}

// TestHandoverWhileALegStarts: the second word and the taking of a hand-over come at the same moment, at two nodes, on either
// side. Either the leg runs, in the hands that gave the word, or the work has changed hands and no leg runs.
func TestHandoverWhileALegStarts(t *testing.T) {
	t.Parallel()
	for _, side := range []string{"specialist", "technician"} {
		t.Run(side, func(t *testing.T) {
			t.Parallel()
			p := twoNodes(t)
			cal := p.words()
			specialists := [2]*apptest.Client{p.desk[0], p.at(1, colleague(p.nodes[0]))}
			technicians := [2]*apptest.Client{p.tech, p.at(1, relief(p.nodes[0]))}
			guides, holds := 0, 0 // whose hands it is in, on either side
			attempt := 0
			var legs, handed int
			for n := range 24 {
				guide, hand := specialists[guides], technicians[holds]
				leaves, comes, second, firstWord := guide, specialists[1-guides], "go", shot{hand, cal, "bay-clear", `{}`}
				if side == "technician" {
					leaves, comes, second, firstWord = hand, technicians[1-holds], "bay-clear", shot{guide, cal, "go", `{}`}
				}
				leaves.Do(cal, "offer-handover", `{}`)
				firstWord.by.Do(cal, firstWord.typ, firstWord.data)
				shots := [2]shot{
					{leaves, cal, second, `{}`},
					{comes, cal, "take-handover", fmt.Sprintf(`{"position":"middle","stage":"held","attempt":%d,"frozen":true}`, attempt)},
				}
				var answers [2]apptest.Answer
				if n < 2 { // each order once for certain
					answers[n] = shots[n].fire()
					answers[1-n] = shots[1-n].fire()
				} else {
					answers = race(n%2, shots)
				}
				winner := p.won(answers, "/problems/stale", "/problems/wrong-phase", "/problems/not-claimed")
				if n < 2 {
					require.Equal(t, n, winner)
				}
				cal.Seq++
				got := look(p.tech, cal)
				require.Equal(t, cal.Seq, got.Seq)
				if winner == 0 {
					legs, attempt = legs+1, 1
					require.Equal(t, "running", got.State.Phase)
					require.Equal(t, guide.Access.Member, got.State.Claim.Member)
					p.ends(guide, cal)
					continue
				}
				handed++
				require.Equal(t, "guided", got.State.Phase)
				require.Equal(t, "frozen", got.State.Place.Stage, "what is frozen is checked again")
				require.Empty(t, got.State.Words)
				if side == "technician" {
					holds = 1 - holds
					require.Equal(t, guide.Access.Member, got.State.Claim.Member)
				} else {
					guides = 1 - guides
					require.Equal(t, comes.Access.Member, got.State.Claim.Member)
					comes.Do(cal, "adopt-sheet", `{"sheet":1}`)
				}
				p.closes(cal)
			}
			t.Logf("%d legs, %d hand-overs", legs, handed)
			p.verified()
		})
	}
}

// relief adds a technician to the shop, with a proof for the front camera.
func relief(s *apptest.Server) *apptest.Client {
	owner := s.As(apptest.ShopOwner)
	shop := &apptest.Stream{Ref: stream.Ref{Kind: stream.Register, ID: owner.Access.Org}}
	shop.Seq = apptest.Read[struct{ Seq uint64 }](owner, owner.Get(shop.Path())).Seq
	id := stream.NewID()
	owner.Do(shop, "add-member", fmt.Sprintf(`{"id":%q,"name":"Invented Relief","roles":["technician"]}`, id))
	owner.Do(shop, "grant-competence", fmt.Sprintf(`{"member":%q,"sensor":"front-camera","expires":"2099-12-31","proof":"INV-0004"}`, id))
	return s.Member(token.Access{Org: owner.Access.Org, Member: id})
}

// TestOneLapse: a dozen claims run out at once, before the keepers of two nodes. Each lapses once; and once more only after it
// was claimed once more.
func TestOneLapse(t *testing.T) {
	t.Parallel()
	cfg := apptest.Config(pgtest.Database(t))
	cfg.LeaseLasts = shortLease
	nodes := [2]*apptest.Server{apptest.Serve(t, cfg), apptest.Serve(t, cfg)}
	p := &pair{t: t, nodes: nodes, tech: nodes[0].As(apptest.Technician)}
	gone := colleague(nodes[0])
	var cals [12]*apptest.Stream
	bay := connect(t, nodes[1], p.tech.Token, nil)
	bay.want("welcome")
	for i := range cals {
		cals[i] = p.tech.OpenCalibration(p.tech.OpenJob())
		p.tech.Request(cals[i])
		bay.follow(cals[i].Ref, cals[i].Seq)
	}
	lapses := func(n int) {
		for n > 0 {
			var body struct{ Type string }
			require.NoError(t, json.Unmarshal(bay.want("entry").Body, &body))
			if body.Type == "lapsed" {
				n--
			}
		}
	}
	for _, cal := range cals {
		gone.Do(cal, "claim", `{}`)
	}
	lapses(len(cals))
	cals[0].Seq++
	gone.Do(cals[0], "claim", `{}`)
	lapses(1) // many intervals of both keepers later

	sql := nodes[0].SQL()
	for i, cal := range cals {
		var claimed, lapsed int
		require.NoError(t, sql.QueryRow(t.Context(), `
			select count(*) filter (where type = 'claimed'), count(*) filter (where type = 'lapsed') from readback.entry where stream = $1`,
			cal.ID.String()).Scan(&claimed, &lapsed))
		want := 1
		if i == 0 {
			want = 2
		}
		require.Equal(t, want, claimed)
		require.Equal(t, want, lapsed)
	}
	p.verified()
}
