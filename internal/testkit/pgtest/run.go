package pgtest

import (
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"strings"

	"github.com/jackc/pgx/v5"
)

// holdRun takes an advisory lock that stands for this process's databases as long as its connection lives, and drops
// the databases of runs whose lock is free.
func (s *server) holdRun(ctx context.Context) error {
	if _, err := s.admin.Exec(ctx, "select pg_advisory_lock($1)", runKey(s.run)); err != nil {
		return err
	}
	rows, err := s.admin.Query(ctx, "select datname from pg_database where starts_with(datname, $1)", databasePrefix)
	if err != nil {
		return err
	}
	names, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		return err
	}
	for _, name := range names {
		run := name[:strings.LastIndexByte(name, '_')]
		var free bool
		if err := s.admin.QueryRow(ctx, "select pg_try_advisory_lock($1)", runKey(run)).Scan(&free); err != nil {
			return err
		}
		if !free {
			continue
		}
		err := errors.Join(s.drop(ctx, name), s.exec(ctx, fmt.Sprintf("select pg_advisory_unlock(%d)", runKey(run))))
		if err != nil {
			return err
		}
	}
	return nil
}

// releaseRun drops this process's databases. The lock goes with the connection.
func (s *server) releaseRun(ctx context.Context) error {
	if s.admin == nil {
		return nil
	}
	var failed error
	if s.template != "" {
		failed = s.drop(ctx, s.template) // the copies went with their tests
	}
	return errors.Join(failed, s.admin.Close(ctx))
}

func runKey(run string) int64 {
	h := fnv.New64a()
	h.Write([]byte(run))
	return int64(h.Sum64())
}
