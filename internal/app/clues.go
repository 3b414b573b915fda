package app

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"readback/internal/job"
	"readback/internal/postgres"
	"readback/internal/stream"
	"readback/internal/trail"
)

// clues gives what a stream is to be found by because of a command: jobs by their cars.
func clues(kind stream.Kind, cmd stream.Command) []string {
	if kind != stream.Job {
		return nil
	}
	return job.Clues(cmd)
}

const (
	mostClued = 200 // jobs gone through before it is noted how far it is
	clueAgain = time.Minute
)

// makeClues makes the clues of jobs that were opened before there were any, from their entries, until all have theirs.
func (a *App) makeClues(ctx context.Context) {
	for {
		made, err := a.makeAllClues(ctx)
		switch {
		case err == nil && made > 0:
			a.log.InfoContext(ctx, "older jobs can be found by plate and VIN now", slog.Int("jobs", made))
			return
		case err == nil, ctx.Err() != nil:
			return
		}
		a.log.WarnContext(ctx, "not all older jobs can be found by plate and VIN yet", slog.Any("cause", err))
		select {
		case <-ctx.Done():
			return
		case <-time.After(clueAgain):
		}
	}
}

func (a *App) makeAllClues(ctx context.Context) (made int, err error) {
	for {
		keys, err := a.db.KeysWithoutClues(ctx, mostClued)
		if err != nil {
			return made, err
		}
		for _, k := range keys {
			clues, err := a.cluesOf(ctx, k)
			var broken *unreadable
			if errors.As(err, &broken) { // for good: the others do not wait for it
				a.log.ErrorContext(ctx, "a job is not found by plate and VIN", slog.Any("cause", err))
				continue
			}
			if err == nil {
				err = a.db.AddClues(ctx, k.Stream, k.ID, clues)
			}
			if err != nil {
				return made, err
			}
			made += min(len(clues), 1)
		}
		if err := a.db.CluesMade(ctx, keys); err != nil || len(keys) == 0 {
			return made, err
		}
	}
}

// unreadable is a job whose entries are there and give nothing.
type unreadable struct {
	job   stream.ID
	cause error
}

func (u *unreadable) Error() string { return fmt.Sprintf("job %s: %v", u.job, u.cause) }
func (u *unreadable) Unwrap() error { return u.cause }

// cluesOf gives one job's. A key of another kind of stream has no entries of a job.
func (a *App) cluesOf(ctx context.Context, k postgres.OwnedKey) (all []trail.Clue, err error) {
	records, err := a.db.Load(ctx, stream.Ref{Kind: stream.Job, ID: k.Stream}, 0, 0)
	if err != nil || len(records) == 0 {
		return nil, err
	}
	key, err := a.keys.Wrapping().Unwrap(k.WrappedKey)
	if err != nil {
		return nil, &unreadable{k.Stream, err}
	}
	for _, r := range records {
		e, err := trail.Decode(r)
		cmd := e.Command
		if err == nil {
			cmd.Data, err = trail.EachSealed(cmd.Data, func(path string, s stream.Sealed) (any, error) { return key.Open(k.Stream, path, s) })
		}
		if err != nil {
			return nil, &unreadable{k.Stream, fmt.Errorf("entry %d: %w", r.Seq, err)}
		}
		for _, value := range job.Clues(cmd) {
			all = append(all, a.keys.Wrapping().Clue(value))
		}
	}
	return all, nil
}
