package calibration

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/stream"
)

// Owners choose the ids in their registers: namesakes are people of two organisations with the same one.

// as is somebody of the actor's organisation and roles who has the id, with a proof of competence.
func (w *world) as(a stream.Actor, member stream.ID) stream.Actor {
	was := w.facts[memberKey(a.Org, a.Member)]
	a.Member = member
	w.fact(memberKey(a.Org, member), string(was.Value))
	return a
}

// TestNamesakesAreTwoPeople: a technician who has the specialist's id says the other word, signs for the first time, and is
// no holder of the claim.
func TestNamesakesAreTwoPeople(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.guided()
	w.held()
	namesake := w.as(technician, specialist.Member)
	w.do(specialist, "go", `{}`)
	require.Equal(t, "leg-started", w.do(namesake, "bay-clear", `{}`).Type)
	_, _, err := w.try(namesake, "end-leg", `{"outcome":"completed"}`)
	require.True(t, fault.Is(err, fault.NotYourRole), "%v", err)
	w.do(specialist, "end-leg", `{"outcome":"not-completed"}`)
	w.do(specialist, "declare", `{"outcome":"not-completed","reason":"The routine failed."}`)
	w.do(specialist, "sign", `{}`)
	w.do(namesake, "sign", `{}`)
	for _, sign := range w.state().Signs() {
		require.False(t, sign.Again, "%s", sign.By.Role)
	}
}

// TestANamesakesDeskDecidesForItself: what a specialist of one desk declined or claimed is not declined or claimed by one of
// another desk.
func TestANamesakesDeskDecidesForItself(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.fact(registerKey(shopID, "agreement/"+otherDeskID.String()), `{"desk":"`+otherDeskID.String()+`","ended":false}`)
	w.fact(organisationKey(otherDeskID), `{"name":"Lighthouse Desk","sort":"desk","phone":""}`)
	namesake := w.as(stranger, specialist.Member)

	w.together(pairingWaits, nil)
	w.do(namesake, "decline", `{"reason":"I am about to leave."}`)
	w.do(specialist, "decline", `{"reason":"I am about to leave, too."}`)
	require.Equal(t, []stream.Person{namesake.Person(), specialist.Person()}, w.state().Queue().DeclinedBy())

	raw, err := json.Marshal(pairing{Job: jobID, State: pairingClaimed, Desk: &otherDeskID, Member: &namesake.Member})
	require.NoError(t, err)
	w.fact(pairingKey(leadID), string(raw))
	_, _, err = w.try(specialist, "claim", `{}`)
	require.True(t, fault.Is(err, fault.NotMet), "%v", err)
	require.Equal(t, "lead-first", fault.Of(err).Fields[0].Want)
	w.do(namesake, "claim", `{}`)
}
