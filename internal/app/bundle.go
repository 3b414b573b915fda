package app

import (
	"context"
	"fmt"
	"io"

	"readback/internal/calibration"
	"readback/internal/fault"
	"readback/internal/live"
	"readback/internal/photo"
	"readback/internal/stream"
	"readback/internal/trail"
)

// WriteBundle writes a calibration and its job as one archive signed by this installation. It holds the job's key if
// that may go with it, as long as that exists.
func (a *App) WriteBundle(ctx context.Context, w io.Writer, taken live.Taken) error {
	photos, err := a.photosOf(ctx, taken.Calibration)
	if err != nil {
		return err
	}
	if !taken.Opens {
		return trail.WriteClosedBundle(w, taken.Calibration, taken.Job, photos, a.keys.Signer())
	}
	key, err := a.jobKey(ctx, taken.Job)
	if err != nil {
		return err
	}
	return trail.WriteBundle(w, taken.Calibration, taken.Job, photos, key, a.keys.Signer())
}

// photosOf are the photos that the entries name, sealed; none once the job's key was destroyed.
func (a *App) photosOf(ctx context.Context, records []trail.Record) ([]trail.PhotoFile, error) {
	var ids []stream.ID
	for _, r := range records {
		if r.Type != photo.Entry {
			continue
		}
		e, err := trail.Decode(r)
		if err != nil {
			return nil, fmt.Errorf("entry %d of the calibration: %w", r.Seq, err)
		}
		if named, ok := (calibration.Rules{}).PhotoOf(e.Command); ok {
			ids = append(ids, named.ID)
		}
	}
	if len(ids) == 0 {
		return nil, nil
	}
	stored, err := a.db.PhotosOf(ctx, records[0].Stream, ids)
	if err != nil {
		return nil, err
	}
	files := make([]trail.PhotoFile, len(stored))
	for i, p := range stored {
		files[i] = trail.PhotoFile{ID: p.ID, Sealed: p.Sealed}
	}
	return files, nil
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
