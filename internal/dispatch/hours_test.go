package dispatch

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func zone(t require.TestingT, name string) *time.Location {
	z, err := Zone(name)
	require.NoError(t, err)
	return z
}

func utc(text string) time.Time {
	at, err := time.Parse("2006-01-02 15:04", text)
	if err != nil {
		panic(err)
	}
	return at
}

func week(open ...Span) (list []DayHours) {
	for _, d := range Days() {
		list = append(list, DayHours{d, open})
	}
	return list
}

func TestZone(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"", "Local", "Europe/Nowhere", "../etc/passwd"} {
		_, err := Zone(name)
		require.Error(t, err, name)
	}
}

func TestMinuteOf(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]int{"00:00": 0, "08:30": 510, "24:00": 1440} {
		got, ok := MinuteOf(text)
		require.True(t, ok, text)
		require.Equal(t, want, got)
	}
	for _, text := range []string{"", "8:30", "24:01", "25:00", "08:60", "-1:00", "08.30", "08:3", "+8:30"} {
		_, ok := MinuteOf(text)
		require.False(t, ok, text)
	}
}

// TestOpenAcrossZones has one moment in three zones. Berlin is an hour ahead of UTC in winter and two in summer,
// Kathmandu 5 h 45 min, New York five behind in winter (IANA time zone database).
func TestOpenAcrossZones(t *testing.T) {
	t.Parallel()
	h := Hours{Week: []DayHours{{"wednesday", []Span{{"08:00", "12:00"}, {"13:00", "17:00"}}}, {"friday", []Span{{"08:00", "24:00"}}}, {"saturday", []Span{{"00:00", "02:00"}}}},
		Exceptions: []DateHours{{"2026-12-02", nil}, {"2026-12-03", []Span{{"10:00", "11:00"}}}}}
	until, open := h.Open(utc("2026-11-25 07:00"), zone(t, "Europe/Berlin"))
	require.True(t, open)
	require.Equal(t, utc("2026-11-25 11:00"), until.UTC())
	_, open = h.Open(utc("2026-11-25 07:00"), zone(t, "America/New_York"))
	require.False(t, open)
	opens, ok := h.Next(utc("2026-11-25 07:00"), zone(t, "America/New_York"))
	require.True(t, ok)
	require.Equal(t, utc("2026-11-25 13:00"), opens.UTC())
	until, open = h.Open(utc("2026-11-25 07:30"), zone(t, "Asia/Kathmandu"))
	require.True(t, open)
	require.Equal(t, utc("2026-11-25 11:15"), until.UTC())

	until, open = h.Open(utc("2026-11-27 22:59"), zone(t, "Europe/Berlin"))
	require.True(t, open)
	require.Equal(t, utc("2026-11-28 01:00"), until.UTC(), "midnight does not close it")
	opens, ok = h.Next(utc("2026-11-28 09:00"), zone(t, "Europe/Berlin"))
	require.True(t, ok)
	require.Equal(t, utc("2026-12-03 09:00"), opens.UTC(), "the Wednesday is closed by date, the Thursday open by date")
	_, ok = Hours{}.Next(noon, time.UTC)
	require.False(t, ok)
}

// TestOpenWhenClocksChange: in the European Union clocks go forward at 01:00 UTC on the last Sunday of March and back at
// 01:00 UTC on the last Sunday of October (Directive 2000/84/EC): 29 March and 25 October 2026. Lord Howe Island
// changes by half an hour (IANA time zone database).
func TestOpenWhenClocksChange(t *testing.T) {
	t.Parallel()
	berlin := zone(t, "Europe/Berlin")
	h := Hours{Week: week(Span{"02:30", "03:30"})}
	opens, _ := h.Next(utc("2026-03-29 00:00"), berlin)
	require.Equal(t, utc("2026-03-29 01:00"), opens.UTC(), "02:30 does not exist: at the change")
	until, open := h.Open(utc("2026-03-29 01:15"), berlin)
	require.True(t, open)
	require.Equal(t, utc("2026-03-29 01:30"), until.UTC())

	opens, _ = h.Next(utc("2026-10-24 12:00"), berlin)
	require.Equal(t, utc("2026-10-25 00:30"), opens.UTC(), "the first 02:30, in summer time")
	until, open = h.Open(utc("2026-10-25 01:30"), berlin)
	require.True(t, open, "all through the second 02:30")
	require.Equal(t, utc("2026-10-25 02:30"), until.UTC())
	require.Equal(t, 2*time.Hour, h.Between(utc("2026-10-25 00:00"), utc("2026-10-25 12:00"), berlin))

	day := Hours{Week: week(Span{"00:00", "24:00"})}
	require.Equal(t, 23*time.Hour, dayLength(day, 2026, time.March, 29, berlin))
	require.Equal(t, 25*time.Hour, dayLength(day, 2026, time.October, 25, berlin))
	require.Equal(t, 24*time.Hour+30*time.Minute, dayLength(day, 2026, time.April, 5, zone(t, "Australia/Lord_Howe")))
}

func dayLength(h Hours, y int, m time.Month, d int, z *time.Location) time.Duration {
	p := h.on(y, m, d, z)[0]
	return p.to.Sub(p.from)
}

// TestHoursAgree: what opens next is open then and was not just before; time after so much opening is time with so much
// opening.
func TestHoursAgree(t *testing.T) {
	t.Parallel()
	names := []string{"Europe/Berlin", "America/St_Johns", "Australia/Lord_Howe", "Pacific/Apia", "Etc/UTC", "Africa/Casablanca"}
	rapid.Check(t, func(t *rapid.T) {
		z := zone(t, rapid.SampledFrom(names).Draw(t, "zone"))
		var h Hours
		for _, d := range Days() {
			if !rapid.Bool().Draw(t, d) {
				continue
			}
			from := rapid.IntRange(0, 1320).Draw(t, "from")
			to := rapid.IntRange(from+120, 1440).Draw(t, "to")
			h.Week = append(h.Week, DayHours{d, []Span{{clockText(from), clockText(to)}}})
		}
		at := utc("2026-01-01 00:00").Add(time.Duration(rapid.IntRange(0, 525_600).Draw(t, "minute")) * time.Minute)
		opens, ok := h.Next(at, z)
		require.Equal(t, len(h.Week) > 0, ok)
		if !ok {
			return
		}
		require.True(t, opens.After(at))
		until, open := h.Open(opens, z)
		require.True(t, open)
		require.True(t, until.After(opens))
		_, open = h.Open(opens.Add(-time.Nanosecond), z)
		require.False(t, open)
		_, open = h.Open(until, z)
		require.False(t, open)

		want := time.Duration(rapid.IntRange(1, 3000).Draw(t, "open")) * time.Minute
		end, ok := h.After(at, want, z)
		require.True(t, ok)
		require.Equal(t, want, h.Between(at, end, z))
	})
}

func clockText(minute int) string {
	return fmt.Sprintf("%02d:%02d", minute/60, minute%60) // the end of a day is 24:00, which no time is printed as
}
