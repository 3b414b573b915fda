package httpapi_test

import (
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/testkit/apptest"
)

// saidInWords asks for the words after each line of the story, in the languages and units there are, and looks at those
// of the second step, 800 mm to vehicle left. That is 31.4961 in (by hand, 800/25.4).
func saidInWords(t *testing.T, who *apptest.Client, cal *apptest.Stream, l line) {
	t.Helper()
	type answer struct {
		Seq   uint64
		Words struct {
			Turn string
			Step *struct {
				Number                      int
				State, Figure, Unit, Spoken string
				ReadBack                    string `json:"read_back"`
			}
		}
	}
	read := func(query string) answer {
		return apptest.Read[answer](who, ask(t, who, "GET", cal.Path()+"/words"+query, ""))
	}
	mm, inch := read(""), read("?lang=de&unit=in")
	require.Equal(t, cal.Seq, mm.Seq)
	step := mm.Words.Step
	if l.Makes != "instructed" {
		return
	}
	require.NotNil(t, step)
	if step.Number == 2 {
		require.Equal(t, []string{"800", "mm"}, []string{step.Figure, step.Unit})
		require.Equal(t, []string{"31,496", "Zoll"}, []string{inch.Words.Step.Figure, inch.Words.Step.Unit})
		require.Equal(t, "position left, to vehicle left, eight zero zero millimetres", step.ReadBack)
		require.Contains(t, inch.Words.Step.Spoken, "drei eins Komma vier neun sechs Zoll nach Fahrzeug links")
		require.Equal(t, "Technik: Schritt 2 wiederholen", inch.Words.Turn)
	}
}

// TestWordsComeFromTheGeometry: where the target goes, counted from the line and from where it stands now, with the side of
// the steering wheel in brackets and a spoken form without figures; in inches by hand, 620/25.4 = 24.409 and 1240/25.4 =
// 48.819.
func TestWordsComeFromTheGeometry(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech, desk := s.As(apptest.Technician), s.As(apptest.Specialist)
	cal := tech.OpenCalibration(tech.OpenJob()) // the steering wheel is on the left
	for _, g := range apptest.Read[struct {
		State struct{ Gates []struct{ Gate, By string } }
	}](tech, tech.Get(cal.Path())).State.Gates {
		if g.By == "request" {
			tech.Do(cal, "record-gate", `{"gate":"`+g.Gate+`","met":true,"evidence":"declared"}`)
		}
	}
	tech.Do(cal, "issue-sheet", strings.Replace(apptest.Sheet, `{"name":"middle","lateral_um":0},{"name":"left","lateral_um":800000}`,
		`{"name":"1","lateral_um":-620000},{"name":"2","lateral_um":620000}`, 1))
	tech.Do(cal, "request", `{}`)
	desk.Do(cal, "claim", `{}`)
	desk.Do(cal, "adopt-sheet", `{"sheet":1}`)
	tech.Fitted(desk, cal, 1)
	desk.Do(cal, "instruct", `{"step":"go-to-position","position":"2"}`)
	type answer struct {
		Words struct {
			Step struct{ Figure, Unit, Side, Aid, Datum, Long, Spoken string }
		}
	}
	read := func(query string) answer {
		return apptest.Read[answer](tech, ask(t, tech, http.MethodGet, cal.Path()+"/words"+query, ""))
	}
	got := read("").Words.Step
	require.Equal(t, []string{"620", "mm", "to vehicle LEFT", "(steering wheel's side)", "of the centreline"}, []string{got.Figure, got.Unit, got.Side, got.Aid, got.Datum})
	require.Contains(t, got.Long, "That is 1240\u00a0mm to vehicle left from where it stands now.")
	require.Contains(t, got.Spoken, "six two zero millimetres to vehicle left, of the centreline.")
	require.Contains(t, got.Spoken, "That is one two four zero millimetres to vehicle left from where it stands now.")
	require.NotRegexp(t, `[0-9()±]`, got.Spoken, "said, not read out")
	got = read("?lang=de&unit=in").Words.Step
	require.Equal(t, []string{"24,409", "Zoll", "nach Fahrzeug LINKS", "(Lenkradseite)"}, []string{got.Figure, got.Unit, got.Side, got.Aid})
	require.Contains(t, got.Long, "Das sind 48,819\u00a0Zoll nach Fahrzeug links vom jetzigen Standort.")
	require.Contains(t, got.Spoken, "vier acht Komma acht eins neun Zoll")
}

func TestWordsRefused(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech := s.As(apptest.Technician)
	at := tech.OpenCalibration(tech.OpenJob()).Path() + "/words"
	problem(t, tech.Get(at+"?lang=xx"), fault.InvalidInput, "lang")
	problem(t, tech.Get(at+"?unit=ft"), fault.InvalidInput, "unit")
	problem(t, tech.Get(at+"?speed=1"), fault.InvalidInput, "speed")
	problem(t, tech.Get("/v1/calibrations/x/words"), fault.InvalidInput, "id")
	problem(t, s.Nobody().Get(at), fault.SignInNeeded)
	missing := tech.Get("/v1/calibrations/" + stream.NewID().String() + "/words")
	problem(t, missing, fault.NotHere)
	require.Equal(t, missing.Body, s.As("tamsin@south.example").Get(at).Body)
}
