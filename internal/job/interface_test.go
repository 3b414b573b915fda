package job_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/stream"
)

func refusedBy(t *testing.T, guard string, err error) {
	t.Helper()
	require.True(t, fault.Is(err, fault.NotMet), "%v", err)
	require.Equal(t, guard, fault.Of(err).Fields[0].Want)
}

// An interface opens a job with the VIN that the car gave, which waits until a person takes it up, and is held against what
// that person types.
func TestInterfaceOpens(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	e := w.must(reader, "open-job", `{"vin":"`+otherVIN+`","plate":"INV 7","mileage_km":70}`)
	require.Equal(t, stream.Interface, e.By.Role)
	require.True(t, w.state().Unattended())
	v, _ := w.state().Vehicle()
	require.EqualValues(t, 70, *v.MileageKM)
	require.Equal(t, plainly(t, otherVIN), w.vins().Announced.VIN)
	require.True(t, w.vins().Announced.VINEqual)

	w.must(reader, "announce-vehicle", `{"vin":"`+otherVIN+`"}`)
	require.True(t, w.state().Unattended(), "the interface again is nobody")
	w.must(technician, "describe-vehicle", `{"vin":"`+sampleVIN+`"}`)
	require.False(t, w.state().Unattended())
	require.True(t, w.differs(), "typed is held against announced")
	w.must(reader, "announce-vehicle", `{"vin":"`+sampleVIN+`"}`)
	require.False(t, w.state().Unattended(), "taken up is taken up")
	require.False(t, w.differs())
}

// It says of a car what can be read from one, and of no job but its own.
func TestInterfaceGuards(t *testing.T) {
	t.Parallel()
	for _, data := range []string{
		opening, `{"plate":"INV 7"}`, `{"vin":"` + otherVIN + `","steering":"left"}`, `{"vin":"` + otherVIN + `","customer_reference":"7"}`,
		`{"vin":"` + otherVIN + `","causes":["glass"]}`, `{"vin":"` + otherVIN + `","dimensions":"` + sheet.String() + `"}`,
	} {
		_, err := newWorld(t).do(reader, "open-job", data)
		refusedBy(t, "only-car", err)
	}
	for _, gone := range []stream.Facts{without("interface/" + reader.Member.String()), with("interface/"+reader.Member.String(), `{"active":false}`),
		with("interface/"+reader.Member.String(), `{"instruments":["`+id(90).String()+`"],"active":true}`)} {
		w := newWorld(t)
		w.facts = gone
		_, err := w.do(reader, "open-job", `{"vin":"`+otherVIN+`"}`)
		refusedBy(t, "interface-in-use", err)
	}

	w := opened(t)
	announce := func(vin string) error {
		_, err := w.do(reader, "announce-vehicle", `{"vin":"`+vin+`"}`)
		return err
	}
	refusedBy(t, "its-job", announce(otherVIN))
	require.NoError(t, announce(sampleVIN), "the VIN is the same")
	w.must(technician, "tie-interface", `{"interface":"`+reader.Member.String()+`"}`)
	tie, ok := w.state().Tie()
	require.True(t, ok)
	require.Equal(t, reader.Member, tie.Interface)
	require.NoError(t, announce(otherVIN), "tied by a person")
	require.True(t, w.differs())
	w.must(technician, "untie-interface", `{}`)
	refusedBy(t, "its-job", announce(otherVIN))
	_, err := w.do(technician, "untie-interface", `{}`)
	refusedBy(t, "interface-tied", err)

	// One that is tied elsewhere is not tied here; nor is what stands in a job without a VIN the same as any.
	w = newWorld(t)
	w.must(technician, "open-job", `{"plate":"INV 9"}`)
	refusedBy(t, "its-job", announce(otherVIN))
	w.must(owner, "withdraw-job", good["withdraw-job"])
	require.True(t, fault.Is(announce(otherVIN), fault.WrongPhase))
}

// Announcing gives a job the plate and the mileage that it has not been told.
func TestAnnouncedBesides(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.must(technician, "open-job", `{"plate":"INV 9"}`)
	w.must(technician, "announce-vehicle", `{"vin":"`+otherVIN+`","plate":"INV 10","mileage_km":12}`)
	v, _ := w.state().Vehicle()
	require.Equal(t, plainly(t, "INV 9"), *v.Plate)
	require.EqualValues(t, 12, *v.MileageKM)
}
