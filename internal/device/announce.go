package device

import (
	"context"
	"encoding/json"
	"errors"
	"slices"
	"time"

	"readback/internal/fault"
	"readback/internal/job"
	"readback/internal/stream"
	"readback/internal/strict"
)

// Announcement is what an interface says of the car that it is in.
type Announcement struct {
	ID  stream.ID // chosen by the device; the same again is the same announcement
	VIN string
	Car json.RawMessage // the data of the command: vin, and plate and mileage_km if it knows them
}

// Read reads an announcement as it is sent: the id, and beside it what the command announce-vehicle takes.
func Read(raw []byte) (Announcement, error) {
	o := strict.Read(raw, "")
	a := Announcement{}
	if text := o.String("id", 36); text != "" {
		id, err := stream.ParseID("id", text)
		if err != nil {
			o.Reject("id", fault.Of(err).Fields[0].Want)
		}
		a.ID = id
	}
	var err error
	a.VIN, a.Car, err = job.ReadCar(o)
	return a, errors.Join(o.Close(), err)
}

// Receipt says where an announcement went.
type Receipt struct {
	Job      stream.ID
	Seq      uint64 // of the entry that holds it
	Repeated bool   // that entry was there: the same was announced before
}

// within is how long a VIN announced again in the same job is the same announcement.
const within = time.Hour

// mostTries is how often the way to a job is looked for anew because it changed meanwhile.
const mostTries = 8

// Announce brings an announcement to its job, or opens one.
func (d *Desk) Announce(ctx context.Context, from Device, a Announcement) (Receipt, error) {
	if err := d.paces.announces(from, d.now()); err != nil {
		return Receipt{}, err
	}
	shop, err := d.hub.Fresh(ctx, from.register(), 0)
	if err != nil {
		return Receipt{}, err
	}
	said, err := d.hub.Mark(ctx, shop, "announcement", string(a.Car))
	if err != nil {
		return Receipt{}, err
	}
	mark, err := d.hub.Mark(ctx, shop, "vin", a.VIN)
	if err != nil {
		return Receipt{}, err
	}
	to := Assignment{Device: from, ID: a.ID, Said: said, Mark: mark}
	for range mostTries {
		if to.Job, to.Found, err = d.find(ctx, from, a.VIN, to.Not); err != nil {
			return Receipt{}, err
		}
		if !to.Found {
			to.Job = stream.NewID()
		}
		job, err := d.store.Assign(ctx, to)
		if err != nil {
			return Receipt{}, err
		}
		got, err := d.give(ctx, from, job, a)
		switch {
		case fault.Is(err, fault.Stale), fault.Is(err, fault.AlreadyThere):
			continue // somebody was faster: look again
		case fault.Is(err, fault.WrongPhase), fault.Is(err, fault.NotMet) && fault.Of(err).Fields[0].Want == "its-job":
			to.Not = append(to.Not, job) // withdrawn, or untied, meanwhile
			continue
		}
		return got, err
	}
	return Receipt{}, fault.New(fault.NotReady, "Others were faster each time. Send the same again.")
}

// find looks for the job: the one that a person tied to the interface last, else one that goes by the VIN, sooner one that
// somebody has taken up.
func (d *Desk) find(ctx context.Context, from Device, vin string, not []stream.ID) (found stream.ID, ok bool, err error) {
	near, err := d.store.JobsNear(ctx, from)
	if err != nil {
		return found, false, err
	}
	var tiedAt time.Time
	var tied, same, waiting *stream.ID
	for _, n := range near {
		id := n.Stream
		if slices.Contains(not, id) {
			continue
		}
		f, err := d.hub.Fresh(ctx, jobRef(id), n.Seq)
		if err != nil {
			return found, false, err
		}
		s := f.State.(*job.State)
		if tie, is := s.Tie(); is && tie.Interface == from.Interface && tie.At.After(tiedAt) {
			tied, tiedAt = &id, tie.At
		}
		if tied != nil || s.VINMark() == "" {
			continue
		}
		mark, err := d.hub.Mark(ctx, f, "vin", vin)
		switch {
		case fault.Is(err, fault.WrongPhase): // its personal values were erased
		case err != nil:
			return found, false, err
		case mark == s.VINMark() && s.Unattended() && waiting == nil:
			waiting = &id
		case mark == s.VINMark() && !s.Unattended() && same == nil:
			same = &id
		}
	}
	for _, best := range []*stream.ID{tied, same, waiting} {
		if best != nil {
			return *best, true, nil
		}
	}
	return found, false, nil
}

func jobRef(id stream.ID) stream.Ref { return stream.Ref{Kind: stream.Job, ID: id} }

// give opens the job with the announcement, or announces in it. What stands there already is not said again.
func (d *Desk) give(ctx context.Context, from Device, id stream.ID, a Announcement) (Receipt, error) {
	f, err := d.hub.Fresh(ctx, jobRef(id), 0)
	if err != nil {
		return Receipt{}, err
	}
	if seen, is := f.Seen[a.ID]; is {
		return Receipt{id, seen.Seq, true}, nil
	}
	cmd := stream.Command{ID: a.ID, Type: "open-job", Data: a.Car}
	if f.Seq > 0 {
		mark, err := d.hub.Mark(ctx, f, "vin", a.VIN)
		if err != nil {
			return Receipt{}, err
		}
		s := f.State.(*job.State)
		if last, same, is := s.Announced(); is && same == mark && d.now().Sub(last.At) < within && s.Phase() == "open" {
			return Receipt{id, last.Seq, true}, nil
		}
		cmd.Type, cmd.Base = "announce-vehicle", f.Seq
	}
	got, err := d.hub.Do(ctx, from.actor(stream.Interface), jobRef(id), cmd)
	return Receipt{id, got.Seq, got.Repeated}, err
}
