// Package procedure is the written method for one kind of sensor, as a workshop or a desk takes it from the vehicle
// maker's service information: gates with the figures they must lie in, set-ups of the target with their steps, and the
// windows of a road drive. The product brings none of its own.
//
// A document has two forms. People write decimals: millimetres (_mm), degrees (_deg), volts, bar. Commands and entries
// carry whole numbers: micrometres (_um), microdegrees (_udeg), millivolts, hectopascals. Decode reads the first,
// DecodeWhole the second; a Procedure marshals as the second, and Authored writes the first.
//
// Invariants of a Procedure that a decoder gave: it names its source with title, date and version; every limit says
// whether the source states it or the organisation set its own, and then who; no two gates, set-ups, windows or
// conditions have one name; no limits contradict each other; what a step or a gate refers to is there. All faults of a
// document are found at once and named by their path.
//
// The package is pure. A Procedure is never changed once it is given out and may be read by any goroutine.
package procedure

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"time"

	"readback/internal/stream"
	"readback/internal/strict"
	"readback/internal/trail"
	"readback/internal/vehicle"
)

// Format is the value of "format" in a document: its kind and version.
const Format = "readback-procedure/1"

// Procedure is one version of a method. Marshalled it is the whole form.
type Procedure struct {
	Format string  `json:"format"`
	Title  string  `json:"title"`
	Sensor string  `json:"sensor"` // a kind of sensor
	Source Source  `json:"source"`
	Gates  []Gate  `json:"gates"`
	SetUps []SetUp `json:"set_ups,omitempty"` // none: a road drive alone
	Drive  *Drive  `json:"drive,omitempty"`
}

// Source is the document the method comes from.
type Source struct {
	Title   string `json:"title"`
	Dated   string `json:"dated"`
	Version string `json:"version"`
}

// Who set a limit.
const (
	Stated = "stated" // by the source
	Own    = "own"    // the source states none: the organisation set its own, and LimitsBy answers for it
)

// How many of each a document may hold.
const (
	MaxGates      = 60
	MaxSetUps     = 12
	MaxSteps      = 60
	MaxWindows    = 12
	MaxConditions = 24
	maxName       = 60
	maxAsks       = 300
)

// Decode reads a document as people write it.
func Decode(raw json.RawMessage, path string) (Procedure, error) { return decode(raw, path, authored) }

// DecodeWhole reads a document as commands and entries carry it.
func DecodeWhole(raw json.RawMessage, path string) (Procedure, error) {
	return decode(raw, path, whole)
}

func decode(raw json.RawMessage, path string, f form) (Procedure, error) {
	o := strict.Read(raw, path)
	p := Procedure{
		Format: o.Enum("format", Format), Title: o.String("title", 120), Sensor: o.Enum("sensor", vehicle.Sensors()...),
	}
	src := o.Object("source")
	p.Source = Source{Title: src.String("title", 200), Dated: date(src, "dated"), Version: src.String("version", 60)}
	p.SetUps = readSetUps(o, p.Sensor, f)
	p.Gates = readGates(o, f)
	if drive, there := o.OptObject("drive"); there {
		p.Drive = readDrive(drive)
	}
	if !o.Has("set_ups") && !o.Has("drive") {
		o.Reject("set_ups", "missing: at least one set-up, or a drive")
	}
	if err := o.Close(); err != nil {
		return Procedure{}, err
	}
	return p, nil
}

// date reads a required day of the calendar.
func date(o *strict.Object, key string) string {
	text := o.String(key, 10)
	if _, err := time.Parse(time.DateOnly, text); err != nil && text != "" {
		o.Reject(key, "a day of the calendar written 2027-03-31")
		return ""
	}
	return text
}

// name reads a required name that programs and people use alike.
func name(o *strict.Object, key string) string {
	text := o.String(key, maxName)
	for i, r := range text {
		if (r < 'a' || r > 'z') && (r < '0' || r > '9' || i == 0) && (r != '-' || i == 0) {
			o.Reject(key, "small letters, digits and hyphens, beginning with a letter")
			return ""
		}
	}
	return text
}

// once refuses a name that stands in the list before.
func once(seen map[string]bool, o *strict.Object, key, name, what string) {
	if name != "" && seen[name] {
		o.Reject(key, "a name that no other "+what+" has")
	}
	seen[name] = true
}

// readLimits reads who set the limits that stand beside it, if there are any.
func readLimits(o *strict.Object, any bool) (limits string, by *stream.ID) {
	if !any {
		for _, key := range []string{"limits", "limits_by"} {
			if o.Has(key) {
				o.OptRaw(key)
				o.Reject(key, "leave it out: there is no limit here")
			}
		}
		return "", nil
	}
	limits = o.Enum("limits", Stated, Own)
	if limits == Own {
		text := o.String("limits_by", 36)
		id, err := stream.ParseID("limits_by", text)
		if err != nil && text != "" {
			o.Reject("limits_by", "the id of the member who set them, a UUID of 36 characters in lower case")
		}
		return limits, &id
	}
	if limits == Stated && o.Has("limits_by") {
		o.OptRaw("limits_by")
		o.Reject("limits_by", "leave it out: the source states the limits")
	}
	if limits == "" && o.Has("limits_by") {
		o.OptRaw("limits_by") // whether it is right depends on limits
	}
	return limits, nil
}

// SetUp finds a set-up by its name.
func (p *Procedure) SetUp(name string) (*SetUp, bool) {
	for i := range p.SetUps {
		if p.SetUps[i].Name == name {
			return &p.SetUps[i], true
		}
	}
	return nil, false
}

// SetUpNames lists the set-ups in order.
func (p *Procedure) SetUpNames() []string {
	names := make([]string, len(p.SetUps))
	for i, s := range p.SetUps {
		names[i] = s.Name
	}
	return names
}

// LimitsBy lists the members who answer for limits, each with the path of one place that says so.
func (p *Procedure) LimitsBy() map[stream.ID]string {
	who := map[stream.ID]string{}
	add := func(by *stream.ID, path string) {
		if by == nil {
			return
		}
		if _, said := who[*by]; !said {
			who[*by] = path
		}
	}
	for i, g := range p.Gates {
		add(g.LimitsBy, fmt.Sprintf("gates[%d].limits_by", i))
	}
	for i, s := range p.SetUps {
		add(s.LimitsBy, fmt.Sprintf("set_ups[%d].limits_by", i))
	}
	return who
}

// Whole writes the document as commands and entries carry it, in the one spelling of RFC 8785.
func (p *Procedure) Whole() (json.RawMessage, error) {
	raw, err := json.Marshal(p)
	if err != nil {
		return nil, fmt.Errorf("write the procedure: %w", err)
	}
	return trail.Canonical(raw)
}

// Digest is the SHA-256 sum of Whole in hexadecimal: two documents that say the same have the same.
func Digest(canonical json.RawMessage) string {
	sum := sha256.Sum256(canonical)
	return hex.EncodeToString(sum[:])
}
