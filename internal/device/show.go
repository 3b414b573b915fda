package device

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"readback/internal/calibration"
	"readback/internal/fault"
	"readback/internal/live"
	"readback/internal/stream"
)

// Shown says where a gateway's readings went.
type Shown struct {
	Calibration stream.ID
	Seq         uint64 // of the calibration's last entry when the value was computed
	At          time.Time
}

// Show shows readings in the calibration that is being placed in the gateway's bay.
func (d *Desk) Show(ctx context.Context, from Device, r live.Reading) (Shown, error) {
	if err := d.paces.shows(from, d.now()); err != nil {
		return Shown{}, err
	}
	id, err := d.placing(ctx, from)
	if err != nil {
		return Shown{}, err
	}
	value, err := d.hub.Live(ctx, from.actor(stream.Gateway), stream.Ref{Kind: stream.Calibration, ID: id}, r)
	if err != nil {
		return Shown{}, err
	}
	got := Shown{Calibration: id}
	if err := json.Unmarshal(value, &got); err != nil {
		return Shown{}, fmt.Errorf("read a live value: %w", err)
	}
	return got, nil
}

// placing finds the one calibration that takes readings in the gateway's bay: of several the one that a specialist has in
// hand. Where that leaves none or more than one, readings are shown nowhere.
func (d *Desk) placing(ctx context.Context, from Device) (found stream.ID, err error) {
	i, _, err := d.entered(ctx, from, 1) // Check has just looked
	if err != nil {
		return found, err
	}
	if i.Bay == nil {
		return found, nowhere("The register says of no bay that this gateway reads its instruments.")
	}
	near, err := d.store.PlacedNear(ctx, from.Org, *i.Bay)
	if err != nil {
		return found, err
	}
	all, inHand := 0, 0
	for _, n := range near {
		f, err := d.hub.Fresh(ctx, stream.Ref{Kind: stream.Calibration, ID: n.Stream}, n.Seq)
		if err != nil {
			return found, err
		}
		s, is := f.State.(*calibration.State)
		if !is {
			continue
		}
		if bay, places := s.Placing(); !places || bay != *i.Bay {
			continue
		}
		all++
		if s.InHand() {
			inHand++
		}
		if all == 1 || s.InHand() {
			found = n.Stream
		}
	}
	switch {
	case all == 0:
		return found, nowhere("Nothing is being placed in this gateway's bay: no calibration with a set-up sheet for the bay takes readings now.")
	case inHand > 1, inHand == 0 && all > 1:
		return found, nowhere("Several calibrations are being placed in this gateway's bay. Finish or stop with all but one, or have one claimed.")
	}
	return found, nil
}

func nowhere(why string) error {
	return fault.New(fault.NotMet, why, fault.Field{Name: "guard", Want: "one-placed-in-bay"})
}
