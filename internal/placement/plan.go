package placement

// Planned is what to expect before anything is measured, position by position in the setup's order.
type Planned struct {
	Positions []PlannedPosition `json:"positions"`
}

// PlannedPosition is one position of a plan. The uncertainties are those that the readings would leave.
type PlannedPosition struct {
	Name                     string             `json:"name"`
	FromHere                 *Carry             `json:"from_here"` // from the position before; nil for the first
	FromCentre               Carry              `json:"from_centre"`
	Readings                 []Expected         `json:"readings"` // in the order of the case's
	StandardUncertainty      map[Judged]float64 `json:"standard_uncertainty"`
	ToleranceOverUncertainty map[Judged]float64 `json:"tolerance_over_uncertainty"`
	Missing                  []Judged           `json:"missing,omitempty"`    // the readings would not find these
	TooCoarse                []Judged           `json:"too_coarse,omitempty"` // no placement could conform
}

// Expected is a reading at the nominal pose, in its own unit.
type Expected struct {
	ExpectedMM        *float64 `json:"expected_mm,omitempty"`
	ExpectedDeg       *float64 `json:"expected_deg,omitempty"`
	Redundancy        float64  `json:"redundancy"`
	SmallestErrorSeen *float64 `json:"smallest_error_seen"`
}

// Carry is a move of the target between two places: across the reference line first, and along it or up where that
// changes too. Nothing to do is a Carry to "stay" of 0 mm.
type Carry struct {
	To   string  `json:"to"`
	MM   float64 `json:"mm"`
	Also []Carry `json:"also,omitempty"`
}

// Stay is the direction of a Carry of nothing.
const Stay = "stay"

// negligibleMM is below anything that a bay can set; what is left of rounding disappears below it.
const negligibleMM = 1e-6

// CarryFrom gives the move of the target from one position to another. The case is valid.
func (c *Case) CarryFrom(from, to string) (Carry, error) {
	here, err := c.Nominal(from)
	if err != nil {
		return Carry{}, err
	}
	there, err := c.Nominal(to)
	if err != nil {
		return Carry{}, err
	}
	return carry(here, there), nil
}

// CarryFromCentre gives the move to a position from the centre: on the reference line, at the setup's own distance and
// height where it states them.
func (c *Case) CarryFromCentre(to string) (Carry, error) {
	there, err := c.Nominal(to)
	if err != nil {
		return Carry{}, err
	}
	centre := there
	centre.LateralMM = 0
	if d := c.Setup.DistanceMM; d != nil {
		centre.DistanceMM = *d
	}
	if h := c.Setup.HeightMM; h != nil {
		centre.HeightMM = *h
	}
	return carry(centre, there), nil
}

func carry(here, there Nominal) Carry {
	var parts []Carry
	part := func(by float64, positive, negative string) {
		switch {
		case by > negligibleMM:
			parts = append(parts, Carry{To: positive, MM: by})
		case by < -negligibleMM:
			parts = append(parts, Carry{To: negative, MM: -by})
		}
	}
	part(there.LateralMM-here.LateralMM, ToLeft, ToRight)
	part(there.DistanceMM-here.DistanceMM, Away, TowardsCar)
	part(there.HeightMM-here.HeightMM, ToUp, ToDown)
	if len(parts) == 0 {
		return Carry{To: Stay}
	}
	c := parts[0]
	if len(parts) > 1 {
		c.Also = parts[1:]
	}
	return c
}

// Plan computes what each reading of the case should read at every position, and what the readings would tell.
// Their values are not needed and not looked at.
func Plan(c Case) (Planned, error) {
	if err := c.Validate(); err != nil {
		return Planned{}, err
	}
	var w workbench
	var plan Planned
	for i, p := range c.Setup.Positions {
		s, err := c.sceneAt(p.Name)
		if err != nil {
			return Planned{}, err
		}
		planned := c.planned(&w, s)
		planned.Name = p.Name
		if planned.FromCentre, err = c.CarryFromCentre(p.Name); err != nil {
			return Planned{}, err
		}
		if i > 0 {
			here, err := c.CarryFrom(c.Setup.Positions[i-1].Name, p.Name)
			if err != nil {
				return Planned{}, err
			}
			planned.FromHere = &here
		}
		plan.Positions = append(plan.Positions, planned)
	}
	return plan, nil
}

func (c *Case) planned(w *workbench, s *scene) PlannedPosition {
	a := w.at(c.network(s, c.Readings, nobody), s.nominal)
	p := PlannedPosition{
		Readings:                 make([]Expected, len(a.taken)),
		StandardUncertainty:      make(map[Judged]float64, len(a.judged)),
		ToleranceOverUncertainty: make(map[Judged]float64, len(a.judged)),
		TooCoarse:                a.coarse(),
	}
	stand := s.stand(s.nominal)
	for i := range a.taken {
		value, _ := a.predict(&stand, &a.taken[i])
		e := Expected{Redundancy: a.Redundancy[i], SmallestErrorSeen: seen(a.SmallestError[i])}
		if a.taken[i].quantity.Unit() == Deg {
			e.ExpectedDeg = &value
		} else {
			e.ExpectedMM = &value
		}
		p.Readings[i] = e
	}
	for _, j := range a.judged {
		p.StandardUncertainty[j.of], p.ToleranceOverUncertainty[j.of] = j.u, j.t/j.u
		if j.unknown() {
			p.Missing = append(p.Missing, j.of)
		}
	}
	return p
}
