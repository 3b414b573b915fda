package stream

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
)

func TestParseIDTakesOneSpelling(t *testing.T) {
	t.Parallel()
	id := NewID()
	got, err := ParseID("job", id.String())
	require.NoError(t, err)
	require.Equal(t, id, got)
	require.Equal(t, "stream "+id.String(), string(AppendID([]byte("stream "), id)))
	for _, s := range []string{
		"", "x", strings.ToUpper("abcdef00-0000-7000-8000-000000000001"), "{" + id.String() + "}", "urn:uuid:" + id.String(),
		strings.ReplaceAll(id.String(), "-", ""), "00000000-0000-0000-0000-000000000000",
	} {
		_, err := ParseID("job", s)
		require.Equal(t, "job", fault.Of(err).Fields[0].Name, s)
	}
}

func TestHashText(t *testing.T) {
	t.Parallel()
	h := Hash{0x0f, 31: 0xa0}
	raw, err := json.Marshal(h)
	require.NoError(t, err)
	var back Hash
	require.NoError(t, json.Unmarshal(raw, &back))
	require.Equal(t, h, back)
	for _, s := range []string{"", "0f", strings.ToUpper(h.String()), h.String() + "00", strings.Repeat("g", 64)} {
		require.Error(t, back.UnmarshalText([]byte(s)), s)
	}
}

func TestAs(t *testing.T) {
	t.Parallel()
	both := Actor{Roles: []Role{Technician, Owner}}
	role, ok := both.As(Specialist, Owner, Technician)
	require.True(t, ok)
	require.Equal(t, Owner, role, "the first that is wanted, not the first that is held")
	_, ok = both.As(Specialist)
	require.False(t, ok)
}

// tally counts entries; its facts are the count under the name "n".
type tally struct{ n, changed uint64 }

type tallyRules struct{}

func (tallyRules) Kind() Kind                                         { return Job }
func (tallyRules) New(ID) State                                       { return tally{} }
func (tallyRules) Admit(c Command) (json.RawMessage, []string, error) { return c.Data, nil, nil }
func (tallyRules) Needs(State, Actor, Command) ([]FactKey, error)     { return nil, nil }
func (tallyRules) Decide(s State, a Actor, c Command, _ Facts, _ time.Time) (Decision, error) {
	if c.Type == "note" {
		return Decision{Type: "noted", V: 1, Role: Technician}, nil
	}
	return Decision{Type: "counted", V: 1, Role: Technician, Decided: map[string]uint64{"n": s.(tally).n + 1}}, nil
}
func (tallyRules) Apply(s State, e Entry) (State, error) {
	return tally{s.(tally).n + 1, e.Seq}, nil
}
func (tallyRules) Stale(_, entry string) bool { return entry == "counted" }
func (tallyRules) Fact(s State, name string) (json.RawMessage, uint64, bool) {
	return json.RawMessage("1"), s.(tally).changed, name == "n"
}
func (tallyRules) RelationNeeds(State, Actor) []FactKey  { return nil }
func (tallyRules) Relation(State, Actor, Facts) Relation { return Own }
func (tallyRules) Summary(State) Summary                 { return Summary{} }
func (tallyRules) Key(State, Command) (Ref, error)       { return Ref{}, nil }

func TestFold(t *testing.T) {
	t.Parallel()
	f := NewFold(tallyRules{}, NewID())
	at := time.Date(2026, 11, 25, 10, 0, 0, 0, time.UTC)
	actor := Actor{Member: NewID(), Org: NewID(), Roles: []Role{Technician}}
	next := func(now time.Time) Entry {
		e, _, err := f.Draft(actor, Command{ID: NewID(), Base: f.Seq, Type: "count"}, []byte{1}, nil, nil, now)
		require.NoError(t, err)
		if e.Seq == 1 {
			e.Opens = &Opens{Rules: 1}
		}
		e.Hash = Hash{byte(e.Seq)}
		return e
	}
	first := next(at)
	_, ok := f.Fact("n")
	require.False(t, ok, "no entry has made it yet")
	require.NoError(t, f.Apply(first))
	require.Equal(t, 1, f.Opens.Rules)
	require.JSONEq(t, `{"n":1}`, string(first.Decided))
	plain, _, err := f.Draft(actor, Command{ID: NewID(), Base: 1, Type: "note"}, nil, nil, nil, at)
	require.NoError(t, err)
	require.Equal(t, "{}", string(plain.Decided), "nothing was decided")

	late := next(at.Add(-time.Hour)) // a clock behind
	require.Equal(t, at, late.At, "a trail never runs backwards")
	require.Equal(t, first.Hash, late.Prev)

	for name, spoil := range map[string]func(*Entry){
		"another stream": func(e *Entry) { e.Stream.ID = NewID() },
		"a gap":          func(e *Entry) { e.Seq++ },
		"earlier":        func(e *Entry) { e.At = at.Add(-time.Millisecond) },
		"opens twice":    func(e *Entry) { e.Opens = &Opens{Rules: 1} },
	} {
		bad := late
		spoil(&bad)
		require.Error(t, f.Apply(bad), name)
		require.EqualValues(t, 1, f.Seq, name)
	}
	require.NoError(t, f.Apply(late))
	require.Equal(t, tally{2, 2}, f.State)
	require.EqualValues(t, 2, f.Seen[late.Command.ID].Seq)

	fact, ok := f.Fact("n")
	require.EqualValues(t, 2, fact.Seq)
	require.True(t, ok)
	require.Equal(t, late.Hash, fact.Hash)
	_, ok = f.Fact("m")
	require.False(t, ok)

	require.NoError(t, f.CheckBase(Command{Type: "count", Base: 2}))
	require.True(t, fault.Is(f.CheckBase(Command{Type: "count", Base: 1}), fault.Stale))
	require.True(t, fault.Is(f.CheckBase(Command{Type: "count", Base: 3}), fault.InvalidInput))
}

// many folds an entry that matters to "count", then so many that do not.
func many(tb testing.TB, others int) *Fold {
	tb.Helper()
	f := NewFold(tallyRules{}, NewID())
	for seq := range uint64(others + 2) {
		e := Entry{Stream: f.Ref, Seq: seq + 1, Type: "noted"}
		switch seq {
		case 0:
			e.Opens = &Opens{Rules: 1}
		case 1:
			e.Type = "counted"
		}
		require.NoError(tb, f.Apply(e))
	}
	return f
}

// TestBaseNamesTheFirstMissed: of what the sender missed, the earliest that matters is told.
func TestBaseNamesTheFirstMissed(t *testing.T) {
	t.Parallel()
	f := many(t, 3)
	require.NoError(t, f.CheckBase(Command{Type: "count", Base: 2}), "what came after does not matter")
	require.NoError(t, f.Apply(Entry{Stream: f.Ref, Seq: 6, Type: "counted"}))
	require.ErrorContains(t, f.CheckBase(Command{Type: "count", Base: 1}), "Entry 2 (counted)")
	require.ErrorContains(t, f.CheckBase(Command{Type: "count", Base: 2}), "Entry 6 (counted)")
	require.NoError(t, f.CheckBase(Command{Type: "count", Base: 6}))
}

// BenchmarkCheckBase is the check of a command whose sender stayed at the beginning of a long stream.
func BenchmarkCheckBase(b *testing.B) {
	f := many(b, 10_000)
	cmd := Command{Type: "count", Base: 2}
	for b.Loop() {
		if err := f.CheckBase(cmd); err != nil {
			b.Fatal(err)
		}
	}
}

func TestUnheldStoresEachVersionOnce(t *testing.T) {
	t.Parallel()
	f := NewFold(tallyRules{}, NewID())
	key := FactKey{Ref{Register, NewID()}, "bay/1"}
	missing := FactKey{key.Stream, "bay/2"}
	facts := Facts{key: {Key: key, Seq: 3, Hash: Hash{3}}}
	require.Len(t, f.Unheld([]FactKey{key, key, missing}, facts), 1)
	require.NoError(t, f.Apply(Entry{Stream: f.Ref, Seq: 1, Opens: &Opens{}, Facts: []Fact{facts[key]}}))
	require.Empty(t, f.Unheld([]FactKey{key}, facts))
	for _, other := range []Fact{{Key: key, Seq: 4, Hash: Hash{4}}, {Key: key, Seq: 3, Hash: Hash{4}}, {Key: key, Seq: 4, Hash: Hash{3}}} {
		require.Len(t, f.Unheld([]FactKey{key}, Facts{key: other}), 1, "another version is stored again: %d %s", other.Seq, other.Hash)
	}
}
