package calibration

import (
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/stream"
)

// together asks for guidance with another calibration of the job, which leads and is in that state.
func (w *world) together(state string, member *stream.ID) {
	w.open()
	w.gates()
	w.lead(state, member)
	w.do(technician, "request", `{"with":"`+leadID.String()+`"}`)
}

func (w *world) lead(state string, member *stream.ID) {
	p := pairing{Job: jobID, State: state, Member: member}
	if member != nil {
		p.Desk = &deskID
	}
	raw, err := json.Marshal(p)
	require.NoError(w.t, err)
	w.fact(pairingKey(leadID), string(raw))
}

// TestTheOthersFollowTheLead: the claim of what leads is the only fence; the others go to whoever has that one.
func TestTheOthersFollowTheLead(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.together(pairingWaits, nil)
	refused := func(actor stream.Actor) {
		t.Helper()
		_, _, err := w.try(actor, "claim", `{}`)
		require.True(t, fault.Is(err, fault.NotMet), "%v", err)
		require.Equal(t, "lead-first", fault.Of(err).Fields[0].Want)
	}
	refused(specialist)
	w.lead(pairingClaimed, &colleague.Member)
	refused(specialist)
	e := w.do(colleague, "claim", `{}`)
	require.Equal(t, "claimed", e.Type)

	for _, free := range []string{pairingOver, pairingPrepared} {
		w := newWorld(t)
		w.together(pairingWaits, nil)
		w.lead(free, nil)
		w.do(specialist, "claim", `{}`)
	}
}

func TestALeadDoesNotFollow(t *testing.T) {
	t.Parallel()
	for name, lead := range map[string]string{
		"none":           "",
		"another job's":  `{"job":"` + id(99).String() + `","state":"waiting"}`,
		"follows itself": `{"job":"` + jobID.String() + `","state":"waiting","with":"` + id(98).String() + `"}`,
		"over":           `{"job":"` + jobID.String() + `","state":"over"}`,
	} {
		w := newWorld(t)
		w.open()
		w.gates()
		if lead != "" {
			w.fact(pairingKey(leadID), lead)
		}
		_, _, err := w.try(technician, "request", `{"with":"`+leadID.String()+`"}`)
		require.True(t, fault.Is(err, fault.NotMet), name)
	}
}

// TestPairingFactFollowsTheClaim: it changes with the pairing and with nothing else.
func TestPairingFactFollowsTheClaim(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	_, _, there := Rules{}.Fact(w.fold.State, "pairing")
	require.False(t, there)
	want := func(state string, seq uint64) {
		t.Helper()
		raw, at, ok := Rules{}.Fact(w.fold.State, "pairing")
		require.True(t, ok)
		var p pairing
		require.NoError(t, json.Unmarshal(raw, &p))
		require.Equal(t, state, p.State)
		require.Equal(t, seq, at)
		require.Equal(t, state == pairingClaimed, p.Member != nil)
	}
	w.open()
	want(pairingPrepared, 1)
	w.issue()
	want(pairingPrepared, 1)
	w.request()
	asked := w.fold.Seq
	want(pairingWaits, asked)
	w.do(colleague, "decline", `{"reason":"No time."}`)
	want(pairingWaits, asked)
	w.claim()
	want(pairingClaimed, w.fold.Seq)
	w.do(specialist, "return", `{"reason":"No time."}`)
	want(pairingWaits, w.fold.Seq)
	w.claim()
	w.do(specialist, "declare", `{"outcome":"withdrawn","reason":"The car leaves."}`)
	want(pairingOver, w.fold.Seq)
}

func TestAQuestionNeedsNoGates(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.open()
	_, _, err := w.try(technician, "request", `{}`)
	require.True(t, fault.Is(err, fault.NotMet))
	w.do(technician, "request", `{"advice":true}`)
	require.Equal(t, Waiting, w.state().Phase())
}

// TestTheRequestKeepsWhatItSaid: the promise, the estimate, and what then happened to it, in the view and in lists.
func TestTheRequestKeepsWhatItSaid(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.open()
	w.gates()
	const estimate = `"estimate":{"low_s":60,"middle_s":300,"high_s":900,"model_s":240,"on_duty":2,"ahead":3,"from":200}`
	_, _, err := admitted(`{"promised":"2026-11-25T14:30:00Z",` + estimate + `}`)
	require.Equal(t, "data.estimate", fault.Of(err).Fields[0].Name, "a sender cannot give it")
	data := `{"promised":"2026-11-25T14:30:00Z","languages":["de"],` + estimate + `}`
	w.added("request", data)
	w.now = w.state().Requested().Add(7*time.Minute - time.Second) // do takes a second
	w.do(specialist, "claim", `{}`)
	r, ok := w.state().Request()
	require.True(t, ok)
	require.EqualValues(t, 900, r.Estimate.HighS)
	require.Equal(t, 7*time.Minute, r.Claimed.Sub(r.At))
	row := Rules{}.Summary(w.state()).Data.(Row)
	require.Equal(t, r, row.Queue.Request)
	require.Equal(t, specialist.Member, *row.Queue.Member)

	w.do(specialist, "return", `{"reason":"No time."}`)
	w.now = w.now.Add(time.Hour)
	w.do(colleague, "claim", `{}`)
	again, _ := w.state().Request()
	require.Equal(t, r, again, "the first claim is what the estimate was for")
}

func admitted(data string) (json.RawMessage, []string, error) {
	return Rules{}.Admit(stream.Command{Type: "request", Data: json.RawMessage(data)})
}

// added gives a command as it is once the server has added what it knows.
func (w *world) added(command, data string) {
	w.next++
	cmd := stream.Command{ID: id(w.next), Base: w.fold.Seq, Type: command, Data: json.RawMessage(data)}
	keys, err := Rules{}.Needs(w.fold.State, technician, cmd)
	require.NoError(w.t, err)
	facts := stream.Facts{}
	for _, k := range keys {
		if f, ok := w.facts[k]; ok {
			facts[k] = f
		}
	}
	e, _, err := w.fold.Draft(technician, cmd, nil, keys, facts, w.now)
	require.NoError(w.t, err)
	require.NoError(w.t, w.fold.Apply(e))
}

// TestAPromiseIsStillToCome: by the entry's time, with five minutes for clocks that differ and for filling in the form.
func TestAPromiseIsStillToCome(t *testing.T) {
	t.Parallel()
	ask := func(ago time.Duration) error {
		w := newWorld(t)
		w.open()
		w.gates()
		_, _, err := w.try(technician, "request", fmt.Sprintf(`{"promised":%q}`, w.now.Add(-ago).Format(time.RFC3339)))
		return err
	}
	require.NoError(t, ask(-time.Hour))
	require.NoError(t, ask(5*time.Minute))
	for _, ago := range []time.Duration{5*time.Minute + time.Second, time.Hour, 365 * 24 * time.Hour} {
		err := ask(ago)
		require.True(t, fault.Is(err, fault.InvalidInput), "%s: %v", ago, err)
		require.Equal(t, "data.promised", fault.Of(err).Fields[0].Name)
		require.Contains(t, fault.Of(err).Fields[0].Want, "a time still to come: it is 2026-11-25T09:")
	}
}

// TestBadRequests: what is wrong is named.
func TestBadRequests(t *testing.T) {
	t.Parallel()
	for data, field := range map[string]string{
		`{"promised":"2026-11-25 14:30"}`:            "data.promised",
		`{"promised":"2026-11-25T14:30:00+01:00"}`:   "data.promised",
		`{"languages":[]}`:                           "data.languages",
		`{"with":"x"}`:                               "data.with",
		`{"advice":"yes"}`:                           "data.advice",
		`{"promised":"2026-11-25T14:30:00.123456Z"}`: "data.promised",
	} {
		_, _, err := admitted(data)
		require.Error(t, err, data)
		require.Equal(t, field, fault.Of(err).Fields[0].Name, data)
	}
}
