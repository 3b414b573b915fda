package calibration

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"readback/internal/drive"
	"readback/internal/procedure"
	"readback/internal/stream"
	"readback/internal/strict"
)

// Drive is one drive on the road, a part of an attempt as a leg is. What was driven moment by moment is in its entry.
type Drive struct {
	Number       int                  `json:"number"` // from 1 within the attempt
	Started      time.Time            `json:"started"`
	Ended        time.Time            `json:"ended"`
	OdometerKM   *Odometer            `json:"odometer_km,omitempty"`
	Metres       *int64               `json:"metres,omitempty"` // of the whole drive, as read off the car
	Conditions   []string             `json:"conditions"`       // that were noted as being so
	Driver       stream.Sealed        `json:"driver"`
	SecondPerson *stream.Sealed       `json:"second_person,omitempty"`
	Interrupted  []drive.Interruption `json:"interrupted"`
	Note         *stream.Sealed       `json:"note,omitempty"`
	DriveCheck
	By stream.By `json:"by"`
	At time.Time `json:"at"`
}

// Odometer is what the car's odometer showed.
type Odometer struct {
	Start int64 `json:"start"`
	End   int64 `json:"end"`
}

// DriveCheck is what a drive comes to against the procedure.
type DriveCheck struct {
	Windows     []drive.Checked `json:"windows"`
	NotNoted    []string        `json:"not_noted,omitempty"`    // conditions that the procedure asks for
	UnrecordedS int64           `json:"unrecorded_s,omitempty"` // in gaps of the log; outside every window
	Met         bool            `json:"met"`                    // every window, with every condition noted
	Cautions    []string        `json:"cautions,omitempty"`
}

// clockSlack is how far the clock with which a drive was logged may be ahead.
const clockSlack = time.Minute

type driveOrder struct {
	Started      time.Time            `json:"started"`
	Ended        time.Time            `json:"ended"`
	OdometerKM   *Odometer            `json:"odometer_km"`
	Metres       *int64               `json:"metres"`
	Conditions   []string             `json:"conditions"`
	Driver       stream.Sealed        `json:"driver"`
	SecondPerson *stream.Sealed       `json:"second_person"`
	Interrupted  []drive.Interruption `json:"interrupted"`
	Note         *stream.Sealed       `json:"note"`

	log drive.Log
}

func readDrive(o *strict.Object, sealed bool) any {
	d := driveOrder{log: drive.Read(o), Interrupted: drive.ReadInterruptions(o, "interrupted"), Note: optFreeText(o, "note", sealed)}
	var named [2]string
	d.Driver, named[0] = personName(o, "driver", sealed)
	if o.Has("second_person") {
		var second stream.Sealed
		second, named[1] = personName(o, "second_person", sealed)
		d.SecondPerson = &second
	}
	if named[0] != "" && strings.EqualFold(named[0], named[1]) {
		o.Reject("second_person", "another than the driver, who drives only; leave it out if nobody rode along")
	}
	if odo, there := o.OptObject("odometer_km"); there {
		d.OdometerKM = &Odometer{odo.Int("start", 0, 5_000_000), odo.Int("end", 0, 5_000_000)}
		if odo.Has("end") && d.OdometerKM.End < d.OdometerKM.Start {
			odo.Reject("end", fmt.Sprintf("at least start, which is %d", d.OdometerKM.Start))
		}
	}
	if m, there := o.OptInt("metres", 0, 5_000_000); there {
		d.Metres = &m
	}
	d.Conditions = o.Strings("conditions", 0, procedure.MaxConditions, 60)
	d.moments(o)
	return d
}

// moments reads when the drive began and ended, and refuses a log that goes on beyond its end.
func (d *driveOrder) moments(o *strict.Object) {
	started, ended := moment(o, "started"), moment(o, "ended")
	if started == nil || ended == nil {
		return
	}
	d.Started, d.Ended = *started, *ended
	last := d.log.Ends()
	if n := len(d.Interrupted); n > 0 {
		last = max(last, time.Duration(d.Interrupted[n-1].ToS)*time.Second)
	}
	switch took := d.Ended.Sub(d.Started); {
	case took <= 0:
		o.Reject("ended", "after started")
	case took > drive.Longest:
		o.Reject("ended", fmt.Sprintf("at most %d h after started", int(drive.Longest.Hours())))
	case last > took:
		o.Reject("ended", fmt.Sprintf("at least %s after started, where what was recorded ends", last))
	}
}

// moment reads a required time in UTC.
func moment(o *strict.Object, key string) *time.Time {
	if !o.Has(key) {
		o.String(key, 24) // which says that it is missing
		return nil
	}
	return optMoment(o, key)
}

// personName reads somebody's name: plain as it is sent, sealed as it is decided and stored.
func personName(o *strict.Object, key string, sealed bool) (s stream.Sealed, plain string) {
	if !sealed {
		return s, o.String(key, 120)
	}
	return freeText(o, key, true), ""
}

func needsDrive(s *State, _ stream.Actor, _ any) []stream.FactKey {
	return []stream.FactKey{s.scanKey(), s.vehicleKey()}
}

// drivenDecided is a drive in its attempt, and what it comes to.
type drivenDecided struct {
	Attempt int `json:"attempt"`
	Drive   int `json:"drive"`
	DriveCheck
}

func decideDrive(a *asked) (stream.Decision, error) {
	o, asks := a.data.(driveOrder), a.state.procedure.Drive
	d := drivenDecided{Attempt: len(a.state.attempts) + 1, Drive: 1}
	if open := a.state.attempt(); open != nil {
		d.Attempt, d.Drive = open.Number, len(open.Drives)+1
	}
	d.DriveCheck = DriveCheck{Windows: drive.Check(o.log, o.Interrupted, asks.Windows), UnrecordedS: o.log.UnrecordedS()}
	for _, c := range asks.Conditions {
		if !slices.Contains(o.Conditions, c.Name) {
			d.NotNoted = append(d.NotNoted, c.Name)
		}
	}
	d.Met = len(d.NotNoted) == 0 && !slices.ContainsFunc(d.Windows, func(w drive.Checked) bool { return !w.Met })
	if o.SecondPerson == nil {
		d.Cautions = append(d.Cautions, "no-second-person")
	}
	if slices.ContainsFunc(a.state.gates, func(g Gate) bool { return g.Due == ByDrive && g.At != nil && g.At.After(o.Started) }) {
		d.Cautions = append(d.Cautions, "gate-answered-after-start")
	}
	if slices.ContainsFunc(d.Windows, func(w drive.Checked) bool { return w.Beyond }) {
		d.Cautions = append(d.Cautions, "drive-beyond-window")
	}
	d.Cautions = append(d.Cautions, a.competenceCautions()...)
	return a.entry(d)
}

// applyDriven adds the drive to the open attempt, or opens one. Whatever was set up for a leg is void: the car has moved.
func applyDriven(s *State, e stream.Entry) error {
	var (
		o driveOrder
		d drivenDecided
	)
	if err := parse(e, &o, &d); err != nil {
		return err
	}
	if s.attempt() == nil {
		s.attempts = appended(s.attempts, Attempt{Number: d.Attempt, Legs: []Leg{}})
	}
	a := s.changeAttempt()
	if a.Number != d.Attempt || len(a.Drives)+1 != d.Drive {
		return fmt.Errorf("drive %d of attempt %d does not follow", d.Drive, d.Attempt)
	}
	a.Drives = append(a.Drives, Drive{
		Number: d.Drive, Started: o.Started, Ended: o.Ended, OdometerKM: o.OdometerKM, Metres: o.Metres, Conditions: filled(o.Conditions),
		Driver: o.Driver, SecondPerson: o.SecondPerson, Interrupted: filled(o.Interrupted), Note: o.Note, DriveCheck: d.DriveCheck, By: e.By, At: e.At,
	})
	if s.place.Stage != None {
		s.place = Place{Position: s.place.Position, Stage: None, Void: carMoved}
	}
	return nil
}

// drives reports whether the method asks for a drive on the road.
func (s *State) drives() bool { return s.procedure != nil && s.procedure.Drive != nil }

// driven is the first drive of the open attempt that meets all that is asked, or nil.
func (s *State) driven() *Drive {
	open := s.attempt()
	if open == nil {
		return nil
	}
	if i := slices.IndexFunc(open.Drives, func(d Drive) bool { return d.Met }); i >= 0 {
		return &open.Drives[i]
	}
	return nil
}

// attemptSince is the moment from which on a drive can be of the present attempt.
func (s *State) attemptSince() time.Time {
	since := s.opened
	later := func(at time.Time) {
		if at.After(since) {
			since = at
		}
	}
	if n := len(s.earlier); n > 0 {
		later(s.earlier[n-1].At)
	}
	for _, a := range s.attempts {
		if !a.Over {
			continue
		}
		for _, l := range a.Legs {
			if l.Ended != nil {
				later(*l.Ended)
			}
		}
		for _, d := range a.Drives {
			later(d.Ended)
		}
	}
	return since
}

// legWithin is a leg of the open attempt that ran at some moment between the two, or nil: the car stood in the bay then.
func (s *State) legWithin(from, to time.Time) *Leg {
	open := s.attempt()
	if open == nil {
		return nil
	}
	for i, l := range open.Legs {
		if l.Ended != nil && l.Started.Before(to) && from.Before(*l.Ended) {
			return &open.Legs[i]
		}
	}
	return nil
}

// lacks says what a drive lacks, for a sentence.
func (c DriveCheck) lacks() string {
	var parts []string
	for _, w := range c.Windows {
		switch {
		case w.MissingS > 0 && w.MissingM > 0:
			parts = append(parts, fmt.Sprintf("%d s and %d m in %s", w.MissingS, w.MissingM, w.Window))
		case w.MissingS > 0:
			parts = append(parts, fmt.Sprintf("%d s in %s", w.MissingS, w.Window))
		case w.MissingM > 0:
			parts = append(parts, fmt.Sprintf("%d m in %s", w.MissingM, w.Window))
		}
	}
	for _, name := range c.NotNoted {
		parts = append(parts, "the condition "+name)
	}
	return strings.Join(parts, ", ")
}

var driveAsked = guard{"drive-asked", "the procedure asks for a drive on the road", func(a *asked) string {
	if a.state.drives() {
		return ""
	}
	return "The calibration goes by no procedure with a drive on the road: there is nothing to check a drive against. Write what was driven as a note."
}}

var gatesByDrive = guard{"gates-by-drive", "every gate due by the request or the drive is met, waived where its grade allows, or answered where it is only recorded, and its answer counted when the drive began", func(a *asked) string {
	return unmet(a.state.gates, ByDrive, "record a drive", a.data.(driveOrder).Started)
}}

var driveInAttempt = guard{"drive-in-attempt", "the drive has ended, it began after the calibration was opened and after what ended the attempt before, and no leg ran meanwhile", func(a *asked) string {
	o := a.data.(driveOrder)
	switch since := a.state.attemptSince(); {
	case o.Started.Before(since):
		return fmt.Sprintf("The drive began before this attempt could, which was at %s. It is of another attempt: drive again.", since.Format(time.RFC3339))
	case o.Ended.After(a.now.Add(clockSlack)):
		return "The drive ends later than it is now. Record it when it has ended; look at the clock of what logged it."
	}
	if l := a.state.legWithin(o.Started, o.Ended); l != nil {
		return fmt.Sprintf("Leg %d of this attempt ran from %s on, while the car was driven by what was entered. Look at the times of the drive.",
			l.Number, l.Started.Format(time.RFC3339))
	}
	return ""
}}

var conditionsKnown = guard{"conditions-known", "every condition noted is one of the procedure's", func(a *asked) string {
	if !a.state.drives() {
		return ""
	}
	var names []string
	for _, c := range a.state.procedure.Drive.Conditions {
		names = append(names, c.Name)
	}
	for _, noted := range a.data.(driveOrder).Conditions {
		if !slices.Contains(names, noted) {
			return fmt.Sprintf("The procedure has no condition %q. It has %s.", noted, strings.Join(names, ", "))
		}
	}
	return ""
}}

var driveMet = guard{"drive-met", "for completed: if the procedure asks for a drive, one of this attempt meets every window, with every condition noted", func(a *asked) string {
	s := a.state
	if a.data.(declareOrder).Outcome != Completed || !s.drives() || s.driven() != nil {
		return ""
	}
	if open := s.attempt(); open != nil && len(open.Drives) > 0 {
		last := open.Drives[len(open.Drives)-1]
		return fmt.Sprintf("No drive of this attempt meets what the procedure asks for. Drive %d lacks %s. Drive again, or declare another outcome.", last.Number, last.lacks())
	}
	return "The procedure asks for a drive on the road, and none is recorded in this attempt. Drive and record it, or declare another outcome."
}}
