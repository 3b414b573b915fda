package proof

import (
	"context"
	"fmt"
	"iter"
	"time"

	"readback/internal/stream"
	"readback/internal/trail"
)

// Row is what a database keeps of a stream beside its entries: the head, and what lists and queues choose by. What lists
// show of the stream, Summary.Data, is as the release that wrote it had it, and is not compared.
type Row struct {
	Head    trail.Head
	Summary stream.Summary
	Changed time.Time // of the last entry
}

// Stored verifies one stream of a database with its row, nil if there is none: then the end of the stream is unproven,
// and it is in no list. records are its rows in order. An error is one of reading them or of ctx; what is wrong with the
// stream itself is in the Report.
func (v *Verifier) Stored(ctx context.Context, ref stream.Ref, records iter.Seq2[trail.Record, error], row *Row) error {
	var head *trail.Head
	if row != nil {
		head = &row.Head
	}
	w, err := v.stream(ctx, ref, records, head)
	switch {
	case err != nil || w.bad || w.seq == 0:
		return err
	case row == nil:
		w.refuse(0, MissingHead, "Its row in the table of heads is missing: whether its last entries are here cannot be told.")
	case w.fold != nil:
		if column := differentColumn(w.fold, row); column != "" {
			w.refuse(0, BadColumn, "The column %s of its row in the table of heads does not say what its entries say.", column)
		}
	}
	return nil
}

// differentColumn names the first column that is not what the folded state gives, or is empty.
func differentColumn(f *stream.Fold, row *Row) (column string) {
	defer func() { // as in decide: rules may choke on what was forged
		if r := recover(); r != nil {
			column = fmt.Sprintf("summary (the rules cannot make sense of the stream: %v)", r)
		}
	}()
	is, want := row.Summary, f.Rules.Summary(f.State)
	switch {
	case is.Org != want.Org:
		return "org"
	case !same(is.Job, want.Job, func(a, b stream.ID) bool { return a == b }):
		return "job"
	case !same(is.Desk, want.Desk, func(a, b stream.ID) bool { return a == b }):
		return "desk"
	case is.Phase != want.Phase:
		return "phase"
	case !same(is.QueuedAt, want.QueuedAt, time.Time.Equal):
		return "queued_at"
	case !same(is.DueAt, want.DueAt, time.Time.Equal):
		return "due_at"
	case !row.Changed.Equal(f.At):
		return "changed_at"
	}
	return ""
}

func same[T any](a, b *T, equal func(T, T) bool) bool {
	if a == nil || b == nil {
		return a == b
	}
	return equal(*a, *b)
}
