package memstore_test

import (
	"testing"

	"readback/internal/live"
	"readback/internal/stream"
	"readback/internal/testkit/memstore"
	"readback/internal/testkit/storetest"
)

func TestKeepsThePromisesOfAStore(t *testing.T) {
	t.Parallel()
	storetest.Run(t, func(*testing.T) (live.Store, func(stream.ID)) {
		s := memstore.New()
		return s, s.Destroy
	})
}
