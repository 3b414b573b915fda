package calibration

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/stream"
)

// TestDeskHandsOver: the receiver says the card's figures, has the claim, adopts the sheet and asks for closing readings
// again; the target's id, read back before, stands.
func TestDeskHandsOver(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.guided()
	w.held()
	w.do(specialist, "offer-handover", `{"points":"The left lamp flickers."}`)
	offer := w.state().Offers()[0]
	require.Equal(t, Card{Phase: Guided, Position: "centre", Stage: Held, Frozen: true}, offer.Card)
	require.Equal(t, "bay-clear", offer.Next.Do)
	require.NotNil(t, offer.Open)

	_, _, err := w.try(colleague, "take-handover", `{"position":"left","stage":"held","attempt":1,"frozen":true}`)
	require.True(t, fault.Is(err, fault.NotMet))
	require.Contains(t, fault.Of(err).Detail, "attempt, position")
	claim, _ := w.state().Claim()
	require.Equal(t, specialist.Member, claim.Member, "only then does the claim change hands")

	w.do(colleague, "take-handover", restating(w.state()))
	claim, _ = w.state().Claim()
	require.Equal(t, colleague.Member, claim.Member)
	require.Equal(t, Frozen, w.state().Place().Stage, "what is frozen is checked again")
	require.Empty(t, w.state().Offers())
	require.Equal(t, "T-CAM-07", w.state().fitted)
	_, _, err = w.try(specialist, "go", `{}`)
	require.True(t, fault.Is(err, fault.NotClaimed))
	require.Equal(t, "adopt-sheet", w.state().Turn(w.now).Do)
	w.do(colleague, "adopt-sheet", `{"sheet":1}`)
	w.close()
	w.do(technician, "bay-clear", `{}`)
	w.do(colleague, "go", `{}`)
	require.Equal(t, Running, w.state().Phase())
	require.Equal(t, colleague.Person(), *w.state().runner())
}

// TestNothingChangesHandsWhileALegRuns, on neither side, by no command.
func TestNothingChangesHandsWhileALegRuns(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.guided()
	w.held()
	w.start()
	w.fact(dutyKey(deskID, specialist.Member), `{"on":false,"since":"2026-11-25T08:00:00Z"}`)
	for _, c := range []struct {
		actor         stream.Actor
		command, data string
	}{
		{specialist, "offer-handover", `{}`}, {technician, "offer-handover", `{}`}, {colleague, "take-handover", restating(w.state())},
		{relief, "take-handover", restating(w.state())}, {colleague, "take-over", `{"reason":"Off duty."}`}, {system, "lapse", `{}`},
	} {
		_, _, err := w.try(c.actor, c.command, c.data)
		require.True(t, fault.Is(err, fault.WrongPhase), "%s: %v", c.command, err)
	}
}

func TestShopHandsOver(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.guided()
	w.held()
	w.do(technician, "offer-handover", `{}`)
	w.do(specialist, "offer-handover", `{}`)
	w.do(relief, "take-handover", restating(w.state()))
	require.Equal(t, relief.Member, w.state().View(w.now).Technician.Member)
	require.Equal(t, Frozen, w.state().Place().Stage)
	claim, _ := w.state().Claim()
	require.Equal(t, specialist.Member, claim.Member)
	_, _, err := w.try(colleague, "take-handover", `{"position":"centre","stage":"held","attempt":0,"frozen":true}`)
	require.Equal(t, "handover-current", fault.Of(err).Fields[0].Want, "the desk's card speaks of readings that no longer count")
	_, _, err = w.try(technician, "bay-clear", `{}`)
	require.Equal(t, "closing-held", fault.Of(err).Fields[0].Want)
}

// TestAWaiverIsItsGiversOnly: a set-up that only a waiver lets pass is waived anew by the receiver, or not at all.
func TestAWaiverIsItsGiversOnly(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.guided()
	w.held()
	byHand(w, func(s *State) {
		s.place.Waived = &Waiver{}
		s.stop = nil
	})
	w.do(specialist, "offer-handover", `{}`)
	w.do(colleague, "take-handover", restating(w.state()))
	require.Nil(t, w.state().Place().Waived)
}

func TestTakeOverUnasked(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		prepare func(*world)
		data    string
		refused bool
	}{
		"off duty": {func(w *world) {
			w.fact(dutyKey(deskID, specialist.Member), `{"on":false,"since":"2026-11-25T08:00:00Z"}`)
		}, `{}`, false},
		"on duty": {func(w *world) {
			w.fact(dutyKey(deskID, specialist.Member), `{"on":true,"since":"2026-11-25T08:00:00Z"}`)
		}, `{}`, true},
		"retired":        {func(w *world) { w.fact(memberKey(deskID, specialist.Member), `{"active":false}`) }, `{}`, false},
		"not heard of":   {func(*world) {}, `{"unheard_s":180}`, false},
		"heard just now": {func(*world) {}, `{"unheard_s":179}`, true},
		"not known":      {func(*world) {}, `{}`, true},
	} {
		w := newWorld(t)
		w.guided()
		w.held()
		c.prepare(w)
		r := rowOf("take-over")
		claim := w.state().claim
		var given takeOverOrder
		require.NoError(t, parse(stream.Entry{Command: stream.Command{Data: []byte(c.data)}}, &given, nil))
		why := holderAway.refuses(&asked{row: r, state: w.state(), actor: colleague, data: given, facts: w.facts, now: w.now})
		require.Equal(t, c.refused, why != "", "%s: %s", name, why)
		require.Equal(t, claim, w.state().claim)
	}
	w := newWorld(t)
	w.guided()
	w.held()
	w.fact(dutyKey(deskID, specialist.Member), `{"on":false,"since":"2026-11-25T08:00:00Z"}`)
	w.do(colleague, "take-over", `{"reason":"Ines left."}`)
	claim, _ := w.state().Claim()
	require.Equal(t, colleague.Member, claim.Member)
	require.Empty(t, w.state().fitted, "unasked, everything is vouched for anew")
	require.Equal(t, Frozen, w.state().Place().Stage)
	_, _, err := Rules{}.Admit(stream.Command{Type: "take-over", Data: []byte(`{"reason":"x","unheard_s":999}`)})
	require.Equal(t, "data.unheard_s", fault.Of(err).Fields[0].Name, "a sender cannot give it")
}

// TestDeclinedStaysInTheQueue with its place, and the shop has the reason.
func TestDeclinedStaysInTheQueue(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.open()
	w.request()
	asked := w.state().Requested()
	w.now = w.now.Add(time.Minute)
	w.do(specialist, "decline", `{"reason":"I do not have the method."}`)
	require.Equal(t, Waiting, w.state().Phase())
	require.Equal(t, asked, *Rules{}.Summary(w.state()).QueuedAt)
	require.Equal(t, specialist.Member, w.state().View(w.now).Declined[0].Member)
	w.do(colleague, "claim", `{}`)
}
