package dispatch

import (
	"encoding/csv"
	"os"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// erlangC is the chance that a caller finds all of n servers taken, when calls come at random, last exponentially long and
// wait in one line (Erlang, 1917). load, below n, is the offered load in erlangs: arrivals in the time that one takes. The
// recurrence for Erlang's B never leaves 0…1, so that it neither overflows nor loses figures at any n.
func erlangC(n int, load float64) float64 {
	b := 1.0
	for i := 1; i <= n; i++ {
		b = load * b / (float64(i) + load*b)
	}
	return float64(n) * b / (float64(n) - load*(1-b))
}

// erlangWait is the mean wait over all callers, also those who need not wait, when each takes so long on average.
func erlangWait(n int, load float64, each time.Duration) time.Duration {
	return time.Duration(erlangC(n, load) * float64(each) / (float64(n) - load))
}

// TestErlangC holds the formula that the tests here compare with to testdata/erlang.csv: a table of 16 numbers of servers by
// 7 loads, computed apart from this program by the recurrence and checked there with exact fractions (CC0). Doubles hold
// 15 to 17 figures; the table has 15.
func TestErlangC(t *testing.T) {
	t.Parallel()
	f, err := os.Open("testdata/erlang.csv")
	require.NoError(t, err)
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	require.NoError(t, err)
	require.Len(t, rows, 1+16*7)
	for _, row := range rows[1:] {
		n, err := strconv.Atoi(row[0])
		require.NoError(t, err)
		load, err := strconv.ParseFloat(row[1], 64)
		require.NoError(t, err)
		want, err := strconv.ParseFloat(row[3], 64)
		require.NoError(t, err)
		require.InEpsilon(t, want, erlangC(n, load), 1e-13, "C(%d, %g)", n, load)
	}
}

// TestErlangPublished has values that were published: fractions that follow by hand from the formula; the waits of
// exercises in queueing in Bronson, Operations Research (1982), 24.6: three servers, 300 a year, each at a rate of 182.5 a
// year, wait 0.43 days; and in Hillier and Lieberman, Introduction to Operations Research (from memory): two servers, two
// an hour, three an hour each, wait 1/24 h.
func TestErlangPublished(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		n          int
		load, want float64
	}{{2, 1, 1.0 / 3}, {2, 2.0 / 3, 1.0 / 6}, {3, 2, 4.0 / 9}, {4, 3, 27.0 / 53}, {5, 4, 128.0 / 231}} {
		require.InEpsilon(t, c.want, erlangC(c.n, c.load), 1e-14)
	}
	const day = 24 * time.Hour
	require.InDelta(t, 0.43, float64(erlangWait(3, 300/182.5, 2*day))/float64(day), 0.005, "printed with two figures; 365/182.5 is 2 days")
	require.InDelta(t, 1.0/24, erlangWait(2, 2.0/3, 20*time.Minute).Hours(), 1e-9)
}

// TestModelAgreesWithErlang: where requests come at random and take exponentially long, the middle that the model gives,
// averaged over what a request meets on arrival, is Erlang's mean wait. The states of the line and how often each is met
// are those of the birth and death process of the textbooks.
func TestModelAgreesWithErlang(t *testing.T) {
	t.Parallel()
	const each = 40 * time.Minute
	for _, load := range []float64{0.4, 2, 3.2, 3.8} { // erlangs, to the four hands of one specialist
		p, sum, wait := 1.0, 0.0, 0.0
		for n := range 2000 {
			e := Expect(Situation{OnDuty: []int{min(n, MostAtOnce)}, Ahead: max(0, n-MostAtOnce), Durations: []time.Duration{each}})
			sum += p
			wait += p * float64(e.Model)
			p *= load / float64(min(n+1, MostAtOnce))
		}
		require.InEpsilon(t, float64(erlangWait(MostAtOnce, load, each)), wait/sum, 1e-6, "load %g: durations are whole nanoseconds", load)
	}
}
