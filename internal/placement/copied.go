package placement

import "math"

// A reading counts as exactly nominal when it is nominal to the digit that people write: 0.1 mm, 0.01°.
const (
	writtenMM  = 0.1
	writtenDeg = 0.01
)

// fewestCopied is how many readings it takes: one or two may well be nominal by chance.
const fewestCopied = 3

// copied says whether all readings are exactly what they would be at the nominal pose, as if the plan had been written
// down in place of measurements.
func (c *Case) copied(a *assessment) bool {
	if len(a.taken) < fewestCopied {
		return false
	}
	stand := a.scene.stand(a.scene.nominal)
	for i := range a.taken {
		nominal, _ := a.predict(&stand, &a.taken[i])
		digit := writtenMM
		if a.taken[i].quantity.Unit() == Deg {
			digit = writtenDeg
		}
		if math.Abs(a.Observations[i].Value-nominal) > digit/2*(1+1e-9) {
			return false
		}
	}
	return true
}
