package calibration

import (
	"encoding/json"
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/stream"
)

// TestGatewayShowsWhatItsTechnicianWould: the same verdict as the technician's own readings, and only in its bay, with its
// instruments, while it is in use.
func TestGatewayShowsWhatItsTechnicianWould(t *testing.T) {
	t.Parallel()
	gateway := stream.Actor{Member: id(91), Org: shopID, Roles: []stream.Role{stream.Gateway}}
	w := newWorld(t)
	w.guided()
	w.place()
	all := w.measured(12_000)
	data := readingsData(true, all[:1])
	enter := func(bay stream.ID, instrument stream.ID, active bool) {
		w.fact(registerKey(shopID, "interface/"+gateway.Member.String()),
			fmt.Sprintf(`{"name":"Gauges","bay":%q,"instruments":[%q],"active":%t}`, bay, instrument, active))
	}
	by, err := w.shows(technician, data)
	require.NoError(t, err)
	enter(bayID, all[0].Instrument, true)
	got, err := w.shows(gateway, data)
	require.NoError(t, err)
	require.Equal(t, asJSON(t, by), asJSON(t, got))
	bay, places := w.state().Placing()
	require.True(t, places)
	require.Equal(t, bayID, bay)

	_, _, err = w.draft(gateway, "report-readings", data)
	require.True(t, fault.Is(err, fault.NotYourRole), "%v", err)
	_, err = w.shows(stream.Actor{Member: gateway.Member, Org: id(92), Roles: gateway.Roles}, data)
	require.True(t, fault.Is(err, fault.NotYourRole), "of another shop: %v", err)

	refused := func(field fault.Field) {
		t.Helper()
		_, err := w.shows(gateway, data)
		require.Error(t, err)
		require.Equal(t, field, fault.Of(err).Fields[0])
	}
	enter(bayID, id(99), true)
	refused(fault.Field{Name: "readings[0].instrument", Want: "one that the register says this gateway reads"})
	for _, spoil := range []func(){
		func() { enter(id(98), all[0].Instrument, true) },
		func() { enter(bayID, all[0].Instrument, false) },
		func() {
			w.fact(registerKey(shopID, "interface/"+gateway.Member.String()), `{"name":"Reader","active":true}`)
		},
	} {
		spoil()
		refused(fault.Field{Name: "guard", Want: "gateway-of-bay"})
	}
}

// TestPlacing: from the sheet on until it is frozen; the row in lists names the bay.
func TestPlacing(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.open()
	_, places := w.state().Placing()
	require.False(t, places)
	require.Nil(t, Rules{}.Summary(w.state()).Data.(Row).Bay)
	w = newWorld(t)
	w.guided()
	bay, places := w.state().Placing()
	require.True(t, places)
	require.Equal(t, bayID, bay)
	raw, err := json.Marshal(Rules{}.Summary(w.state()).Data)
	require.NoError(t, err)
	require.Contains(t, string(raw), `"bay":"`+bayID.String()+`"`)
	w.place()
	w.do(technician, "report-readings", readingsData(true, w.measured(0)))
	w.do(technician, "lock", `{}`)
	_, places = w.state().Placing()
	require.True(t, places)
	w.do(technician, "freeze", `{}`)
	_, places = w.state().Placing()
	require.False(t, places)
}
