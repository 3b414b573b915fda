package client_test

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"readback/api/client"
	"readback/internal/testkit/toyserver"
)

func TestSendLive(t *testing.T) {
	t.Parallel()
	inBubble(t, toyserver.Options{}, func(t *testing.T, w *world) {
		at := ref(w.Open(1))
		ann, ben := w.connect(w.client(w.Ann)), w.connect(w.client(w.Ben))
		mine, err := ann.Follow(at, 0)
		require.NoError(t, err)
		theirs, err := ben.Follow(at, 0)
		require.NoError(t, err)
		synctest.Wait()
		_, ok := theirs.Live()
		require.False(t, ok)

		reading := client.Reading{N: 0, Readings: []map[string]any{{"quantity": "yaw"}}}
		for range 3 {
			reading.N++
			changed := theirs.Changed()
			require.True(t, ann.SendLive(at, reading))
			<-changed
			for _, f := range []*client.Following{mine, theirs} {
				synctest.Wait()
				v, ok := f.Live()
				require.True(t, ok)
				require.Equal(t, reading.N, v.N)
				require.Equal(t, w.Ann.String(), v.Member)
				require.Equal(t, "middle", v.Position)
				require.JSONEq(t, `{"verdict":"within"}`, string(v.Verdict))
			}
			time.Sleep(100 * time.Millisecond)
		}

		// A refusal of readings does not end the following.
		require.True(t, ann.SendLive(at, client.Reading{N: 9, Readings: []map[string]any{{"refuse": true}}}))
		synctest.Wait()
		n, why := mine.Refused()
		require.Equal(t, uint64(9), n)
		require.Equal(t, "not-met", why.Slug())
		n, why = theirs.Refused()
		require.Zero(t, n)
		require.Nil(t, why)

		time.Sleep(3 * time.Second)
		v, ok := theirs.Live()
		require.False(t, ok)
		require.True(t, v.Gone)
		_, err = ann.Do(t.Context(), at, note("still here", 1))
		require.NoError(t, err)

		ann.Close()
		require.False(t, ann.SendLive(at, reading), "nowhere to send it")
	})
}
