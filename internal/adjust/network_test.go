package adjust_test

import (
	"encoding/json"
	"maps"
	"math"
	"os"
	"slices"
	"sort"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/adjust"
)

// distances is a network of distances between points, in metres. The unknowns are offsets of the new points from
// their approximate coordinates, so that large coordinates lose no digits.
type distances struct {
	Source    string
	Fixed     map[string][]float64
	Approx    map[string][]float64
	Distances []struct {
		From, To string
		Value, U float64
	}
	Recomputed map[string][]float64
	Published  struct {
		At map[string][]float64
		SD map[string][]float64 `json:"posterior_sd_cm"`
	}
	Origin []float64      // taken off all coordinates
	first  map[string]int // index of a new point's first unknown
}

func (d *distances) at(x []float64, point string) []float64 {
	if c, fixed := d.Fixed[point]; fixed {
		return c
	}
	c := slices.Clone(d.Approx[point])
	for i := range c {
		c[i] += x[d.first[point]+i]
	}
	return c
}

func (d *distances) Linearise(x, predicted, jacobian []float64) {
	for i, o := range d.Distances {
		p, q := d.at(x, o.From), d.at(x, o.To)
		var sum float64
		for k := range p {
			sum += (p[k] - q[k]) * (p[k] - q[k])
		}
		predicted[i] = math.Sqrt(sum)
		for k := range p {
			g := (p[k] - q[k]) / predicted[i]
			if at, is := d.first[o.From]; is {
				jacobian[i*len(x)+at+k] += g
			}
			if at, is := d.first[o.To]; is {
				jacobian[i*len(x)+at+k] -= g
			}
		}
	}
}

// network has priors of 10 km: against the centimetres of these readings they weigh 1e-12.
func (d *distances) network() *adjust.Network {
	net := &adjust.Network{Model: d, Within: 1e-15, MostSteps: 200}
	d.first = map[string]int{}
	var names []string
	for name := range d.Approx {
		names = append(names, name)
	}
	sort.Strings(names)
	for _, name := range names {
		d.first[name] = len(net.Unknowns)
		for range d.Approx[name] {
			net.Unknowns = append(net.Unknowns, adjust.Unknown{Prior: 1e4})
		}
	}
	for _, o := range d.Distances {
		net.Observations = append(net.Observations, adjust.Observation{Value: o.Value, Uncertainty: o.U})
	}
	return net
}

func textbook(t testing.TB, name string) *distances {
	t.Helper()
	raw, err := os.ReadFile("../../testdata/networks/distances.json")
	require.NoError(t, err)
	all := map[string]*distances{}
	require.NoError(t, json.Unmarshal(raw, &all))
	require.Contains(t, all, name)
	d := all[name]
	// Differences of coordinates around 2.4e6 m would keep 5e-10 m only; moved to near zero they keep all digits.
	d.Origin = slices.Clone(d.Fixed[slices.Min(slices.Collect(maps.Keys(d.Fixed)))])
	for _, points := range []map[string][]float64{d.Fixed, d.Approx, d.Recomputed, d.Published.At} {
		for _, c := range points {
			for k := range c {
				c[k] -= d.Origin[k]
			}
		}
	}
	return d
}

func solve(t testing.TB, net *adjust.Network) *adjust.Solution {
	t.Helper()
	var solver adjust.Solver
	var s adjust.Solution
	solver.Solve(&s, net)
	require.True(t, s.Settled)
	return &s
}

// The coordinates and standard deviations that the books print, to their last printed digit, and the coordinates
// recomputed with 40 digits.
func TestTextbookNetworks(t *testing.T) {
	t.Parallel()
	for _, name := range []string{
		"B-benning-8-2",       // Benning (2011), Statistik in Geodäsie, Ex. 8-2, pp. 254 ff.; Krumm (2020) 3.1.1
		"C-benning-8-8",       // Benning (2011), Ex. 8-8, pp. 285-291
		"D-strang-borre-10-1", // Strang and Borre (1997), Linear Algebra, Geodesy, and GPS, Ex. 10.1 and 12.4
		"E-ghilani-14-5",      // Ghilani (2010), Adjustment Computations, Ex. 14.5 and 19.3
		"E-ghilani-14-5-mended",
		"F-blankenbach", // Blankenbach and Willert, AVN 8-9/2009, pp. 320-327
		"F-blankenbach-minus-51",
		"F-blankenbach-minus-51-103",
	} {
		d := textbook(t, name)
		net := d.network()
		s := solve(t, net)
		redundancy := float64(len(net.Observations) - len(net.Unknowns))
		require.InDelta(t, redundancy, s.DegreesOfFreedom, 1e-6, name)
		scale := math.Sqrt(s.ChiSquare / redundancy)
		for point, want := range d.Recomputed {
			got := d.at(s.X, point)
			for k := range want {
				// 15 digits of coordinates up to 2.4e6 m, priors of 10 km, and steps down to 1e-11 m leave 1e-8 m.
				require.InDelta(t, want[k], got[k], 1e-8, "%s %s", name, point)
			}
			for k, printed := range d.Published.At[point] {
				require.InDelta(t, printed, got[k], 0.5001e-4, "%s %s, printed to 0.1 mm", name, point)
				sd := 100 * scale * math.Sqrt(s.Covariance(d.first[point]+k, d.first[point]+k))
				// Printed to 0.01 mm; one unit of that digit, because F converges slowly and its authors stopped earlier.
				require.InDelta(t, d.Published.SD[point][k], sd, 1e-3, "%s %s", name, point)
			}
		}
	}
}

// Figures recomputed for the same examples with 40 digits, in their books' sign: adjusted minus observed.
func TestTextbookResidualsAndTests(t *testing.T) {
	t.Parallel()
	const mm = 1e-3

	b := solve(t, textbook(t, "B-benning-8-2").network())
	require.InDelta(t, 0.473676408452721, b.ChiSquare, 1e-9)
	for i, cm := range []float64{0.260, -0.368, -0.368, 0.260, 0.260} { // printed by Benning
		require.InDelta(t, -cm, 100*b.Residual[i], 0.5001e-3)
	}
	for i, r := range []float64{.142851641, .285706257, .285722420, .142863069, .142856612} {
		require.InDelta(t, r, b.Redundancy[i], 1e-9)
	}

	c := solve(t, textbook(t, "C-benning-8-8").network())
	require.InDelta(t, 0.0194183909, c.Redundancy[4], 1e-9, "practically unchecked")
	require.InDelta(t, 0.870910675, c.Standardised[4], 1e-7)
	require.InDelta(t, 10.024846*mm, math.Sqrt(c.Covariance(0, 0)), 1e-9)
	require.InDelta(t, 19.8048641*mm, math.Sqrt(c.Covariance(1, 1)), 1e-9)
	require.InDelta(t, 0, c.Covariance(0, 1), 1e-12)

	d := solve(t, textbook(t, "D-strang-borre-10-1").network())
	require.InDelta(t, 10.909362766938, d.ChiSquare, 1e-8)
	for i, v := range []float64{-23.356362, -16.5158773, -16.5118874} {
		require.InDelta(t, -v*mm, d.Residual[i], 1e-9)
	}

	e := solve(t, textbook(t, "E-ghilani-14-5").network())
	require.InDelta(t, 184.702663695494, e.ChiSquare, 1e-6)
	require.InDelta(t, 8.46777e-05, solve(t, textbook(t, "E-ghilani-14-5-mended").network()).ChiSquare, 1e-9)
}

// With one degree of freedom every standardised residual has the same size and leaving out any reading mends
// everything, so none can be named: Benning Ex. 8-2, Strang and Borre Ex. 10.1, Ghilani Ex. 14.5.
func TestRedundancyOneNamesNothing(t *testing.T) {
	t.Parallel()
	for name, size := range map[string]float64{
		"B-benning-8-2": 0.688241534, "D-strang-borre-10-1": 3.30293245, "E-ghilani-14-5": 13.5905358,
	} {
		net := textbook(t, name).network()
		s := solve(t, net)
		var solver adjust.Solver
		var without adjust.Solution
		for i, w := range s.Standardised {
			require.InDelta(t, size, math.Abs(w), 1e-5, name)
			solver.Estimate(&without, net, i)
			require.True(t, without.Settled)
			require.InDelta(t, 0, without.ChiSquare, 1e-9, name)
		}
	}
}

// Blankenbach and Willert's indoor network has two blunders, to 51 and to 103. One reading may be taken out per
// round: in the first, five good ones stand out too. The books' w has the opposite sign.
func TestBlundersAreFoundOneAtATime(t *testing.T) {
	t.Parallel()
	d := textbook(t, "F-blankenbach")
	for _, round := range []struct {
		chiSquare float64
		anchor    string
		w         float64
		beyond    int // readings with |w| above 3.29
	}{
		{670.769946945926, "51", 25.0913011, 7},
		{41.5138278265457, "103", 6.34791212, 0},
		{1.12694701655084, "31", -1.02725202, 0},
	} {
		s := solve(t, d.network())
		require.InEpsilon(t, round.chiSquare, s.ChiSquare, 1e-9)
		worst, beyond := 0, 0
		for i, w := range s.Standardised {
			if math.Abs(w) > math.Abs(s.Standardised[worst]) {
				worst = i
			}
			if math.Abs(w) > 3.29 {
				beyond++
			}
		}
		require.Equal(t, round.anchor, d.Distances[worst].To)
		require.InEpsilon(t, round.w, s.Standardised[worst], 1e-7)
		if round.beyond > 0 {
			require.Equal(t, round.beyond, beyond)
		}
		if math.Abs(round.w) < 3.29 {
			return
		}
		d.Distances = slices.Delete(d.Distances, worst, worst+1)
	}
	t.Fatal("the last round finds nothing more")
}
