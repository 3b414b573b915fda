package vehicle

import (
	"bytes"
	"encoding/json"
	"strconv"
	"strings"

	"readback/internal/fault"
	"readback/internal/strict"
)

// Measured is one wheel alignment read from a file: with "steering_zero_done" added, and "when" if the file does not
// say, it is the data of the command attach-alignment.
type Measured struct {
	When   When      `json:"when,omitempty"`
	Wheels Alignment `json:"wheels"`
	Stated *Thrust   `json:"stated_thrust,omitempty"` // as the aligner states it
	// ThrustUdeg follows from the rear toes, positive to the right. The command does not take it: it is for whoever reads.
	ThrustUdeg int64 `json:"thrust_udeg"`
}

// MostAlignmentBytes is the largest alignment file read.
const MostAlignmentBytes = 64 << 10

// ReadAlignmentFile reads a wheel alignment from a JSON object or else CSV, as docs/job.md describes them: one
// alignment, or one before the work and one after it. Either it is read whole or the refusal lists what is wrong.
func ReadAlignmentFile(raw []byte) ([]Measured, error) {
	if len(raw) > MostAlignmentBytes {
		return nil, fault.New(fault.TooLarge, "An alignment file is at most "+strconv.Itoa(MostAlignmentBytes>>10)+" KiB.")
	}
	if text := bytes.TrimSpace(bytes.TrimPrefix(raw, []byte("\ufeff"))); bytes.HasPrefix(text, []byte("{")) {
		return readJSON(text)
	}
	return readCSV(raw)
}

// draft is an alignment on its way from a file. Names say where in the file it stands, for refusals.
type draft struct {
	name, thrustName string
	when             When
	wheels           [4]struct{ toe, camber, caster figure } // in the order of wheelKeys
	thrust           figure
	positive         Side
}

var wheelKeys = [4]string{"front_left", "front_right", "rear_left", "rear_right"}

const (
	rearLeft  = 2
	rearRight = 3
)

// faults collects what is wrong with a file.
type faults []fault.Field

func (f *faults) add(name, want string) {
	if len(*f) < 20 {
		*f = append(*f, fault.Field{Name: name, Want: want})
	}
}

func (f faults) err() error {
	if len(f) == 0 {
		return nil
	}
	return fault.New(fault.InvalidInput, "The wheel alignment is not usable as it stands.", f...)
}

// angle reads one figure and checks its range.
func (f *faults) angle(name, text string, unit angleUnit, diameter decimal, most int64) figure {
	got, err := parseAngle(text, unit, diameter)
	if err != nil {
		f.add(name, err.Error())
		return figure{}
	}
	if got.udeg > most || got.udeg < -most {
		f.add(name, "at most "+degrees(most)+" to either side; this is "+degrees(got.udeg))
	}
	return got
}

// finish checks the alignments as a whole.
func (f *faults) finish(drafts []draft) ([]Measured, error) {
	readable := len(*f) == 0 // else a toe may be missing only because it could not be read
	for _, d := range drafts {
		for _, i := range []int{rearLeft, rearRight} {
			if readable && !d.wheels[i].toe.given {
				f.add(d.name, "the toe of "+wheelKeys[i]+": the thrust angle follows from the rear toes")
			}
		}
		switch {
		case d.thrust.given && d.positive == "":
			f.add(d.thrustName, "left or right as positive, beside the thrust angle: both signs are in use")
		case !d.thrust.given && d.positive != "":
			f.add(d.thrustName, "a thrust angle beside its positive side, or neither")
		}
	}
	if len(drafts) == 2 && (drafts[0].when == "" || drafts[0].when == drafts[1].when) {
		f.add(drafts[1].name, "before for one of the two alignments and after for the other")
	}
	if err := f.err(); err != nil {
		return nil, err
	}
	out := make([]Measured, len(drafts))
	for i, d := range drafts {
		m := Measured{When: d.when}
		for j, to := range []*Wheel{&m.Wheels.FrontLeft, &m.Wheels.FrontRight, &m.Wheels.RearLeft, &m.Wheels.RearRight} {
			w := d.wheels[j]
			to.ToeUdeg, to.CamberUdeg, to.CasterUdeg = w.toe.value(), w.camber.value(), w.caster.value()
		}
		toes := m.Wheels.RearToe()
		m.ThrustUdeg = toes.ThrustUdeg()
		if d.thrust.given {
			m.Stated = &Thrust{Udeg: d.thrust.udeg, Positive: d.positive}
			slack := max(ThrustSlackUdeg, (d.wheels[rearLeft].toe.halfUdeg+d.wheels[rearRight].toe.halfUdeg)/2+d.thrust.halfUdeg)
			if why := toes.contradiction(*m.Stated, slack); why != "" {
				return nil, contradicts(d.thrustName, why)
			}
		}
		out[i] = m
	}
	return out, nil
}

func (f figure) value() *int64 {
	if !f.given {
		return nil
	}
	return &f.udeg
}

// readJSON reads {"alignments": [{"when", "diameter_mm", "front_left": {"toe_mm", "camber_deg", "caster_min"}, …,
// "thrust": {"deg", "positive"}}]}. Each key of an angle ends in its unit.
func readJSON(raw []byte) ([]Measured, error) {
	o := strict.Read(raw, "")
	var f faults
	var drafts []draft
	for _, a := range o.Objects("alignments", 1, 2) {
		d := draft{name: strings.TrimSuffix(a.Path(""), "."), thrustName: a.Path("thrust")}
		d.when = When(a.OptEnum("when", "", string(Before), string(After)))
		diameter := jsonDiameter(a)
		for i, key := range wheelKeys {
			if w, there := a.OptObject(key); there {
				to := &d.wheels[i]
				to.toe = f.jsonAngle(w, "toe", diameter, mostToe, inDegrees, inMinutes, inMM)
				to.camber = f.jsonAngle(w, "camber", decimal{}, mostCamber, inDegrees, inMinutes)
				if i < rearLeft {
					to.caster = f.jsonAngle(w, "caster", decimal{}, mostCaster, inDegrees, inMinutes)
				}
			}
		}
		if t, there := a.OptObject("thrust"); there {
			d.thrust = f.jsonAngle(t, "", decimal{}, mostThrust, inDegrees, inMinutes)
			d.positive = Side(t.Enum("positive", string(ToLeft), string(ToRight)))
		}
		drafts = append(drafts, d)
	}
	if err := o.Close(); err != nil {
		return nil, err
	}
	return f.finish(drafts)
}

func jsonDiameter(o *strict.Object) decimal {
	if !o.Has("diameter_mm") {
		return decimal{}
	}
	d, ok := jsonDecimal(o.Raw("diameter_mm"))
	if !ok || !isDiameter(d) {
		o.Reject("diameter_mm", wantDiameter)
	}
	return d
}

// jsonDecimal takes a JSON number as it is written, so that none of its decimals is lost.
func jsonDecimal(raw json.RawMessage) (decimal, bool) {
	if len(raw) == 0 || bytes.ContainsAny(raw, `,"°`) {
		return decimal{}, false
	}
	return parseDecimal(string(raw))
}

// jsonAngle reads what in one of the units, at most once.
func (f *faults) jsonAngle(o *strict.Object, what string, diameter decimal, most int64, units ...angleUnit) figure {
	var got figure
	for _, u := range units {
		key := string(u)
		if what != "" {
			key = what + "_" + key
		}
		if !o.Has(key) {
			continue
		}
		raw := o.Raw(key)
		switch _, ok := jsonDecimal(raw); {
		case !ok:
			o.Reject(key, "a number with at most 6 decimals, without an exponent")
		case got.given:
			o.Reject(key, "this angle in one unit only")
		default:
			got = f.angle(o.Path(key), string(raw), u, diameter, most)
		}
	}
	return got
}

// A rim or a tyre is of this size in millimetres.
const wantDiameter = "a diameter from 200 to 1500 mm"

func isDiameter(d decimal) bool { return d.micro >= 200*microPerUnit && d.micro <= 1500*microPerUnit }
