package demo

import (
	"encoding/json"
	"fmt"
	"strings"
)

// verdict is what the people of the demo read of an answer: the published form of a readings-reported entry.
type verdict struct {
	Verdict string `json:"verdict"`
	Judged  []struct {
		Quantity       string `json:"quantity"`
		DeviationUM    int64  `json:"deviation_um"`
		DeviationUdeg  int64  `json:"deviation_udeg"`
		ConformancePPM int64  `json:"conformance_ppm"`
	} `json:"judged"`
	Suspects []suspect `json:"suspects"`
	Moves    []move    `json:"moves"`
	Nudge    []move    `json:"nudge"`
}

// suspect is a reading that is likely wrong, by its place in the list of what stands.
type suspect struct {
	Reading       int   `json:"reading"`
	LikelyErrorUM int64 `json:"likely_error_um"`
}

// move is one thing the verdict asks to be done, in the technician's words.
type move struct {
	Move    string `json:"move"`
	To      string `json:"to"`
	LeftEnd string `json:"left_end"`
	Top     string `json:"top"`
	ByUM    int64  `json:"by_um"`
	ByUdeg  int64  `json:"by_udeg"`
	EndUM   int64  `json:"end_um"`
}

func (m move) String() string {
	switch m.Move {
	case "turn":
		return fmt.Sprintf("turn the left end %s %s (%s at the end)", toward(m.LeftEnd), degrees(m.ByUdeg), mm(m.EndUM))
	case "roll":
		return fmt.Sprintf("left end %s %s (%s at the end)", m.LeftEnd, degrees(m.ByUdeg), mm(m.EndUM))
	case "tilt":
		return fmt.Sprintf("tilt the top %s %s", toward(m.Top), degrees(m.ByUdeg))
	}
	return fmt.Sprintf("%s %s %s", m.Move, toward(m.To), mm(m.ByUM))
}

func toward(to string) string {
	switch to {
	case "towards-car":
		return "towards the car"
	case "away":
		return "away from the car"
	case "left", "right":
		return "to vehicle " + to
	}
	return to
}

func moves(list []move) string {
	words := make([]string, len(list))
	for i, m := range list {
		words[i] = m.String()
	}
	return strings.Join(words, "; ")
}

// where says where the board stands, in words: lateral, distance and yaw.
func (v verdict) where() string {
	var parts []string
	for _, j := range v.Judged {
		switch j.Quantity {
		case "lateral":
			parts = append(parts, sided(j.DeviationUM, "left", "right"))
		case "distance":
			parts = append(parts, sided(j.DeviationUM, "far", "near"))
		case "yaw":
			end := "left"
			if j.DeviationUdeg < 0 {
				end = "right"
			}
			parts = append(parts, end+" end near "+degrees(j.DeviationUdeg))
		}
	}
	return strings.Join(parts, ", ")
}

// least is the smallest conformance probability of all judged quantities, in percent; nothing measured is certain.
func (v verdict) least() string {
	least := int64(1_000_000)
	for _, j := range v.Judged {
		least = min(least, j.ConformancePPM)
	}
	if least > 999_000 {
		return "> 99.9 %"
	}
	return fmt.Sprintf("%.1f %%", float64(least)/1e4)
}

func readVerdict(decided json.RawMessage) (verdict, error) {
	var d struct {
		Verdict verdict `json:"verdict"`
	}
	if err := json.Unmarshal(decided, &d); err != nil {
		return verdict{}, fmt.Errorf("read a verdict: %w", err)
	}
	return d.Verdict, nil
}
