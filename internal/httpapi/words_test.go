package httpapi_test

import (
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
