package app

import (
	"context"
	"fmt"
	"io"

	"readback/internal/fault"
	"readback/internal/live"
	"readback/internal/trail"
)

// WriteBundle writes a calibration and its job as one archive signed by this installation. It holds the job's key if
// that may go with it, as long as that exists.
func (a *App) WriteBundle(ctx context.Context, w io.Writer, taken live.Taken) error {
	if !taken.Opens {
		return trail.WriteClosedBundle(w, taken.Calibration, taken.Job, a.keys.Signer())
	}
	key, err := a.jobKey(ctx, taken.Job)
	if err != nil {
		return err
	}
	return trail.WriteBundle(w, taken.Calibration, taken.Job, key, a.keys.Signer())
}

// jobKey is the key that the job's first entry names; nil once it was destroyed.
func (a *App) jobKey(ctx context.Context, job []trail.Record) (*trail.Key, error) {
	first, err := trail.Decode(job[0])
	if err != nil {
		return nil, fmt.Errorf("first entry of the job: %w", err)
	}
	if first.Opens == nil || first.Opens.Key == nil {
		return nil, nil
	}
	wrapped, err := a.db.Key(ctx, *first.Opens.Key)
	if fault.Is(err, fault.NotHere) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	key, err := a.keys.Wrapping().Unwrap(wrapped)
	if err != nil {
		return nil, fmt.Errorf("key of the job: %w", err)
	}
	return &key, nil
}
