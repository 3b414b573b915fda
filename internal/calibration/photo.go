package calibration

import (
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"readback/internal/photo"
	"readback/internal/stream"
	"readback/internal/strict"
)

// Photo is a photograph that shows something of the calibration, with what was drawn on it. Photos are numbered from 1 in
// the order in which they were attached, and the marks on each likewise; neither is ever changed or taken away.
type Photo struct {
	Number int `json:"number"`
	photo.Named
	Of      PhotoOf        `json:"of"`
	Caption *stream.Sealed `json:"caption,omitempty"`
	At      time.Time      `json:"at"`
	Member  stream.ID      `json:"member"`
	Role    stream.Role    `json:"role"`
	Marks   []Mark         `json:"marks"`
}

// PhotoOf is what a photo shows: one of these.
type PhotoOf struct {
	Gate    string `json:"gate,omitempty"`
	Step    int    `json:"step,omitempty"`    // its number
	Reading uint64 `json:"reading,omitempty"` // number of the entry that reported the readings
}

// Photos lists the photos in the order of their numbers.
func (s *State) Photos() []Photo { return slices.Clone(s.photos) }

// photo finds a photo by its id.
func (s *State) photo(id stream.ID) *Photo {
	for i := range s.photos {
		if s.photos[i].ID == id {
			return &s.photos[i]
		}
	}
	return nil
}

// photographed reports whether the gate has a photo that an answer now may rest on: one no older than an answer counts.
func (s *State) photographed(g *Gate, now time.Time) bool {
	return slices.ContainsFunc(g.Photos, func(id stream.ID) bool {
		p := s.photo(id)
		return p != nil && (g.ExpiresMin == 0 || !now.After(p.At.Add(time.Duration(g.ExpiresMin)*time.Minute)))
	})
}

// PhotoOf is the photo that a command attaches; false if it attaches none. Whether it is there is for whoever keeps photos
// to say, before the entry is written.
func (Rules) PhotoOf(cmd stream.Command) (photo.Named, bool) {
	if cmd.Type != "attach-photo" {
		return photo.Named{}, false
	}
	var named photo.Named
	err := json.Unmarshal(cmd.Data, &named)
	return named, err == nil
}

type attachOrder struct {
	photo.Named
	Of      PhotoOf        `json:"of"`
	Caption *stream.Sealed `json:"caption"`
}

func readAttach(o *strict.Object, sealed bool) any {
	a := attachOrder{Named: photo.Named{
		ID: readID(o, "photo"), WidthPX: int(o.Int("width_px", 1, photo.MaxSidePX)), HeightPX: int(o.Int("height_px", 1, photo.MaxSidePX)),
	}}
	if sum := o.String("sha256", 64); sum != "" && a.SHA256.UnmarshalText([]byte(sum)) != nil {
		o.Reject("sha256", "the sum that the answer to the photo said: 64 hexadecimal digits in lower case")
	}
	of := o.Object("of")
	a.Of.Gate = of.OptString("gate", 60)
	step, _ := of.OptInt("step", 1, 1_000_000)
	reading, _ := of.OptInt("reading", 1, 1<<53-1)
	a.Of.Step, a.Of.Reading = int(step), uint64(reading)
	if n := len(of.Keys()); of.There() && n != 1 {
		o.Reject("of", "one of gate, step and reading")
	}
	a.Caption = optFreeText(o, "caption", sealed)
	return a
}

var photoNew = guard{"photo-new", "the photo is not attached already", func(a *asked) string {
	if p := a.state.photo(a.data.(attachOrder).ID); p != nil {
		return fmt.Sprintf("It is attached already, as photo %d.", p.Number)
	}
	return ""
}}

var photoOfSomething = guard{"photo-of-something", "the gate or the step is there, or readings of that entry stand", func(a *asked) string {
	s, of := a.state, a.data.(attachOrder).Of
	switch {
	case of.Gate != "" && s.gate(of.Gate) == nil:
		return fmt.Sprintf("This calibration has no gate %q.", of.Gate)
	case of.Step > len(s.steps):
		return fmt.Sprintf("There is no step %d yet: there are %d.", of.Step, len(s.steps))
	case of.Reading > 0 && !slices.ContainsFunc(slices.Concat(s.place.Standing, s.place.Closing), func(r Standing) bool { return r.Entry == of.Reading }):
		return fmt.Sprintf("No reading of entry %d stands at this position.", of.Reading)
	}
	return ""
}}

func decideAttach(a *asked) (stream.Decision, error) { return a.entry(nil) }

func applyAttached(s *State, e stream.Entry) error {
	var o attachOrder
	if err := parse(e, &o, nil); err != nil {
		return err
	}
	if o.Of.Gate != "" {
		g, err := s.changeGate(o.Of.Gate)
		if err != nil {
			return err
		}
		g.Photos = append(slices.Clone(g.Photos), o.ID)
	}
	s.photos = append(slices.Clone(s.photos), Photo{
		Number: len(s.photos) + 1, Named: o.Named, Of: o.Of, Caption: o.Caption, At: e.At, Member: e.By.Member, Role: e.By.Role, Marks: []Mark{},
	})
	return nil
}
