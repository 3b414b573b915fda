package register_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/stream"
)

// TestDutyLeavesTheMemberAlone: whatever relies on a member does not change when the shift does.
func TestDutyLeavesTheMemberAlone(t *testing.T) {
	t.Parallel()
	w := ready(t, "go-on-duty")
	member, was := fact(t, w, "member/"+specialist.String())
	_, _, there := w.fold.Rules.Fact(w.fold.State, "duty/"+specialist.String())
	require.False(t, there, "not before the first shift")
	w.must(theSpecialist, "go-on-duty", good()["go-on-duty"])
	duty, seq := fact(t, w, "duty/"+specialist.String())
	require.JSONEq(t, `{"on":true,"since":"2026-11-25T10:20:30Z"}`, duty)
	require.Equal(t, w.fold.Seq, seq)
	again, is := fact(t, w, "member/"+specialist.String())
	require.Equal(t, member, again)
	require.Equal(t, was, is)

	_, err := w.do(theSpecialist, "go-on-duty", good()["go-on-duty"])
	require.True(t, fault.Is(err, fault.AlreadyThere))
	w.must(theOwner, "go-off-duty", good()["go-off-duty"])
	d, ok := w.state().Duty(specialist)
	require.True(t, ok)
	require.False(t, d.On, "an owner may say it of whoever left without")
}

func TestDutyIsOnesOwn(t *testing.T) {
	t.Parallel()
	w := ready(t, "go-on-duty")
	w.must(theOwner, "add-member", data(`{"id":"%s","name":"Another Specialist","roles":["specialist"]}`, id(16)))
	other := stream.Actor{Member: id(16), Org: shop, Roles: []stream.Role{stream.Specialist}}
	for _, command := range []string{"go-on-duty", "go-off-duty"} {
		_, err := w.do(other, command, good()[command])
		require.True(t, fault.Is(err, fault.NotYourRole), "for somebody else")
	}
	_, err := w.do(stream.Actor{Member: technician, Org: shop, Roles: []stream.Role{stream.Specialist}}, "go-on-duty", data(`{"member":"%s"}`, technician))
	require.True(t, fault.Is(err, fault.NotYourRole), "whatever the shell says of the roles")
	_, err = w.do(server, "go-on-duty", data(`{"member":"%s"}`, technician))
	require.True(t, fault.Is(err, fault.NotMet))
	require.Equal(t, "is-specialist", fault.Of(err).Fields[0].Want)
}

func TestWhoLeavesIsOffDuty(t *testing.T) {
	t.Parallel()
	w := ready(t, "go-off-duty")
	w.must(theOwner, "retire-member", data(`{"member":"%s"}`, specialist))
	d, ok := w.state().Duty(specialist)
	require.True(t, ok)
	require.False(t, d.On)
	_, err := w.do(theSpecialist, "go-on-duty", good()["go-on-duty"])
	require.Error(t, err)
}

func TestOpeningHours(t *testing.T) {
	t.Parallel()
	w := full(t)
	_, _, ok := w.state().Hours()
	require.False(t, ok)
	w.must(theOwner, "set-opening-hours", good()["set-opening-hours"])
	h, zone, ok := w.state().Hours()
	require.True(t, ok)
	opens, ok := h.Next(now, zone) // a Wednesday
	require.True(t, ok)
	require.Equal(t, time.Date(2026, 11, 30, 7, 0, 0, 0, time.UTC), opens.UTC(), "Monday at eight in Berlin, an hour ahead of UTC in winter")
	_, err := w.do(theOwner, "set-opening-hours", good()["set-opening-hours"])
	require.True(t, fault.Is(err, fault.AlreadyThere))
	_, seq := fact(t, w, "hours")
	require.Equal(t, w.fold.Seq, seq)
}
