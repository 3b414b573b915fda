package app_test

import (
	"fmt"
	"net/http"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/stream"
	"readback/internal/testkit/apptest"
)

// TestOneCarAnnouncedAtOnce: four gateways, two at each of two nodes, announce one car at the same moment, fifty times, a new
// car each time. It comes to one job, by one entry: a job that a person has just opened by this VIN at either node, which is
// every other time, else one that is opened.
func TestOneCarAnnouncedAtOnce(t *testing.T) {
	t.Parallel()
	p := twoNodes(t)
	owner := p.nodes[0].As(apptest.ShopOwner)
	var gateways [2][4]*apptest.Client // as many as a gateway's rate asks for
	for i := range 8 {
		c, _ := p.nodes[0].Device(owner, fmt.Sprintf("Gateway %d", i))
		gateways[i/4][i%4] = p.nodes[i%2].Nobody().With("Authorization", "Bearer "+c.Token)
	}
	type receipt struct {
		Job      stream.ID
		Seq      uint64
		Repeated bool
	}
	const rounds = 50
	for n := range rounds {
		vin := fmt.Sprintf("ZZZDEM0A4CR%06d", n)
		var there *apptest.Stream
		if n%2 == 1 {
			there = apptest.NewStream(stream.Job)
			p.at(n/2%2, p.tech).Do(there, "open-job", fmt.Sprintf(`{"vin":%q}`, vin))
		}
		var answers [4]apptest.Answer
		var all sync.WaitGroup
		for i, gateway := range gateways[n%2] {
			all.Go(func() {
				answers[i] = gateway.Post("/v1/announcements", fmt.Sprintf(`{"id":%q,"vin":%q}`, stream.NewID(), vin))
			})
		}
		all.Wait()
		var jobs []stream.ID
		made := 0
		for _, a := range answers {
			require.Equal(t, http.StatusOK, a.Status, "round %d: %s", n, a.Body)
			r := apptest.Read[receipt](p.tech, a)
			jobs = append(jobs, r.Job)
			if !r.Repeated {
				made++
			}
			if there != nil {
				require.Equal(t, receipt{there.ID, 2, r.Repeated}, r, "round %d", n)
			} else {
				require.Equal(t, receipt{jobs[0], 1, r.Repeated}, r, "round %d", n)
			}
		}
		require.Equal(t, 1, made, "round %d", n)
	}
	var jobs, entries int
	require.NoError(t, p.nodes[0].SQL().QueryRow(t.Context(), "select count(distinct stream), count(*) from readback.entry where kind = 'job'").Scan(&jobs, &entries))
	require.Equal(t, rounds, jobs)
	require.Equal(t, rounds+rounds/2, entries)
	p.verified()
}
