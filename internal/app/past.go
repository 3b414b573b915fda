package app

import (
	"context"
	"slices"
	"sync"
	"time"

	"readback/internal/dispatch"
	"readback/internal/httpapi"
	"readback/internal/postgres"
	"readback/internal/stream"
)

// past is what a desk's newest claims say of waits and durations.
type past struct {
	waits     []wait
	durations []time.Duration // from claim to the end
	read      time.Time
}

// wait is an earlier wait, and when it ended.
type wait struct {
	claimed time.Time
	outcome dispatch.Outcome
}

const (
	// pastLasts is how long a desk's past is kept: it shapes a range and no place, and changes by one claim in hundreds.
	pastLasts = time.Minute
	mostPasts = 1000
	// mostPast is how many of a desk's newest calibrations its past is read from.
	mostPast = 500
)

// pasts keeps the past of desks, since every bay that waits asks for it again and again.
type pasts struct {
	mu   sync.Mutex // guards what follows, and is not held while one is read
	kept map[stream.ID]past
}

func newPasts() *pasts { return &pasts{kept: map[stream.ID]past{}} }

func (p *pasts) of(ctx context.Context, db *postgres.DB, desk stream.ID, opening dispatch.Opening) (past, error) {
	p.mu.Lock()
	got, ok := p.kept[desk]
	p.mu.Unlock()
	if ok && time.Since(got.read) < pastLasts {
		return got, nil
	}
	got, err := readPast(ctx, db, desk, opening)
	if err != nil {
		return past{}, err
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if len(p.kept) >= mostPasts {
		clear(p.kept)
	}
	p.kept[desk] = got
	return got, nil
}

func readPast(ctx context.Context, db *postgres.DB, desk stream.ID, opening dispatch.Opening) (past, error) {
	got := past{read: time.Now()}
	claimed, err := lists{db: db}.OfDesk(ctx, desk, httpapi.Page{Limit: mostPast})
	if err != nil {
		return past{}, err
	}
	for _, row := range claimed {
		q, _, err := httpapi.QueueOf(row)
		switch {
		case err != nil:
			return past{}, err
		case q == nil || q.Member == nil:
			continue
		case q.Over != nil:
			got.durations = append(got.durations, opening.Took(*q.Since, *q.Over))
		}
		if q.Estimate != nil && !q.Estimate.Nobody && q.Claimed != nil {
			got.waits = append(got.waits, wait{*q.Claimed, dispatch.Outcome{
				Middle: time.Duration(q.Estimate.ModelS) * time.Second, Waited: opening.Took(q.At, *q.Claimed),
			}})
		}
	}
	return got, nil
}

// newest gives the outcomes of several desks together, the newest first.
func newest(waits []wait) []dispatch.Outcome {
	slices.SortStableFunc(waits, func(a, b wait) int { return b.claimed.Compare(a.claimed) })
	out := make([]dispatch.Outcome, len(waits))
	for i, w := range waits {
		out[i] = w.outcome
	}
	return out
}
