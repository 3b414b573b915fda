package faults

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/api/client"
)

// ledger is what the clients sent and what they were told.
type ledger struct {
	mu       sync.Mutex
	sent     map[string]*asked                // by command id
	answers  map[string]told                  // the first acknowledgement, by command id
	entries  map[client.Ref]map[uint64]string // hashes of the entries shown to followers
	before   map[client.Ref]uint64            // entries that were there before the clients
	resent   int                              // times a command was sent again
	repeated int                              // acknowledgements said to be repeated
	refusals map[string]int                   // by type of problem
	closes   map[int]int                      // close frames read, by code
	welcomes int                              // connections that got through
	faults   []string                         // what must not happen
}

type asked struct {
	ref   client.Ref
	bytes []byte
}

type told struct {
	ref  client.Ref
	seq  uint64
	hash string
}

// notReady is the one refusal that the scripts may meet (docs/protocol.md).
const notReady = "/problems/not-ready"

func newLedger() *ledger {
	return &ledger{
		sent: map[string]*asked{}, answers: map[string]told{}, entries: map[client.Ref]map[uint64]string{},
		before: map[client.Ref]uint64{}, refusals: map[string]int{}, closes: map[int]int{},
	}
}

// sending notes a command that is about to be sent. It gives the number of commands so far, or 0 for one sent again.
func (l *ledger) sending(ref client.Ref, id string, raw []byte) int {
	l.mu.Lock()
	defer l.mu.Unlock()
	if was := l.sent[id]; was != nil {
		l.resent++
		if was.ref != ref || !bytes.Equal(was.bytes, raw) {
			l.fault("command %s was sent again as another one", id)
		}
		return 0
	}
	l.sent[id] = &asked{ref, bytes.Clone(raw)}
	return len(l.sent)
}

func (l *ledger) accepted(ref client.Ref, id string, seq uint64, hash string, repeated bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if repeated {
		l.repeated++
	}
	now := told{ref, seq, hash}
	if was, ok := l.answers[id]; ok && was != now {
		l.fault("command %s was acknowledged as %v and as %v", id, was, now)
		return
	}
	l.answers[id] = now
}

func (l *ledger) shown(ref client.Ref, seq uint64, hash string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.entries[ref] == nil {
		l.entries[ref] = map[uint64]string{}
	}
	if was, ok := l.entries[ref][seq]; ok && was != hash {
		l.fault("entry %d of %s was shown as %s and as %s", seq, ref, was, hash)
	}
	l.entries[ref][seq] = hash
}

func (l *ledger) refused(id, problem string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.refusals[problem]++
	if _, ok := l.answers[id]; ok && problem != notReady {
		l.fault("command %s was acknowledged, then refused as %s", id, problem)
	}
}

func (l *ledger) closed(code int) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.closes[code]++
}

func (l *ledger) welcomed() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.welcomes++
}

// fault is called with mu held.
func (l *ledger) fault(format string, args ...any) {
	l.faults = append(l.faults, fmt.Sprintf(format, args...))
}

// audit reads all streams by HTTP and compares. It gives the number of acknowledged entries.
func (l *ledger) audit(ctx context.Context, t *testing.T, as map[client.Ref]*client.Client) int {
	t.Helper()
	l.mu.Lock()
	defer l.mu.Unlock()
	require.Empty(t, l.faults)
	there := map[string]told{} // by command id
	for ref, c := range as {
		entries := readAll(ctx, t, c, ref)
		prev := make([]byte, sha256.Size)
		for i, e := range entries {
			require.Equal(t, uint64(i+1), e.Seq, "%s has a gap", ref)
			// docs/trail.md, "The chain"
			sum := sha256.Sum256(append(append([]byte("readback/entry/1\n"), prev...), e.Body...))
			require.Equal(t, hex.EncodeToString(sum[:]), e.Hash, "%s entry %d", ref, e.Seq)
			prev = sum[:]
			if e.Seq <= l.before[ref] {
				continue
			}
			id := commandOf(t, e)
			require.Contains(t, l.sent, id, "%s entry %d was invented: no client sent its command", ref, e.Seq)
			require.Equal(t, ref, l.sent[id].ref, "entry %d stands in another stream than it was sent to", e.Seq)
			require.NotContains(t, there, id, "%s entry %d: its command has made an entry before", ref, e.Seq)
			there[id] = told{ref, e.Seq, e.Hash}
		}
		for seq, hash := range l.entries[ref] {
			require.LessOrEqual(t, seq, uint64(len(entries)), "%s: an entry was shown that is not there", ref)
			require.Equal(t, entries[seq-1].Hash, hash, "%s entry %d is not what was shown", ref, seq)
		}
	}
	for id, was := range l.answers {
		require.Equal(t, was, there[id], "command %s is not where it was acknowledged", id)
	}
	for id, was := range l.sent {
		require.Contains(t, l.answers, id, "command %s to %s never got its answer", id, was.ref)
	}
	require.Len(t, there, len(l.answers))
	return len(l.answers)
}

func commandOf(t *testing.T, e client.Entry) string {
	t.Helper()
	var body struct {
		Command struct {
			ID string `json:"id"`
		} `json:"command"`
	}
	require.NoError(t, json.Unmarshal(e.Body, &body))
	return body.Command.ID
}

func readAll(ctx context.Context, t *testing.T, c *client.Client, ref client.Ref) (all []client.Entry) {
	t.Helper()
	for {
		some, head, err := c.Entries(ctx, ref, uint64(len(all)), 1000)
		require.NoError(t, err)
		if all = append(all, some...); uint64(len(all)) >= head {
			require.Len(t, all, int(head))
			return all
		}
		require.NotEmpty(t, some)
	}
}

// commands is how many different ones have been sent.
func (l *ledger) commands() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return len(l.sent)
}

// onlyNotReady checks that nothing the scripts asked for was refused but for the moment.
func (l *ledger) onlyNotReady(t *testing.T) {
	t.Helper()
	l.mu.Lock()
	defer l.mu.Unlock()
	for problem := range l.refusals {
		require.Equal(t, notReady, problem)
	}
}
