package proof

import (
	"context"
	"iter"

	"readback/internal/stream"
	"readback/internal/trail"
)

// Stream verifies the entries of a stream without its row in the table of heads.
func (v *Verifier) Stream(ctx context.Context, ref stream.Ref, records iter.Seq2[trail.Record, error], head *trail.Head) error {
	_, err := v.stream(ctx, ref, records, head)
	return err
}
