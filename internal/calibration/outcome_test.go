package calibration

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/stream"
)

// TestCompletedOutcome ends a leg with the values the routine gave, declares, and shows both for every position.
func TestCompletedOutcome(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.guided()
	w.held()
	w.start()
	w.do(specialist, "end-leg", `{"outcome":"completed","values":[{"name":"pitch","value":"-0.42","unit":"deg"},{"name":"state","value":"learned"}]}`)
	w.goTo("left")
	w.leg()
	w.goTo("right")
	w.leg()
	require.Equal(t, []Given{{"pitch", "-0.42", "deg"}, {"state", "learned", ""}}, w.state().Attempts()[0].Legs[0].Values)
	w.do(specialist, "declare", `{"outcome":"completed","evaluation":{"routine_confirmed":true,"lamps":"on"},"remarks":"Lamp of another system."}`)

	got, ok := w.state().Result()
	require.True(t, ok)
	require.Equal(t, []PositionResult{{"centre", Completed, 1, 1}, {"left", Completed, 1, 2}, {"right", Completed, 1, 3}}, got.Positions)
	require.Equal(t, []string{"no-scan-after", "lamps-on"}, got.Cautions)
	require.Equal(t, &Evaluation{true, LampsOn}, got.Evaluation)
	require.NotNil(t, got.Remarks)
	require.False(t, w.state().NoticeDue())
	w.do(technician, "sign", `{}`)
	w.do(specialist, "sign", `{}`)
	w.do(owner, "sign", `{}`) // the release
	require.Len(t, w.state().Signs(), 3)
	w.do(owner, "close", `{}`)
	require.Equal(t, Closed, w.state().Phase())
}

// TestSignedTwiceShows has one person sign in two roles: possible where the register gives both, and never hidden.
func TestSignedTwiceShows(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.guided()
	w.do(technician, "declare", `{"outcome":"withdrawn","reason":"The car leaves."}`)
	both := stream.Actor{Member: technician.Member, Org: shopID, Roles: []stream.Role{stream.Technician, stream.Owner}}
	w.do(both, "sign", `{}`)
	_, _, err := w.try(both, "sign", `{}`)
	require.True(t, fault.Is(err, fault.NotMet), "without a word about the role it is the technician's: %v", err)
	_, _, err = w.try(technician, "sign", `{"as":"owner"}`)
	require.True(t, fault.Is(err, fault.NotYourRole), "%v", err)
	w.do(both, "sign", `{"as":"owner"}`)
	signs := w.state().Signs()
	require.Equal(t, stream.Technician, signs[0].By.Role)
	require.False(t, signs[0].Again)
	require.Equal(t, stream.Owner, signs[1].By.Role)
	require.True(t, signs[1].Again)
}

// TestNotCompletedNeedsItsNotice: the notice is asked for, and a refusal to take it is recorded too.
func TestNotCompletedNeedsItsNotice(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.guided()
	w.held()
	w.start()
	w.do(specialist, "end-leg", `{"outcome":"not-completed"}`)
	w.do(specialist, "declare", `{"outcome":"not-completed","reason":"It would not learn."}`)
	got, _ := w.state().Result()
	require.Equal(t, []PositionResult{{"centre", LegNotCompleted, 1, 1}, {"left", NotRun, 0, 0}, {"right", NotRun, 0, 0}}, got.Positions)
	w.do(technician, "sign", `{}`)
	w.do(specialist, "sign", `{}`)
	require.Equal(t, Turn{Who: stream.Technician, Do: "hand-over-notice"}, w.state().Turn(w.now))
	w.do(technician, "hand-over-notice", `{"to":"keeper","how":"message","language":"de","refused":true,"sha256":"ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"}`)
	notice, ok := w.state().Notice()
	require.True(t, ok)
	require.True(t, notice.Refused)
	w.do(technician, "close", `{}`)
}

// TestReopen goes on with a new attempt; what was signed before stays to be read.
func TestReopen(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	ranAll(w)
	w.do(specialist, "declare", `{"outcome":"completed"}`)
	w.do(technician, "sign", `{}`)
	w.do(specialist, "reopen", `{"reason":"Declared the wrong car."}`)
	s := w.state()
	require.Equal(t, Guided, s.Phase())
	require.Empty(t, s.Signs())
	require.Equal(t, None, s.Place().Stage)
	require.Len(t, s.Earlier(), 1)
	require.Equal(t, Completed, s.Earlier()[0].Result.Outcome)
	require.Len(t, s.Earlier()[0].Signs, 1)
	require.Equal(t, "centre", s.unrun()[0], "nothing has run in the new attempt")

	w.goTo("centre")
	w.leg()
	require.Len(t, s.Attempts(), 1)
	require.Len(t, w.state().Attempts(), 2)
	w.do(technician, "declare", `{"outcome":"withdrawn","reason":"The car leaves."}`)
	w.do(technician, "sign", `{}`)
	w.do(specialist, "sign", `{}`)
	w.do(technician, "close", `{}`)

	_, _, err := w.try(specialist, "reopen", `{"reason":"Later."}`)
	require.True(t, fault.Is(err, fault.WrongPhase), "after the close it is the shop's: %v", err)
	w.now = w.now.Add(48 * time.Hour)
	w.do(owner, "reopen", `{"reason":"The lamp came on again."}`)
	s = w.state()
	require.Equal(t, Preparing, s.Phase())
	_, claimed := s.Claim()
	require.False(t, claimed)
	require.True(t, s.Requested().IsZero())
	require.Equal(t, stream.Ended, Rules{}.Relation(s, specialist, w.facts))
	for _, g := range s.Gates() {
		require.False(t, g.Answered, g.Name)
	}
	require.Len(t, s.Earlier(), 2)
	_, _, err = w.try(technician, "request", `{}`)
	require.True(t, fault.Is(err, fault.NotMet), "the gates are asked anew: %v", err)
	w.request()
	w.claim()
	require.Equal(t, 3, w.state().nextLeg().Attempt)
}

// TestEveryVoid: each event that makes an accepted set-up one to check again (common practice, no source) drops it.
func TestEveryVoid(t *testing.T) {
	t.Parallel()
	for _, cause := range Causes {
		w := newWorld(t)
		w.guided()
		w.held()
		w.do(technician, "void-setup", `{"cause":"`+cause+`"}`)
		require.Equal(t, None, w.state().Place().Stage, cause)
		require.Equal(t, cause, w.state().Place().Void)
		require.Equal(t, cause == targetSwapped, w.state().fitted == "", cause)
		_, _, err := w.try(technician, "bay-clear", `{}`)
		require.True(t, fault.Is(err, fault.NotMet), cause)
	}
}
