package phrase

import (
	"strings"

	"readback/internal/calibration"
	"readback/internal/figure"
)

// Words are a step or a move in words. The first ones are the parts of the big screen's short form; what a step does not
// have is "".
type Words struct {
	Verb     string `json:"verb"`
	Position string `json:"position,omitempty"`
	Figure   string `json:"figure,omitempty"` // the one quantity, or the id of a target
	Unit     string `json:"unit,omitempty"`
	Side     string `json:"side,omitempty"`
	Aid      string `json:"aid,omitempty"` // where the steering wheel is, in brackets
	Datum    string `json:"datum,omitempty"`
	Limit    string `json:"limit,omitempty"` // to either side, or each side for itself
	Long     string `json:"long"`
	Spoken   string `json:"spoken"`
	ReadBack string `json:"read_back,omitempty"` // what to say back; none for a move that is not read back
}

// Written is the short form in one line.
func (w Words) Written() string {
	line := w.Verb
	for _, part := range []string{w.Figure, w.Unit, w.Side, w.Aid, w.Datum, w.Limit} {
		switch {
		case part == "":
		case part == w.Unit && part == "°":
			line += part
		case part == w.Unit:
			line += noBreak + part
		default:
			line += " " + part
		}
	}
	return line
}

// Step says an instruction that is to be read back.
func (v Voice) Step(i calibration.Instruction) Words {
	w := v.Told(i)
	w.Long += " " + v.texts["ask"]
	w.Spoken += " " + v.texts["ask"]
	return w
}

// Told says an instruction without the call to read it back: once that was done it would contradict what is asked next.
func (v Voice) Told(i calibration.Instruction) Words {
	switch i.Kind {
	case calibration.FitTarget:
		spelt := v.spell(i.Target)
		return Words{
			Verb: v.texts.text("verb.", i.Kind), Figure: i.Target,
			Long:     v.texts.fill("long.", i.Kind, "target", i.Target),
			Spoken:   v.texts.fill("spoken.", i.Kind, "target", spelt),
			ReadBack: v.texts.fill("read.", i.Kind, "target", spelt),
		}
	case calibration.GoToPosition:
		return v.place(i)
	case calibration.MoveFixture:
		// A nudge is said as short as can be, this is not: it says from where, too.
		w := v.Move(calibration.Move{Move: i.Move, To: i.Side, LeftEnd: i.Side, ByUM: i.ValueUM})
		w.Spoken = strings.TrimSuffix(w.Spoken, ".") + ", " + w.Datum + "."
		w.ReadBack = v.texts.fill("read.", i.Kind, "side", v.texts.text("said.", i.Side), "value", v.spoken(figure.Of(amount(i.ValueUM), v.unit)))
		return w
	}
	return v.set(i)
}

// place says where the target goes.
func (v Voice) place(i calibration.Instruction) Words {
	form, datum := i.Kind, v.texts.text("line.", i.Datum)
	if i.Side == "centre" {
		form, datum = "go-to-centre", v.texts.text("on.", i.Datum)
	}
	w := v.measured(i)
	w.Verb, w.Position, w.Datum = v.texts.text("verb.", i.Kind), i.Position, datum
	w.Side, w.Aid = v.texts.text("side.", i.Side), v.aid(i.Side)
	f := figure.Of(amount(i.ValueUM), v.unit)
	here, hereSpoken := "", ""
	if to := i.FromHere; to != nil {
		here = v.texts.fill("here.", "long", "value", v.Length(to.UM), "side", v.texts.text("said.", to.To))
		hereSpoken = v.texts.fill("here.", "spoken", "value", v.spoken(figure.Of(to.UM, v.unit)), "side", v.texts.text("said.", to.To))
	}
	limit, limitSpoken := v.limits(i)
	w.Long = v.texts.fill("long.", form, "position", i.Position, "value", v.Length(amount(i.ValueUM)), "side", w.Side,
		"aid", before(" ", w.Aid), "datum", datum, "limit", limit, "here", here)
	w.Spoken = v.texts.fill("spoken.", form, "position", v.name(i.Position), "value", v.spoken(f), "side", v.texts.text("said.", i.Side),
		"datum", datum, "limit", limitSpoken, "here", hereSpoken)
	w.ReadBack = v.texts.fill("read.", i.Kind, "position", v.name(i.Position), "side", v.texts.text("said.", i.Side), "value", v.spoken(f))
	return w
}

// set says a distance or a height.
func (v Voice) set(i calibration.Instruction) Words {
	w := v.measured(i)
	w.Verb, w.Datum = v.texts.text("verb.", i.Kind), v.texts.text("datum.", i.Datum)
	f := figure.Of(amount(i.ValueUM), v.unit)
	limit, limitSpoken := v.limits(i)
	w.Long = v.texts.fill("long.", i.Kind, "value", v.Length(amount(i.ValueUM)), "datum", w.Datum, "limit", limit)
	w.Spoken = v.texts.fill("spoken.", i.Kind, "value", v.spoken(f), "datum", w.Datum, "limit", limitSpoken)
	w.ReadBack = v.texts.fill("read.", i.Kind, "value", v.spoken(f))
	return w
}

// measured gives the parts that have to do with the one quantity.
func (v Voice) measured(i calibration.Instruction) Words {
	var w Words
	w.Figure, w.Unit = v.written(figure.Of(amount(i.ValueUM), v.unit))
	if i.ToleranceUM != 0 {
		w.Limit = v.texts.fill("limit.", "written", "limit", v.Length(i.ToleranceUM))
	} else {
		w.Limit = strings.Join(v.sides(i, v.Length), ", ")
	}
	return w
}

// aid tells a side by the steering wheel, in brackets. It never stands alone.
func (v Voice) aid(side string) string {
	switch {
	case v.steering == "" || side != "left" && side != "right":
		return ""
	case v.steering == side:
		return v.texts["aid.same"]
	}
	return v.texts["aid.other"]
}

func before(space, text string) string {
	if text == "" {
		return ""
	}
	return space + text
}

func amount(n *int64) int64 {
	if n == nil {
		return 0
	}
	return *n
}
