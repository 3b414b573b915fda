package placement

import "encoding/json"

// Verdict is what a check concludes.
type Verdict string

// The verdicts, in the order in which they are considered.
const (
	Undetermined Verdict = "undetermined" // the readings do not find the pose
	Remeasure    Verdict = "remeasure"    // the readings contradict each other
	Adjust       Verdict = "adjust"       // the target is out of its limits
	Within       Verdict = "within"       // it is within them, with 95 % for each
	Unsure       Verdict = "unsure"       // it may be within them or not
)

// Result is what a check gives. Undetermined comes with Missing and WouldFind and nothing else; a remeasure whose
// adjustment does not settle has Suspects and Shared only. Otherwise all values that apply are there.
type Result struct {
	Verdict                Verdict            `json:"verdict"`
	Deviation              map[Judged]float64 `json:"deviation,omitempty"`
	StandardUncertainty    map[Judged]float64 `json:"standard_uncertainty,omitempty"`
	ConformanceProbability map[Judged]float64 `json:"conformance_probability,omitempty"`
	Readings               []Appraisal        `json:"readings,omitzero"` // in the order of the case's
	Suspects               []Suspect          `json:"suspects,omitzero"`
	Shared                 *Shared            `json:"shared,omitempty"` // for a remeasure without suspects
	ReliesOn               []Reliance         `json:"relies_on,omitzero"`
	ChiSquare              *float64           `json:"chi_square,omitempty"`
	DegreesOfFreedom       *int               `json:"degrees_of_freedom,omitempty"`
	Moves                  []Move             `json:"moves,omitzero"`       // for adjust, in order of doing
	Nudge                  []Move             `json:"nudge,omitzero"`       // for unsure: what would settle it
	Next                   *Ask               `json:"next,omitempty"`       // for unsure: the reading that helps most
	TooCoarse              []Judged           `json:"too_coarse,omitempty"` // no move can bring these within
	Copied                 bool               `json:"copied,omitempty"`     // all readings are exactly nominal
	Closing                *Closing           `json:"closing,omitempty"`    // with closing readings and within
	Aim                    *AimEffect         `json:"aim,omitempty"`        // where the setup states the sensor's place
	Missing                []Judged           `json:"missing,omitempty"`    // for undetermined
	WouldFind              []Finding          `json:"would_find,omitempty"` // for undetermined, in the order of Missing
	Pose                   *Pose              `json:"-"`                    // where the fixture was found, for a drawing
}

// Appraisal says how a reading fits and how well the others check it.
type Appraisal struct {
	StandardisedResidual float64  `json:"standardised_residual"` // positive: the reading is too large
	Redundancy           float64  `json:"redundancy"`
	SmallestErrorSeen    *float64 `json:"smallest_error_seen"` // nil: no other reading checks this one
}

// Suspect is a reading that is likely wrong, by its index, and by how much it seems too large.
type Suspect struct {
	Reading     int     `json:"reading"`
	LikelyError float64 `json:"likely_error"`
}

// Shared names the instrument whose readings are wrong together, if one is found. It is null in JSON if none is.
type Shared struct {
	Instrument string
}

// Reliance is a judged quantity that rests on one reading which nothing else checks.
type Reliance struct {
	Reading  int    `json:"reading"`
	Quantity Judged `json:"quantity"`
}

// Ask is a reading to take.
type Ask struct {
	Quantity Quantity `json:"quantity"`
	From     string   `json:"from,omitempty"`
	To       string   `json:"to,omitempty"`
}

// Finding lists what would find a missing quantity: any one of AnyOf, each one reading, or two where no single one is
// enough. Of pairs the best are listed, up to a dozen. The list is empty where no pair is enough.
type Finding struct {
	For   Judged  `json:"for"`
	AnyOf [][]Ask `json:"any_of"`
}

// Closing is what the readings after freezing say. Sees lists the judged quantities in which they would show a knock.
type Closing struct {
	Verdict ClosingVerdict `json:"verdict"`
	Sees    []Judged       `json:"sees"`
}

// ClosingVerdict says whether the fixture still stands where it was frozen.
type ClosingVerdict string

// The closing verdicts.
const (
	Held  ClosingVerdict = "held"
	Moved ClosingVerdict = "moved"
)

// AimEffect is the change of the target's direction as seen from the sensor, azimuth positive counter-clockwise and
// elevation positive up, and the size of that change at 100 m, left positive as seated facing forward. It bounds what
// the placement does to the sensor's aim: how a vehicle uses its target is not known.
type AimEffect struct {
	AzimuthDeg   float64 `json:"azimuth_deg"`
	ElevationDeg float64 `json:"elevation_deg"`
	At100MLeftMM float64 `json:"at_100_m_left_mm"`
	At100MUpMM   float64 `json:"at_100_m_up_mm"`
}

// MarshalJSON writes the instrument's name, or null.
func (s *Shared) MarshalJSON() ([]byte, error) {
	if s.Instrument == "" {
		return []byte("null"), nil
	}
	return json.Marshal(s.Instrument)
}

// UnmarshalJSON reads what MarshalJSON wrote.
func (s *Shared) UnmarshalJSON(raw []byte) error { return json.Unmarshal(raw, &s.Instrument) }
