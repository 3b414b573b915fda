package register

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/stream"
)

// TestExpiredIsChosenPieceByPiece: what one change does not name stays as it was, and nonsense is refused by its path.
func TestExpiredIsChosenPieceByPiece(t *testing.T) {
	t.Parallel()
	o := Organisation{Name: "North (invented)", Sort: Shop}
	for _, d := range []organisationChange{{Expired: Expired{Survey: "refuse"}}, {Expired: Expired{Competence: "caution", Survey: "caution"}}} {
		o = d.of(o)
	}
	require.Equal(t, Expired{Survey: "caution", Competence: "caution"}, o.Expired)
	raw, err := json.Marshal(Organisation{Name: "North (invented)", Sort: Shop})
	require.NoError(t, err)
	require.NotContains(t, string(raw), "expired", "an organisation that has chosen nothing is as it was")

	for data, field := range map[string]string{
		`{"expired":{}}`: "data.expired", `{"expired":{"survey":"ignore"}}`: "data.expired.survey",
		`{"expired":{"weather":"refuse"}}`: "data.expired.weather",
	} {
		_, _, err := Rules{}.Admit(stream.Command{Type: "change-organisation", Data: json.RawMessage(data)})
		require.True(t, fault.Is(err, fault.InvalidInput), data)
		var names []string
		for _, f := range fault.Of(err).Fields {
			names = append(names, f.Name)
		}
		require.Contains(t, names, field, data)
	}
}
