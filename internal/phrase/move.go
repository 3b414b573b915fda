package phrase

import (
	"readback/internal/calibration"
	"readback/internal/figure"
)

// Move says one of a verdict's moves. A turn and a roll are told by how far the left end goes, which a person sees, and
// not by the angle.
func (v Voice) Move(m calibration.Move) Words {
	to := m.To
	switch m.Move {
	case "turn", "roll":
		to = m.LeftEnd
	case "tilt":
		to = m.Top
	}
	f, written := figure.Of(amount(m.ByUdeg), figure.Deg), v.Angle(amount(m.ByUdeg))
	if um := either(m.EndUM, m.ByUM); um != nil {
		f, written = figure.Of(*um, v.unit), v.Length(*um)
	}
	w := Words{Verb: v.texts.text("verb.", m.Move), Side: v.texts.text("side.", to), Aid: v.aid(to), Datum: v.texts["datum.here"]}
	w.Figure, w.Unit = v.written(f)
	w.Long = v.texts.fill("long.", m.Move, "value", written, "side", w.Side, "aid", before(" ", w.Aid), "datum", w.Datum)
	w.Spoken = v.texts.fill("spoken.", m.Move, "value", v.spoken(f), "side", v.texts.text("said.", to))
	return w
}

func either(a, b *int64) *int64 {
	if a != nil {
		return a
	}
	return b
}
