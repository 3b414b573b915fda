package notify_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/notify"
	"readback/internal/stream"
)

// TestOrganisationsTakeTurns: an organisation that has many webhooks, with much due for each and for longer than anybody
// else's, has its share of the slots and no more; what another has due comes between.
func TestOrganisationsTakeTurns(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	greedy, modest := stream.NewID(), stream.NewID()
	var hooks []notify.Hook
	var deliveries []notify.Delivery
	add := func(org stream.ID, n int) {
		h := notify.Hook{ID: stream.NewID(), Org: org, URL: "https://hooks.example/", Events: []string{"register.*"}, Active: true}
		hooks = append(hooks, h)
		for i := range n {
			deliveries = append(deliveries, notify.Delivery{ID: stream.NewID(), Org: org, Webhook: h.ID, Index: uint64(i), Event: "register.noted", Body: []byte("{}")})
		}
	}
	for range 20 {
		add(greedy, 4)
	}
	add(modest, 4)
	next, _, err := w.db.Made(t.Context())
	require.NoError(t, err)
	made, err := w.db.Make(t.Context(), next, next, hooks, deliveries)
	require.NoError(t, err)
	require.True(t, made)
	of := map[stream.ID]stream.ID{}
	for _, h := range hooks {
		of[h.ID] = h.Org
		w.secretOf(h.Org, h.ID)
	}
	take := func(most int) map[stream.ID]int {
		due, err := w.db.Take(t.Context(), false, most, 4, 6, time.Minute)
		require.NoError(t, err)
		got := map[stream.ID]int{}
		for _, d := range due {
			got[of[d.Webhook]]++
		}
		return got
	}
	require.Equal(t, map[stream.ID]int{greedy: 1, modest: 1}, take(2), "one of each")
	require.Equal(t, map[stream.ID]int{greedy: 5, modest: 3}, take(22), "six and all four")
	require.Empty(t, take(14), "what is under way counts")
}
