package dispatch

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestNobodyOnDuty(t *testing.T) {
	t.Parallel()
	opens := utc("2026-11-26 07:00")
	require.Equal(t, Estimate{Nobody: true, Opens: opens, Ahead: 3}, Expect(Situation{Ahead: 3, Opens: opens}))
}

func TestWithoutHistoryTheRangeIsWide(t *testing.T) {
	t.Parallel()
	e := Expect(Situation{OnDuty: []int{MostAtOnce, MostAtOnce}, Ahead: 3})
	require.Zero(t, e.From)
	require.Equal(t, usual/2, e.Model, "four turns, eight hands")
	require.Less(t, e.Low, e.Model/2)
	require.Greater(t, e.High, 2*e.Model)
}

// TestWaitsThroughTheNight: what the desk cannot do before it closes is done after it opens.
func TestWaitsThroughTheNight(t *testing.T) {
	t.Parallel()
	s := Situation{OnDuty: []int{MostAtOnce}, Ahead: 1, Now: utc("2026-11-25 16:50"),
		Desks: []Opening{{Hours{Week: week(Span{"08:00", "17:00"})}, time.UTC}}, Durations: []time.Duration{time.Hour}}
	for range Enough {
		s.Outcomes = append(s.Outcomes, Outcome{Middle: time.Hour, Waited: time.Hour})
	}
	e := Expect(s)
	require.Equal(t, 30*time.Minute, e.Model)
	require.Equal(t, 15*time.Hour+30*time.Minute, e.Middle, "ten minutes today, fifteen hours closed, twenty tomorrow")

	// Another desk goes on until eight: whichever of the two is named first.
	late := Opening{Hours{Week: week(Span{"08:00", "20:00"})}, time.UTC}
	for _, desks := range [][]Opening{{s.Desks[0], late}, {late, s.Desks[0]}} {
		two := s
		two.Desks = desks
		require.Equal(t, 30*time.Minute, Expect(two).Middle)
	}
	// Somebody who is on duty while a desk is closed waits for no opening.
	closed := s
	closed.Desks = append([]Opening{{Hours{Week: week(Span{"08:00", "12:00"})}, time.UTC}}, s.Desks...)
	require.Equal(t, 30*time.Minute, Expect(closed).Middle)
}

// TestQuantile compares with Python 3.11: statistics.quantiles(values, n=10, method="exclusive"), which has the same rule
// between the outermost values. Beyond those it goes on in a straight line, while no wait is told that there never was.
func TestQuantile(t *testing.T) {
	t.Parallel()
	even, uneven := []float64{1, 2, 3, 4, 5, 6, 7, 8, 9, 10}, []float64{1.5, 2, 4, 8, 8.25, 9, 20}
	for i, want := range []float64{1.1, 2.2, 3.3, 4.4, 5.5, 6.6, 7.7, 8.8, 9.9} {
		require.InDelta(t, want, quantile(even, float64(i+1)/10), 1e-12)
	}
	for i, want := range []float64{1.8, 2.8, 4.8, 8, 8.2, 8.7, 13.4} {
		require.InDelta(t, want, quantile(uneven, float64(i+2)/10), 1e-12)
	}
	require.Equal(t, 1.5, quantile(uneven, 0.1))
	require.Equal(t, 20.0, quantile(uneven, 0.9))
	require.Equal(t, 7.0, quantile([]float64{7}, 0.1))
}

// TestTook: the night in the middle of something is not counted, whatever it was, and what was begun out of hours is.
func TestTook(t *testing.T) {
	t.Parallel()
	desk := Opening{Hours{Week: week(Span{"08:00", "17:00"})}, time.UTC}
	require.Equal(t, 25*time.Minute, desk.Took(utc("2026-11-25 16:50"), utc("2026-11-26 08:15")))
	require.Equal(t, 40*time.Minute, desk.Took(utc("2026-11-25 19:00"), utc("2026-11-25 19:40")))
	require.Equal(t, 40*time.Minute, Opening{}.Took(utc("2026-11-25 16:50"), utc("2026-11-25 17:30")), "hours that are not known")
}

func TestEstimateHolds(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		minutes := rapid.Custom(func(t *rapid.T) time.Duration {
			return time.Duration(rapid.IntRange(0, 600).Draw(t, "minutes")) * time.Minute
		})
		s := Situation{
			OnDuty: rapid.SliceOfN(rapid.IntRange(0, 6), 1, 8).Draw(t, "on duty"), Ahead: rapid.IntRange(0, 50).Draw(t, "ahead"),
			Durations: rapid.SliceOf(minutes).Draw(t, "durations"),
		}
		for _, waited := range rapid.SliceOf(minutes).Draw(t, "waits") {
			s.Outcomes = append(s.Outcomes, Outcome{Middle: minutes.Draw(t, "middle"), Waited: waited})
		}
		e := Expect(s)
		require.True(t, 0 <= e.Low && e.Low <= e.Middle && e.Middle <= e.High, "%+v", e)
		more := s
		more.Ahead++
		require.GreaterOrEqual(t, Expect(more).Model, e.Model, "another one ahead never shortens the line")
		more = s
		more.OnDuty = append(more.OnDuty, 0)
		require.LessOrEqual(t, Expect(more).Model, e.Model, "another specialist never lengthens it")
	})
}
