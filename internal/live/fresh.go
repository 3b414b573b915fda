package live

import (
	"context"

	"readback/internal/fault"
	"readback/internal/stream"
)

// Fresh gives a stream as it is in the Store by now, for decisions of the server's own. Whoever read there that it has the
// entry known, just now, is given what is here if it goes as far, without asking the Store again; 0 always asks. Who asked
// sees nothing of it: what is shown to people goes through View. It is not to be changed; a stream that is not there has no
// entries.
func (h *Hub) Fresh(ctx context.Context, ref stream.Ref, known uint64) (*stream.Fold, error) {
	l, err := h.arrive(ctx, ref)
	if err != nil {
		return nil, err
	}
	defer l.release()
	if f := &l.now.Load().fold; known > 0 && f.Seq >= known {
		return f, nil
	}
	if err := l.await(ctx, l.look(), nil); err != nil {
		return nil, err
	}
	return &l.now.Load().fold, nil
}

// Mark gives the mark that a value of that name has in a stream with a key of its own (see trail.Key.Same), for comparing. It
// is shown to nobody. A stream whose key was destroyed is refused as wrong-phase.
func (h *Hub) Mark(ctx context.Context, f *stream.Fold, name, value string) (string, error) {
	if f.Seq == 0 {
		return "", fault.New(fault.NotHere, "There is no such stream.")
	}
	key, err := h.keyFrom(ctx, &f.Opens)
	if err != nil {
		return "", err
	}
	return key.Same(name, value)
}
