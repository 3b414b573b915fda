package tenancy

import (
	"encoding/json"
	"fmt"
	"net/http"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"readback/internal/stream"
)

// walkBeneath compares what the program lets the most seeing of an organisation read with what row-level security would
// give that organisation if the program did not look: in this world the same entries, stream by stream, and no more.
func walkBeneath(t *testing.T, w *town) (n int) {
	conn := w.SQL()
	defer conn.Close(t.Context())
	for _, s := range w.sides() {
		for _, kind := range kinds {
			there := s.there(kind)
			if there == nil {
				continue
			}
			above := 0
			for _, p := range s.people() {
				got := p.client.Get(there.Path() + "/entries?limit=1000")
				var page struct{ Entries []json.RawMessage }
				require.NoError(t, json.Unmarshal([]byte(got.Body), &page))
				if got.Status == http.StatusOK {
					above = max(above, len(page.Entries))
				}
			}
			below := 0
			require.NoError(t, pgx.BeginFunc(t.Context(), conn, func(tx pgx.Tx) error {
				_, err := tx.Exec(t.Context(), fmt.Sprintf(`set local role readback_reader; set local search_path = readback;
					set local readback.asking = '%s'`, s.org.id))
				if err != nil {
					return err
				}
				return tx.QueryRow(t.Context(), `select count(*) from entry where stream = $1::text::uuid`, there.ID.String()).Scan(&below)
			}))
			require.Equal(t, above, below, "%s: entries of a %s", s.name, kind)
			if s.relation == stream.Own {
				require.NotZero(t, below)
			}
			n++
		}
	}
	return n
}
