package postgres

import (
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/live"
	"readback/internal/stream"
	"readback/internal/testkit/pgtest"
	"readback/internal/testkit/storetest"
)

func TestStore(t *testing.T) {
	t.Parallel()
	storetest.Run(t, func(t *testing.T) (live.Store, func(stream.ID)) {
		url := pgtest.Database(t)
		return open(t, url, Options{}), func(key stream.ID) {
			tag, err := superuser(t, url).Exec(t.Context(), `delete from stream_key where id = $1`, given(key))
			require.NoError(t, err)
			require.EqualValues(t, 1, tag.RowsAffected())
		}
	})
}
