package postgres

import (
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/live"
	"readback/internal/stream"
	"readback/internal/testkit/pgtest"
)

func TestOneRunningRoutine(t *testing.T) {
	t.Parallel()
	url := pgtest.Database(t)
	d, other := open(t, url, Options{}), open(t, url, Options{})
	specialist := stream.Person{Org: stream.NewID(), Member: stream.NewID()}
	here, there := newLine(), newLine()

	start := here.next("start")
	start.Runs = &specialist
	want(t, d, start, live.Won)
	want(t, other, start, live.Won) // sent again: it is the one that runs
	here.won(start)
	second := there.next("start")
	second.Runs = &specialist
	want(t, other, second, live.RunsElsewhere)
	got, err := d.Load(t.Context(), there.ref, 0, 0)
	require.NoError(t, err)
	require.Empty(t, got)
	_, err = d.Head(t.Context(), there.ref)
	require.True(t, fault.Is(err, fault.NotHere), "%v", err)

	stray := there.next("ends what another stream runs")
	stray.Ends = &specialist
	want(t, d, stray, live.Won)
	there.won(stray)
	second = there.next("start")
	second.Runs = &specialist
	want(t, d, second, live.RunsElsewhere)

	end := here.next("end")
	end.Ends = &specialist
	want(t, other, end, live.Won)
	want(t, d, second, live.Won)
	require.Equal(t, there.ref.ID.String(), one[string](t, superuser(t, url), `select stream::text from running`))
}

// TestOneStartWins: two nodes start a routine of the same specialist on two vehicles at the same moment, a thousand
// times: exactly one of them may.
func TestOneStartWins(t *testing.T) {
	t.Parallel()
	url := pgtest.Database(t)
	nodes := [2]*DB{open(t, url, Options{}), open(t, url, Options{})}
	const specialists = 8
	var wg sync.WaitGroup
	for range specialists {
		wg.Go(func() {
			specialist := stream.Person{Org: stream.NewID(), Member: stream.NewID()}
			lines := [2]*line{newLine(), newLine()}
			for range 1000 / specialists {
				var outcomes [2]live.Outcome
				var starts [2]live.Append
				var both sync.WaitGroup
				for i, d := range nodes {
					starts[i] = lines[i].next("start")
					starts[i].Runs = &specialist
					both.Go(func() {
						var err error
						if outcomes[i], err = d.Append(t.Context(), starts[i]); err != nil {
							t.Error(err)
						}
					})
				}
				both.Wait()
				winner := 0
				if outcomes[1] == live.Won {
					winner = 1
				}
				if outcomes[winner] != live.Won || outcomes[1-winner] != live.RunsElsewhere {
					t.Errorf("outcomes %v", outcomes)
					return
				}
				lines[winner].won(starts[winner])
				end := lines[winner].next("end")
				end.Ends = &specialist
				if got, err := nodes[1-winner].Append(t.Context(), end); err != nil || got != live.Won {
					t.Errorf("%v, %v", got, err)
					return
				}
				lines[winner].won(end)
			}
		})
	}
	wg.Wait()
	require.Zero(t, one[int](t, superuser(t, url), `select count(*) from running`))
	require.Equal(t, 2000, one[int](t, superuser(t, url), `select count(*) from entry`))
}
