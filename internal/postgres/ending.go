package postgres

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"readback/internal/stream"
)

// endedChannel is where the database tells of sessions that end, whoever ends them: a trigger does it.
const endedChannel = "readback_ended"

// lookBack is how far each look goes behind the one before: an end becomes visible when its transaction commits, a little
// after the instant it is kept under.
const lookBack = 30 * time.Second

// Ended hears of the sessions that end. The zero value hears nothing.
type Ended struct {
	Heard  func([]stream.ID) // called from one goroutine, of the same session perhaps often; it must not block
	Memory time.Duration     // how long ago a session may have ended and still matter, at the first look

	looked time.Time // the database's clock at the last look; the listening goroutine's own
}

// take hears one notification.
func (e *Ended) take(payload string) {
	if id, err := stream.ParseID("session", payload); err == nil && e.Heard != nil {
		e.Heard([]stream.ID{id})
	}
}

const sqlEndedSince = `select id from session where ended_at >= $1`

// look hears of what ended since the last look.
func (e *Ended) look(ctx context.Context, hub *pgxpool.Pool) error {
	if e.Heard == nil {
		return nil
	}
	var now time.Time
	if err := hub.QueryRow(ctx, sqlNow).Scan(&now); err != nil {
		return err
	}
	since := e.looked.Add(-lookBack)
	if e.looked.IsZero() {
		since = now.Add(-e.Memory)
	}
	rows, err := hub.Query(ctx, sqlEndedSince, since)
	if err != nil {
		return err
	}
	ids, err := pgx.CollectRows(rows, scanID)
	if err != nil {
		return err
	}
	e.looked = now
	e.Heard(ids)
	return nil
}
