package phrase

import (
	"strconv"
	"strings"

	"readback/internal/calibration"
)

// Verdict is a verdict in a few words; v may be nil.
func (v Voice) Verdict(given *calibration.Verdict) string {
	if given == nil {
		return v.texts["verdict.none"]
	}
	var missing []string
	for _, q := range given.Missing {
		missing = append(missing, v.texts.text("quantity.", q))
	}
	return v.texts.fill("verdict.", given.Verdict, "quantities", strings.Join(missing, ", "))
}

// Turn says whose turn it is and what is expected; "" if nothing is.
func (v Voice) Turn(t calibration.Turn) string {
	if t.Who == "" {
		return ""
	}
	form := t.Do
	for _, more := range []string{t.Kind, t.Outcome} {
		if _, ok := v.texts["turn."+t.Do+"."+more]; ok {
			form += "." + more
		}
	}
	what := v.texts.fill("turn.", form, "step", strconv.Itoa(t.Step), "position", t.Position, "gate", strings.ReplaceAll(t.Gate, "-", " "))
	return v.texts.fill("", "turn", "who", v.texts.text("who.", string(t.Who)), "what", what)
}
