package app

import (
	"context"
	"errors"
	"sync"
	"testing"
	"testing/synctest"

	"github.com/stretchr/testify/require"
)

// TestReadTogether: whoever asks while a reading is under way gets the next one, which all of them share; other things are read
// meanwhile.
func TestReadTogether(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		var shared together[string, int]
		var reads int // one at a time
		gate := make(chan struct{})
		read := func(ctx context.Context) (int, error) {
			reads++
			n := reads
			<-gate
			return n, ctx.Err()
		}
		var mu sync.Mutex
		got := map[int]int{}
		ask := func() {
			n, err := shared.ask(t.Context(), "queue", read)
			mu.Lock()
			defer mu.Unlock()
			if err == nil {
				got[n]++
			}
		}
		go ask()
		synctest.Wait() // it is under way
		for range 100 {
			go ask()
		}
		synctest.Wait() // one of them will read, and waits for that
		gone, leave := context.WithCancel(t.Context())
		left := make(chan error, 1)
		go func() {
			_, err := shared.ask(gone, "queue", read)
			left <- err
		}()
		synctest.Wait()
		require.Equal(t, 1, reads)
		other, err := shared.ask(t.Context(), "other", func(context.Context) (int, error) { return 7, nil })
		require.NoError(t, err)
		require.Equal(t, 7, other)
		leave()
		require.ErrorIs(t, <-left, context.Canceled, "who goes does not wait")

		gate <- struct{}{}
		synctest.Wait()
		require.Equal(t, map[int]int{1: 1}, got, "those who came later get nothing of what was read before")
		require.Equal(t, 2, reads)
		gate <- struct{}{}
		synctest.Wait()
		require.Equal(t, map[int]int{1: 1, 2: 100}, got)
		require.Empty(t, shared.of)
	})
}

// TestReadForTheOthers: the one who reads may be gone; a reading that fails fails for all who share it, and is not kept.
func TestReadForTheOthers(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		var shared together[string, int]
		gate := make(chan error)
		read := func(ctx context.Context) (int, error) {
			if err := <-gate; err != nil {
				return 0, err
			}
			return 1, ctx.Err()
		}
		first, leave := context.WithCancel(t.Context())
		second, leaveToo := context.WithCancel(t.Context())
		ended := make(chan error, 3)
		for _, ctx := range []context.Context{first, second, t.Context()} {
			go func() {
				_, err := shared.ask(ctx, "queue", read)
				ended <- err
			}()
			synctest.Wait()
		}
		leave()
		leaveToo() // who does the second reading, for the third as well
		broken := errors.New("broken")
		gate <- broken
		require.ErrorIs(t, <-ended, broken)
		gate <- nil
		require.NoError(t, errors.Join(<-ended, <-ended))
		_, err := shared.ask(t.Context(), "queue", func(context.Context) (int, error) { return 2, nil })
		require.NoError(t, err)
		require.Empty(t, shared.of)
	})
}
