package phrase

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/calibration"
	"readback/internal/figure"
	"readback/internal/stream"
)

// TestNothingOpen: before anything there is nothing to say, and lists are lists.
func TestNothingOpen(t *testing.T) {
	t.Parallel()
	v, err := In("de", figure.MM, "")
	require.NoError(t, err)
	s := calibration.Rules{}.New(stream.NewID()).(*calibration.State)
	raw, err := json.Marshal(v.Current(s, calibration.Turn{}))
	require.NoError(t, err)
	require.JSONEq(t, `{"verdict":"Noch kein Urteil","moves":[]}`, string(raw))
}

// TestWhatWasReadBackIsNotAskedForAgain: the call to read back is said while the step waits for it, and not beside "do it now".
func TestWhatWasReadBackIsNotAskedForAgain(t *testing.T) {
	t.Parallel()
	for _, lang := range Languages() {
		v, err := In(lang, figure.MM, "left")
		require.NoError(t, err)
		ask := " " + v.texts["ask"]
		for _, each := range steps() {
			asked, told := v.Step(each.it), v.Told(each.it)
			require.Equal(t, told.Spoken+ask, asked.Spoken)
			require.Equal(t, told.Long+ask, asked.Long)
			require.NotContains(t, told.Spoken+told.Long, ask)
			asked.Spoken, asked.Long = told.Spoken, told.Long
			require.Equal(t, told, asked, "all else is the same")
		}
	}
}
