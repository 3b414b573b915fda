package tenancy

import (
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/gorilla/websocket"
	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/testkit/apptest"
)

// cells is the number that the package comment says: no fewer are walked.
const cells = 4200

// TestMatrix walks everything. First all who are refused, beside each other, and the database is as it was; then those who may.
func TestMatrix(t *testing.T) {
	t.Parallel()
	w := settle(t)
	var walked atomic.Int64
	before := w.Stored()
	t.Run("refused", func(t *testing.T) {
		beside(t, &walked, w, "commands", walkRefusedCommands)
		beside(t, &walked, w, "routes", walkRoutes)
		beside(t, &walked, w, "sessions of a member", walkSessionsOf)
		beside(t, &walked, w, "entries beneath", walkBeneath)
		for _, m := range messages {
			if m.walk != nil {
				beside(t, &walked, w, m.is, m.walk)
			}
		}
	})
	require.Equal(t, before, w.Stored(), "somebody who was refused changed something")
	t.Run("allowed", func(t *testing.T) { walked.Add(int64(walkAllowedCommands(t, w) + walkAnnounced(t, w))) })
	t.Logf("%d cells walked", walked.Load())
	if !t.Failed() {
		require.GreaterOrEqual(t, walked.Load(), int64(cells))
	}
}

func beside(t *testing.T, walked *atomic.Int64, w *town, name string, walk func(*testing.T, *town) int) {
	t.Run(name, func(t *testing.T) {
		t.Parallel()
		walked.Add(int64(walk(t, w)))
	})
}

var (
	noAccess = []fault.Slug{fault.SignInNeeded, fault.NotHere, fault.NotYourRole, fault.NotClaimed}
	kinds    = []stream.Kind{stream.Register, stream.Job, stream.Calibration}
)

// walkRefusedCommands gives every command in every cell in which it is refused for who the asker is, over HTTP and over a
// websocket.
func walkRefusedCommands(t *testing.T, w *town) (n int) {
	missing := map[stream.Kind]*apptest.Stream{}
	for _, kind := range kinds {
		missing[kind] = apptest.NewStream(kind)
	}
	for _, s := range w.sides() {
		for _, p := range s.people() {
			socket := connect(t, w, p.client)
			given := 0
			for _, kind := range kinds {
				there := s.there(kind)
				if there == nil {
					continue
				}
				for _, c := range commands[kind] {
					cell := fmt.Sprintf("%s: %s of a %s", p.name, c.is, kind)
					none := missing[kind]
					body := apptest.Body(stream.NewID(), there.Seq, c.is, c.as(t, kind, p.client, s.visit))
					if c.opening() {
						body = apptest.Body(stream.NewID(), 0, c.is, c.as(t, kind, p.client, s.visit))
					}
					if given += 2; given > 90 { // within the rate of one connection
						socket.conn.Close()
						socket, given = connect(t, w, p.client), 2
					}
					switch {
					case c.who.may(s.relation, p.role):
						continue
					case c.opening() && c.who.may(opens, p.role):
						// It would make a stream that is missing. Where one is already it makes nothing.
						want := []string{string(fault.NotHere)}
						if s.relation == stream.Own {
							want = []string{string(fault.AlreadyThere), string(fault.WrongPhase)}
						} else if sees[kind].may(s.relation, p.role) {
							want = []string{string(fault.NotYourRole)}
						}
						got := asJSON(p.client).Ask("POST", there.Path()+"/commands", body)
						require.Contains(t, want, slug(got.Body), "%s: %s", cell, got.Body)
						require.Contains(t, want, slugOf(t, socket.commands(there.Ref, body)[0]), cell)
					case c.opening(), !sees[kind].may(s.relation, p.role):
						got := asJSON(p.client).Ask("POST", there.Path()+"/commands", body)
						same(t, asJSON(p.client).Ask("POST", none.Path()+"/commands", body), got, cell)
						require.GreaterOrEqual(t, got.Status, 400, "%s: %s", cell, got.Body)
						require.Equal(t, nameless(socket.commands(none.Ref, body), none.ID), nameless(socket.commands(there.Ref, body), there.ID), cell)
					default:
						got := asJSON(p.client).Ask("POST", there.Path()+"/commands", body)
						require.Equal(t, http.StatusForbidden, got.Status, "%s: %s", cell, got.Body)
						heard := socket.commands(there.Ref, body)
						require.Contains(t, heard[0], `"status":403`, cell)
					}
					n += 2
				}
			}
			socket.conn.Close()
		}
	}
	for _, p := range w.strangers() {
		s := w.sides()[0]
		for _, kind := range kinds {
			there := s.there(kind)
			for _, c := range commands[kind] {
				body := apptest.Body(stream.NewID(), there.Seq, c.is, c.as(t, kind, p.client, s.visit))
				got := asJSON(p.client).Ask("POST", there.Path()+"/commands", body)
				same(t, asJSON(p.client).Ask("POST", missing[kind].Path()+"/commands", body), got, p.name+" "+c.is)
				require.Equal(t, string(fault.SignInNeeded), slug(got.Body), "%s: %s", p.name, got.Body)
				n++
			}
		}
	}
	return n
}

// walkAllowedCommands gives every command in every cell in which the asker may, over HTTP and once more over a websocket: it
// is not refused for who they are. What was accepted leaves a stream used up.
func walkAllowedCommands(t *testing.T, w *town) (n int) {
	fresh := map[stream.Relation]func() *visit{stream.Own: w.claim, stream.Agreed: w.request, stream.Claimed: w.claim}
	for _, s := range w.sides() {
		if s.relation == stream.Own {
			s.register, s.org = w.south, w.south // a register that no other cell depends on
		}
		for _, kind := range kinds {
			org := s.org
			if kind != stream.Register && s.relation == stream.Own {
				org = w.north
			}
			for _, c := range commands[kind] {
				for _, role := range roles {
					made := c.opening() && s.relation == stream.Own && c.who.may(opens, role)
					if !made && !c.who.may(s.relation, role) {
						continue
					}
					client := org.people[role]
					cell := fmt.Sprintf("%s %s: %s of a %s", s.name, role, c.is, kind)
					there := s.there(kind)
					base := there.Seq
					if made {
						there, base = apptest.NewStream(kind), 0
					}
					body := apptest.Body(stream.NewID(), base, c.is, c.as(t, kind, client, s.visit))
					got := asJSON(client).Ask("POST", there.Path()+"/commands", body)
					require.False(t, unwelcome(got.Body), "%s: %s", cell, got.Body)
					heard := problemOf(t, connectOnce(t, w, client, there.Ref, body))
					require.False(t, unwelcome(heard), "%s: %s", cell, heard)
					n += 2
					switch {
					case made || got.Status != http.StatusOK:
					case kind == stream.Register:
						there.Seq++
					default:
						s.visit = fresh[s.relation]()
					}
				}
			}
		}
	}
	return n
}

// walkAnnounced: a car that south's interface announces, north has a job of, and it is in a job of south's.
func walkAnnounced(t *testing.T, w *town) (n int) {
	for _, o := range []*org{w.south, w.north, w.desk, w.second} {
		body := fmt.Sprintf(`{"id":%q,"vin":"ZZZDEM0A4CR000017"}`, stream.NewID())
		got := asJSON(w.device.client).Ask("POST", "/v1/announcements", body)
		require.Equal(t, http.StatusOK, got.Status, got.Body)
		job := apptest.Read[struct{ Job stream.ID }](w.device.client, got).Job
		for role, p := range o.people {
			seen := p.Get("/v1/jobs/" + job.String())
			require.Equal(t, o == w.south, seen.Status == http.StatusOK, "%s: %s", role, seen.Body)
			n++
		}
	}
	return n
}

func connectOnce(t *testing.T, w *town, who *apptest.Client, ref stream.Ref, body string) string {
	t.Helper()
	s := connect(t, w, who)
	defer s.conn.Close()
	return s.commands(ref, body)[0]
}

// problemOf is the problem of a refused message, or "".
func problemOf(t *testing.T, frame string) string {
	t.Helper()
	var m struct{ Problem json.RawMessage }
	require.NoError(t, json.Unmarshal([]byte(frame), &m))
	return string(m.Problem)
}

// slugOf is the slug of a refused message.
func slugOf(t *testing.T, frame string) string {
	t.Helper()
	return slug(problemOf(t, frame))
}

// unwelcome reports whether a problem refuses somebody for who they are. One that names a field speaks of what they sent.
func unwelcome(problem string) bool {
	var p struct{ Errors []any }
	return json.Unmarshal([]byte(problem), &p) == nil && len(p.Errors) == 0 && slices.Contains(noAccess, fault.Slug(slug(problem)))
}

// walkRoutes asks for every route in every cell but those of commands.
func walkRoutes(t *testing.T, w *town) (n int) {
	for _, r := range routes {
		method, path, _ := strings.Cut(r.is, " ")
		switch r.reach {
		case seeing, takingOut:
			n += walkStreams(t, w, r, method, path)
		case listing:
			n += walkLists(t, w)
		case things:
			n += walkThings(t, w, r, method, path)
		case procedures:
			n += walkProcedures(t, w, path)
		case queueing:
			n += walkQueue(t, w, path)
		case announcing:
			n += walkDevices(t, w, method, path, w.device)
		case showing:
			n += walkDevices(t, w, method, path, w.gateway)
		case anyone, members, owners:
			if r.path != "" {
				path = r.path
			}
			n += walkPeople(t, w, r, method, path)
		case commanding, connecting:
		default:
			t.Errorf("%s is for nobody that this test knows: %q", r.is, r.reach)
		}
	}
	return n
}

func walkStreams(t *testing.T, w *town, r route, method, path string) (n int) {
	may := sees
	if r.reach == takingOut {
		may = takesOut
	}
	narrow := r.who != ""
	if narrow {
		may = map[stream.Kind]who{stream.Calibration: r.who, stream.Job: r.who, stream.Register: r.who}
	}
	for _, kind := range kinds {
		if !strings.Contains(path, "{kinds}") && !strings.Contains(path, string(kind)+"s") {
			continue
		}
		none := apptest.NewStream(kind)
		at := func(s *apptest.Stream) string {
			return strings.NewReplacer("{kinds}", string(kind)+"s", "{id}", s.ID.String(), "{photo}", w.photo(s)).Replace(path)
		}
		for _, s := range w.sides() {
			there := s.there(kind)
			if there == nil {
				continue
			}
			for _, p := range s.people() {
				cell := fmt.Sprintf("%s: %s %s", p.name, method, at(there))
				got := p.client.Ask(method, at(there), "")
				switch {
				case may[kind].may(s.relation, p.role) && narrow && !strings.Contains(path, "{photo}"): // the stream's state may still be in the way
					require.False(t, unwelcome(got.Body), "%s: %s", cell, got.Body)
				case may[kind].may(s.relation, p.role):
					require.Equal(t, http.StatusOK, got.Status, "%s: %s", cell, got.Body)
				case sees[kind].may(s.relation, p.role):
					require.Equal(t, string(fault.NotYourRole), slug(got.Body), "%s: %s", cell, got.Body)
				default:
					same(t, p.client.Ask(method, at(none), ""), got, cell)
					require.Equal(t, string(fault.NotHere), slug(got.Body), cell)
				}
				n++
			}
		}
		for _, p := range w.strangers() {
			got := p.client.Ask(method, at(w.sides()[0].there(kind)), "")
			same(t, p.client.Ask(method, at(none), ""), got, p.name+" "+path)
			require.Equal(t, string(fault.SignInNeeded), slug(got.Body), "%s: %s", p.name, got.Body)
			n++
		}
	}
	return n
}

// walkLists: a list has what is the asker's to list and nothing else, also where the place to go on from is not theirs.
func walkLists(t *testing.T, w *town) (n int) {
	orgs := map[string]*org{"north": w.north, "south": w.south, "desk": w.desk, "second desk": w.second}
	for _, kind := range kinds {
		path := fmt.Sprintf("/v1/%ss", kind)
		for name, o := range orgs {
			for _, role := range roles {
				var want []string
				if kind == stream.Register {
					want = append(want, o.id.String())
				} else {
					for _, v := range []*visit{w.preparing, w.waiting, w.claimed, w.ended} {
						if o == w.north || o == w.desk && v == w.claimed && lists[kind].may(stream.Claimed, role) {
							want = append(want, v.of(kind).ID.String())
						}
					}
				}
				cell := fmt.Sprintf("%s %s: GET %s", name, role, path)
				require.ElementsMatch(t, want, streamsIn(t, o.people[role].Get(path), string(kind)+"s"), cell)
				n++
				if kind == stream.Calibration { // a search finds what the list has, and no more
					for _, query := range []string{"?plate=DEMO1", "?vin=000017", "?since=2020-01-01T00:00:00Z"} {
						require.ElementsMatch(t, want, streamsIn(t, o.people[role].Get(path+query), string(kind)+"s"), cell+query)
						n++
					}
				}
				if o == w.south {
					last := "ffffffff-ffff-7fff-bfff-ffffffffffff"
					same(t, o.people[role].Get(path+"?before="+last), o.people[role].Get(path), cell)
				}
				if o == w.second {
					theirs := w.ended.of(kind).ID
					none := theirs
					none[15]++
					same(t, o.people[role].Get(path+"?before="+none.String()), o.people[role].Get(path+"?before="+theirs.String()), cell)
				}
			}
		}
		for _, p := range w.strangers() {
			require.Equal(t, string(fault.SignInNeeded), slug(p.client.Get(path).Body), p.name)
			n++
		}
	}
	return n
}

// walkQueue: what waits, and how long it took, is shown to those who may claim it and to their owner.
func walkQueue(t *testing.T, w *town, path string) (n int) {
	for _, s := range w.sides() {
		for _, p := range s.people() {
			got := p.client.Get(path)
			if p.role == stream.Technician {
				require.Equal(t, string(fault.NotYourRole), slug(got.Body), "%s: %s", p.name, got.Body)
			} else if path != "/v1/queue" { // figures of one's own; another desk has none
				require.Equal(t, s.org == w.desk, !strings.Contains(got.Body, `"claimed":0`), "%s: %s", p.name, got.Body)
			} else {
				var want []string
				if s.org == w.desk {
					want = []string{w.waiting.calibration.ID.String(), w.ended.calibration.ID.String()}
				}
				require.ElementsMatch(t, want, streamsIn(t, got, "waiting"), p.name)
			}
			n++
		}
	}
	for _, p := range w.strangers() {
		require.Equal(t, string(fault.SignInNeeded), slug(p.client.Get(path).Body), p.name)
		n++
	}
	return n
}

// walkDevices: whoever is no device in use of that kind gets the answer that nobody gets. One that is, is let in: what it
// sends here is no announcement and no reading, and is not taken.
func walkDevices(t *testing.T, w *town, method, path string, may device) (n int) {
	nobody := asJSON(w.Nobody()).Ask(method, path, "{}")
	require.Equal(t, string(fault.SignInNeeded), slug(nobody.Body), nobody.Body)
	others := append(w.strangers(), person{"an interface with its token of before", "", w.device.void}, person{"a gateway with its token of before", "", w.gateway.void})
	for _, s := range w.sides() {
		others = append(others, s.people()...)
	}
	for _, p := range others {
		got := asJSON(p.client).Ask(method, path, "{}")
		if p.client == may.client {
			require.Equal(t, string(fault.InvalidInput), slug(got.Body), "%s: %s", p.name, got.Body)
		} else {
			same(t, nobody, got, p.name+" "+path)
		}
		n++
	}
	return n
}

// walkProcedures: a desk's procedures are shown to its own people and to those of a shop that has an agreement with it now.
func walkProcedures(t *testing.T, w *town, path string) (n int) {
	var all []string
	for _, p := range w.procedures {
		all = append(all, p)
	}
	none := stream.NewID().String()
	for _, s := range w.sides() {
		var want []string
		switch s.org {
		case w.north:
			want = []string{w.procedures[w.north.id], w.procedures[w.desk.id]}
		default:
			want = []string{w.procedures[s.org.id]}
		}
		for _, p := range s.people() {
			if !strings.Contains(path, "{id}") {
				got := p.client.Get(path)
				var ids []string
				for _, row := range apptest.Read[struct{ Procedures []struct{ ID string } }](p.client, got).Procedures {
					ids = append(ids, row.ID)
				}
				require.Equal(t, want, ids, "%s: %s", p.name, got.Body)
				n++
				continue
			}
			for of, id := range w.procedures {
				at := func(id string) string { return strings.Replace(path, "{id}", id, 1) + "?register=" + of.String() }
				got := p.client.Get(at(id))
				if slices.Contains(want, id) {
					require.Equal(t, http.StatusOK, got.Status, "%s: %s", p.name, got.Body)
				} else {
					same(t, p.client.Get(at(none)), got, p.name+": "+at(id))
					require.Equal(t, string(fault.NotHere), slug(got.Body), p.name)
				}
				n++
			}
		}
	}
	for _, p := range w.strangers() {
		require.Equal(t, string(fault.SignInNeeded), slug(p.client.Get(strings.Replace(path, "{id}", all[0], 1)).Body), p.name)
		n++
	}
	return n
}

func streamsIn(t *testing.T, got apptest.Answer, key string) []string {
	t.Helper()
	require.Equal(t, http.StatusOK, got.Status, got.Body)
	var lists map[string]json.RawMessage
	require.NoError(t, json.Unmarshal([]byte(got.Body), &lists))
	var rows []struct{ Stream struct{ ID string } }
	require.NoError(t, json.Unmarshal(lists[key], &rows), got.Body)
	var ids []string
	for _, r := range rows {
		ids = append(ids, r.Stream.ID)
	}
	return ids
}

// walkPeople asks for a route that names no stream. Each asker brings a token of their own, which the route may end.
func walkPeople(t *testing.T, w *town, r route, method, path string) (n int) {
	body := ""
	if method != http.MethodGet {
		body = "{}"
		if r.body != "" {
			body = r.body
		}
	}
	for _, s := range w.sides() {
		for _, p := range s.people() {
			got := asJSON(w.Member(p.client.Access)).Ask(method, path, body)
			cell := fmt.Sprintf("%s: %s: %s", p.name, r.is, got.Body)
			if r.reach == owners && p.role != stream.Owner {
				require.Equal(t, string(fault.NotYourRole), slug(got.Body), cell)
			} else {
				require.NotContains(t, []fault.Slug{fault.SignInNeeded, fault.NotYourRole}, fault.Slug(slug(got.Body)), cell)
			}
			n++
		}
	}
	for _, p := range w.strangers() {
		got := asJSON(p.client).Ask(method, path, body)
		if r.reach == anyone {
			require.NotEqual(t, http.StatusForbidden, got.Status, "%s: %s: %s", p.name, r.is, got.Body)
		} else {
			require.Equal(t, string(fault.SignInNeeded), slug(got.Body), "%s: %s: %s", p.name, r.is, got.Body)
		}
		n++
	}
	return n
}

// walkThings: what is another organisation's is as good as none.
func walkThings(t *testing.T, w *town, r route, method, path string) (n int) {
	other := stream.NewID().String()
	at := func(id string) string { return strings.NewReplacer("{id}", id, "{delivery}", other).Replace(path) }
	theirs, none := r.theirs(w), stream.NewID().String()
	for _, s := range w.sides() {
		for _, p := range s.people() {
			if s.org == w.south {
				continue
			}
			got := asJSON(p.client).Ask(method, at(theirs), "")
			same(t, asJSON(p.client).Ask(method, at(none), ""), got, p.name+": "+r.is)
			require.Contains(t, []fault.Slug{fault.NotHere, fault.NotYourRole}, fault.Slug(slug(got.Body)), "%s: %s: %s", p.name, r.is, got.Body)
			n++
		}
	}
	for _, p := range w.strangers() {
		got := p.client.Ask(method, at(theirs), "")
		require.Equal(t, string(fault.SignInNeeded), slug(got.Body), "%s: %s: %s", p.name, r.is, got.Body)
		n++
	}
	return n
}

// walkSessionsOf: whose sessions there are is told of members of one's own organisation only.
func walkSessionsOf(t *testing.T, w *town) (n int) {
	member, none := w.south.people[stream.Technician].Access.Member, stream.NewID()
	for _, s := range w.sides() {
		for _, p := range s.people() {
			if s.org != w.south {
				same(t, p.client.Get("/v1/sessions?member="+none.String()), p.client.Get("/v1/sessions?member="+member.String()), p.name)
				n++
			}
		}
	}
	return n
}

// walkHello: members are welcome; everybody else is sent to sign in.
func walkHello(t *testing.T, w *town) (n int) {
	for _, s := range w.sides() {
		for _, p := range s.people() {
			connect(t, w, p.client).conn.Close()
			n++
		}
	}
	for _, p := range w.strangers() {
		s, said, err := dial(t, w, p.client.Token)
		for err == nil {
			require.NotContains(t, said, "welcome", p.name)
			said, err = s.hear()
		}
		require.True(t, websocket.IsCloseError(err, 4101, 4103), "%s: %v", p.name, err)
		s.conn.Close()
		n++
	}
	return n
}

// walkFollow follows, lets go and beats in every cell.
func walkFollow(t *testing.T, w *town) (n int) {
	for _, s := range w.sides() {
		for _, p := range s.people() {
			socket := connect(t, w, p.client)
			for _, kind := range kinds {
				there, none := s.there(kind), apptest.NewStream(kind)
				if there == nil {
					continue
				}
				for _, after := range []uint64{0, 1, 1 << 40} {
					cell := fmt.Sprintf("%s: follow a %s after %d", p.name, kind, after)
					got := socket.follows(there.Ref, after)
					if !sees[kind].may(s.relation, p.role) {
						require.Equal(t, nameless(socket.follows(none.Ref, after), none.ID), nameless(got, there.ID), cell)
						require.Equal(t, string(fault.NotHere), slugOf(t, got[0]), cell)
						require.Len(t, got, 1, cell)
					} else if after == 0 {
						require.True(t, slices.ContainsFunc(got, func(f string) bool { return strings.Contains(f, `"say":"entry"`) }), cell)
					}
					n++
				}
				// What is not followed is let go of without a word, be it there or not.
				for _, ref := range []stream.Ref{there.Ref, none.Ref} {
					socket.say(fmt.Sprintf(`{"say":"unfollow","stream":{"kind":%q,"id":%q}}`, ref.Kind, ref.ID))
					require.Empty(t, socket.beats(), "%s: unfollow a %s", p.name, kind)
				}
				n++
			}
			socket.conn.Close()
		}
	}
	return n
}

// walkReading shows readings in every cell, over HTTP and over a websocket: for the shop's technicians the state of the
// calibration may still be in the way.
func walkReading(t *testing.T, w *town) (n int) {
	const readings = `"n":1,"readings":[{"quantity":"datum-distance","instrument":"01940000-0000-7000-8000-0000000000c1","value_um":2000400}]`
	none := apptest.NewStream(stream.Calibration)
	for _, s := range w.sides() {
		there := s.there(stream.Calibration)
		for _, p := range s.people() {
			cell := p.name + ": show readings"
			socket := connect(t, w, p.client)
			got := asJSON(p.client).Ask("POST", there.Path()+"/live", "{"+readings+"}")
			heard := socket.shows(there.Ref, readings)
			switch {
			case s.relation == stream.Own && p.role == stream.Technician:
				require.False(t, unwelcome(got.Body), "%s: %s", cell, got.Body)
				require.False(t, unwelcome(problemOf(t, heard)), "%s: %s", cell, heard)
			case sees[stream.Calibration].may(s.relation, p.role):
				require.Equal(t, http.StatusForbidden, got.Status, "%s: %s", cell, got.Body)
				require.Contains(t, heard, `"status":403`, cell)
			default:
				same(t, asJSON(p.client).Ask("POST", none.Path()+"/live", "{"+readings+"}"), got, cell)
				require.Equal(t, string(fault.NotHere), slug(got.Body), cell)
				require.Equal(t, nameless([]string{socket.shows(none.Ref, readings)}, none.ID), nameless([]string{heard}, there.ID), cell)
			}
			socket.conn.Close()
			n += 2
		}
	}
	for _, p := range w.strangers() {
		there := w.sides()[0].there(stream.Calibration)
		got := asJSON(p.client).Ask("POST", there.Path()+"/live", "{"+readings+"}")
		same(t, asJSON(p.client).Ask("POST", none.Path()+"/live", "{"+readings+"}"), got, p.name)
		require.Equal(t, string(fault.SignInNeeded), slug(got.Body), "%s: %s", p.name, got.Body)
		n++
	}
	return n
}
