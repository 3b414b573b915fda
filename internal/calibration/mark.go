package calibration

import (
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"readback/internal/stream"
	"readback/internal/strict"
)

// Mark is one thing drawn on a photo. Points are in parts per million of the photo's width, from the left, and of its
// height, from the top, so that they fit it at whatever size it is shown.
type Mark struct {
	Number int            `json:"number"`
	Kind   string         `json:"kind"`
	Points []Point        `json:"points"`
	Text   *stream.Sealed `json:"text,omitempty"` // of a mark of that kind
	At     time.Time      `json:"at"`
	Member stream.ID      `json:"member"`
	Role   stream.Role    `json:"role"`
}

// Point is a place on a photo.
type Point struct {
	XPPM int64 `json:"x_ppm"`
	YPPM int64 `json:"y_ppm"`
}

// What can be drawn: an arrow from its first point to its second, which it points at; a ring around its first point
// through its second; a line through all; the text of the entry beside a point.
const (
	markArrow = "arrow"
	markRing  = "ring"
	markLine  = "line"
	markText  = "text"
)

const (
	maxMarks  = 50 // of one entry
	maxPoints = 100
)

// marksPoints are how many points a mark has, at least and at most.
var marksPoints = map[string][2]int{markArrow: {2, 2}, markRing: {2, 2}, markLine: {2, maxPoints}, markText: {1, 1}}

type drawn struct {
	Kind   string  `json:"kind"`
	Points []Point `json:"points"`
}

// markOrder holds at most one text, since what is sealed stands at the top of a command: several are several entries.
type markOrder struct {
	Photo stream.ID      `json:"photo"`
	Marks []drawn        `json:"marks"`
	Text  *stream.Sealed `json:"text"`
}

func readMarks(o *strict.Object, sealed bool) any {
	m := markOrder{Photo: readID(o, "photo")}
	texts := 0
	for _, each := range o.Objects("marks", 1, maxMarks) {
		d := drawn{Kind: each.Enum("kind", markArrow, markRing, markLine, markText)}
		bounds, ok := marksPoints[d.Kind]
		if !ok {
			each.Ignore()
			continue
		}
		for _, p := range each.Objects("points", bounds[0], bounds[1]) {
			d.Points = append(d.Points, Point{XPPM: p.Int("x_ppm", 0, 1_000_000), YPPM: p.Int("y_ppm", 0, 1_000_000)})
		}
		if d.Kind == markText {
			texts++
		}
		m.Marks = append(m.Marks, d)
	}
	switch {
	case texts > 1:
		o.Reject("marks", "at most one mark of kind text; several texts are several commands")
	case texts == 1 && !o.Has("text"):
		o.Reject("text", "the text of the mark of kind text")
	case texts == 0 && o.Has("text"):
		o.Reject("text", "only with a mark of kind text, which says where it stands")
	}
	m.Text = optFreeText(o, "text", sealed)
	return m
}

var photoAttached = guard{"photo-attached", "the photo is attached to the calibration", func(a *asked) string {
	if a.state.photo(a.data.(markOrder).Photo) == nil {
		return "No such photo is attached to this calibration: attach it first."
	}
	return ""
}}

func decideMarks(a *asked) (stream.Decision, error) { return a.entry(nil) }

func applyMarked(s *State, e stream.Entry) error {
	var o markOrder
	if err := json.Unmarshal(e.Command.Data, &o); err != nil {
		return err
	}
	s.photos = slices.Clone(s.photos)
	p := s.photo(o.Photo)
	if p == nil {
		return fmt.Errorf("no photo %s", o.Photo)
	}
	p.Marks = slices.Clone(p.Marks)
	for _, d := range o.Marks {
		m := Mark{Number: len(p.Marks) + 1, Kind: d.Kind, Points: d.Points, At: e.At, Member: e.By.Member, Role: e.By.Role}
		if d.Kind == markText {
			m.Text = o.Text
		}
		p.Marks = append(p.Marks, m)
	}
	return nil
}
