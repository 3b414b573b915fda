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
