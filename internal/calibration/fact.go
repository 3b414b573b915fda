package calibration

import (
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"readback/internal/stream"
)

// What other streams give, as far as a calibration relies on it. Values in the form of the placement case file (with
// _um and _udeg) stay raw: package placement reads them.

type member struct {
	Competences []struct {
		Sensor  string `json:"sensor"`
		Expires string `json:"expires"`
	} `json:"competences"`
	Languages []string `json:"languages"`
	Active    bool     `json:"active"`
}

type agreement struct {
	Ended bool `json:"ended"`
}

type bay struct {
	Name    string          `json:"name"`
	Floor   json.RawMessage `json:"floor,omitempty"` // absent if never surveyed
	Expires string          `json:"expires"`
	Active  bool            `json:"active"`
}

type instrument struct {
	Name       string          `json:"name"`
	Instrument json.RawMessage `json:"instrument"`
	Due        string          `json:"due"`
	Active     bool            `json:"active"`
}

type fixture struct {
	Name    string          `json:"name"`
	Target  string          `json:"target"`
	Fixture json.RawMessage `json:"fixture"`
	Active  bool            `json:"active"`
}

type dimensions struct {
	Type    string          `json:"type"`
	Vehicle json.RawMessage `json:"vehicle"`
	Active  bool            `json:"active"`
}

type vehicle struct {
	Dimensions *stream.ID `json:"dimensions"`
	Sensors    []string   `json:"sensors"` // the affected ones
	Steering   string     `json:"steering"`
	Missing    []string   `json:"missing"` // what the job has not been told yet
	VINDiffers bool       `json:"vin_differs"`
	Withdrawn  bool       `json:"withdrawn"`
}

type alignment struct {
	RearToe json.RawMessage `json:"rear_toe_udeg"`
}

type scan struct {
	When     string `json:"when"`
	Blocking int    `json:"blocking"`
}

func registerKey(org stream.ID, name string) stream.FactKey {
	return stream.FactKey{Stream: stream.Ref{Kind: stream.Register, ID: org}, Name: name}
}

func organisationKey(org stream.ID) stream.FactKey { return registerKey(org, "organisation") }

func memberKey(org, member stream.ID) stream.FactKey {
	return registerKey(org, "member/"+member.String())
}

func (s *State) agreementKey(desk stream.ID) stream.FactKey {
	return registerKey(s.shop, "agreement/"+desk.String())
}

func (s *State) bayKey(id stream.ID) stream.FactKey {
	return registerKey(s.shop, "bay/"+id.String())
}

func (s *State) fixtureKey(id stream.ID) stream.FactKey {
	return registerKey(s.shop, "fixture/"+id.String())
}

func (s *State) dimensionsKey(id stream.ID) stream.FactKey {
	return registerKey(s.shop, "dimensions/"+id.String())
}

func (s *State) instrumentKey(id stream.ID) stream.FactKey {
	return registerKey(s.shop, "instrument/"+id.String())
}

func jobKey(job stream.ID, name string) stream.FactKey {
	return stream.FactKey{Stream: stream.Ref{Kind: stream.Job, ID: job}, Name: name}
}

func (s *State) vehicleKey() stream.FactKey   { return jobKey(s.job, "vehicle") }
func (s *State) alignmentKey() stream.FactKey { return jobKey(s.job, "alignment") }
func (s *State) scanKey() stream.FactKey      { return jobKey(s.job, "scan") }

// Steering is the side of the car's steering wheel, left or right, as the job had it when it was last relied on; "" if
// the stream does not hold it.
func (s *State) Steering() string {
	v, _ := fact[vehicle](s.held, s.vehicleKey())
	return v.Steering
}

// fact reads a fact's value. False: there is none, or it is not of that form, which is as good as none.
func fact[T any](facts stream.Facts, key stream.FactKey) (value T, ok bool) {
	f, ok := facts[key]
	if !ok {
		return value, false
	}
	if err := json.Unmarshal(f.Value, &value); err != nil {
		var none T
		return none, false
	}
	return value, true
}

// Reliance is the version of a fact that a verdict was computed with. Seq 0: the fact did not exist then.
type Reliance struct {
	Key  stream.FactKey `json:"key"`
	Seq  uint64         `json:"seq"`
	Hash stream.Hash    `json:"hash"`
}

// changed names the facts of which another version is given now.
func changed(relied []Reliance, facts stream.Facts) []string {
	var names []string
	for _, r := range relied {
		if f := facts[r.Key]; f.Seq != r.Seq || f.Hash != r.Hash {
			names = append(names, r.Key.Name)
		}
	}
	return names
}

func keysOf(relied []Reliance) []stream.FactKey {
	keys := make([]stream.FactKey, len(relied))
	for i, r := range relied {
		keys[i] = r.Key
	}
	return keys
}

// day is the calendar day that due dates and expiries are compared with: in UTC, so that it is the same for everyone
// who verifies. A date counts as current through its whole day.
func day(now time.Time) string { return now.UTC().Format(time.DateOnly) }

// competent says why the member may not work on the sensor on that day, or "", and whether it is only that the proof
// has run out.
func competent(facts stream.Facts, key stream.FactKey, sensor string, now time.Time) (why string, expired bool) {
	m, ok := fact[member](facts, key)
	if !ok || !m.Active {
		return "You are not an active member of your organisation's register. Ask its owner to enter you.", false
	}
	newest := ""
	for _, c := range m.Competences {
		if c.Sensor == sensor {
			newest = max(newest, c.Expires)
		}
	}
	switch {
	case newest == "":
		return fmt.Sprintf("The register holds no proof of competence of yours for %s. Ask your owner to enter it.", sensor), false
	case newest < day(now):
		return fmt.Sprintf("Your proof of competence for %s ran out on %s. Ask your owner to enter the new one.", sensor, newest), true
	}
	return "", false
}

// unique keeps the first of equal keys.
func unique(keys []stream.FactKey) []stream.FactKey {
	var out []stream.FactKey
	for _, k := range keys {
		if !slices.Contains(out, k) {
			out = append(out, k)
		}
	}
	return out
}
