package placement

import (
	"encoding/json"

	"readback/internal/strict"
)

// Instrument is what a reading is taken with: its standard uncertainty in the one unit it reads, and, where its
// readings share one (a hook, a zero), the standard uncertainty of that common part; 0 means no common part.
type Instrument struct {
	Kind                   string  `json:"kind"`
	StandardUncertaintyMM  float64 `json:"standard_uncertainty_mm,omitempty"`
	StandardUncertaintyDeg float64 `json:"standard_uncertainty_deg,omitempty"`
	CommonMM               float64 `json:"common_mm,omitempty"`
	CommonDeg              float64 `json:"common_deg,omitempty"`
}

// DecodeInstrument reads an instrument on its own.
func DecodeInstrument(raw json.RawMessage, path string) (Instrument, error) {
	return decode(raw, path, readInstrument)
}

func readInstrument(o *strict.Object) Instrument {
	i := Instrument{Kind: o.String("kind", maxName)}
	lengths := strict.Range{Above: true, Max: 50, Unit: "mm"}
	angles := strict.Range{Above: true, Max: 10, Unit: "degrees"}
	inMM, inDeg := o.Has("standard_uncertainty_mm"), o.Has("standard_uncertainty_deg")
	switch {
	case inMM && inDeg:
		o.Reject("standard_uncertainty_deg", "one of standard_uncertainty_mm and standard_uncertainty_deg, not both")
		o.Ignore()
	case inDeg:
		i.StandardUncertaintyDeg = o.Float("standard_uncertainty_deg", angles)
		if o.Has("common_mm") {
			o.OptRaw("common_mm")
			o.Reject("common_mm", "common_deg: the instrument reads degrees")
		}
		angles.Above = false
		i.CommonDeg, _ = o.OptFloat("common_deg", angles)
	default:
		i.StandardUncertaintyMM = o.Float("standard_uncertainty_mm", lengths)
		if o.Has("common_deg") {
			o.OptRaw("common_deg")
			o.Reject("common_deg", "common_mm: the instrument reads millimetres")
		}
		lengths.Above = false
		i.CommonMM, _ = o.OptFloat("common_mm", lengths)
	}
	return i
}

// Unit is the unit the instrument reads.
func (i Instrument) Unit() Unit {
	if i.StandardUncertaintyDeg > 0 {
		return Deg
	}
	return MM
}

// uncertainty and common are in the instrument's unit.
func (i Instrument) uncertainty() float64 {
	if i.Unit() == Deg {
		return i.StandardUncertaintyDeg
	}
	return i.StandardUncertaintyMM
}

func (i Instrument) common() float64 {
	if i.Unit() == Deg {
		return i.CommonDeg
	}
	return i.CommonMM
}
