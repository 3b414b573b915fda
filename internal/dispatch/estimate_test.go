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
	s := Situation{OnDuty: []int{MostAtOnce}, Ahead: 1, Now: utc("2026-11-25 16:50"), Zone: time.UTC,
		Hours: Hours{Week: week(Span{"08:00", "17:00"})}, Durations: []time.Duration{time.Hour}}
	for range Enough {
		s.Outcomes = append(s.Outcomes, Outcome{Middle: time.Hour, Waited: time.Hour})
	}
	e := Expect(s)
	require.Equal(t, 30*time.Minute, e.Model)
	require.Equal(t, 15*time.Hour+30*time.Minute, e.Middle, "ten minutes today, fifteen hours closed, twenty tomorrow")
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
