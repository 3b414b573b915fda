package trail_test

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/gowebpki/jcs"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/trail"
)

func id(n byte) stream.ID {
	return stream.ID{0x01, 0x90, 0, 0, 0, 0, 0x70, 0, 0x80, 0, 0, 0, 0, 0, 0, n}
}

func hashOf(n byte) stream.Hash { return trail.Sum(stream.Hash{}, []byte{n}) }

// plainEntry is an entry of usual size: a body of about 600 bytes without facts.
func plainEntry() stream.Entry {
	return stream.Entry{
		Stream: stream.Ref{Kind: stream.Calibration, ID: id(1)}, Seq: 7, Type: "read-back", V: 1,
		At: time.Date(2026, 11, 25, 10, 20, 30, 123e6, time.UTC),
		By: stream.By{Member: id(2), Org: id(3), Role: stream.Technician},
		Command: stream.Command{
			ID: id(4), Base: 6, Type: "read-back",
			Data: json.RawMessage(`{"step":"019000000000700080000000000000aa","value_um":1350000,"side":"left","position":2}`),
		},
		MAC:     bytes.Repeat([]byte{9}, 32),
		Decided: json.RawMessage(`{"matches":false,"wrong":["side"],"said":{"side":"right","value_um":1350000}}`),
		Prev:    hashOf(6),
	}
}

func firstEntry() stream.Entry {
	e := plainEntry()
	key, sum := id(5), hashOf(5)
	e.Seq, e.Command.Base, e.Prev, e.Opens = 1, 0, stream.Hash{}, &stream.Opens{Rules: 1, Key: &key, Commitment: &sum}
	e.Facts = []stream.Fact{{
		Key: stream.FactKey{Stream: stream.Ref{Kind: stream.Register, ID: id(3)}, Name: "member/" + id(2).String()},
		Seq: 3, Hash: hashOf(3), Value: json.RawMessage(`{"roles":["technician"],"active":true}`),
	}}
	return e
}

// entries draws any entry that Encode takes.
func entries() *rapid.Generator[stream.Entry] {
	return rapid.Custom(func(t *rapid.T) stream.Entry {
		word := rapid.StringMatching(`[a-z][a-z0-9-]{0,20}`)
		ids := rapid.Custom(func(t *rapid.T) stream.ID { return stream.ID(rapid.SliceOfN(rapid.Byte(), 16, 16).Draw(t, "id")) })
		hashes := rapid.Custom(func(t *rapid.T) stream.Hash {
			return stream.Hash(rapid.SliceOfN(rapid.Byte(), 32, 32).Draw(t, "hash"))
		})
		raw := func(v any) json.RawMessage {
			b, err := json.Marshal(v)
			require.NoError(t, err)
			return b
		}
		ref := func() stream.Ref { return stream.Ref{Kind: stream.Kind(word.Draw(t, "kind")), ID: ids.Draw(t, "id")} }
		e := stream.Entry{
			Stream: ref(), Seq: rapid.Uint64Range(1, 1<<53-1).Draw(t, "seq"), Type: word.Draw(t, "type"),
			V:  rapid.IntRange(1, 1000).Draw(t, "v"),
			At: time.UnixMilli(rapid.Int64Range(0, 253402300799999).Draw(t, "at")).UTC(),
			By: stream.By{Member: ids.Draw(t, "member"), Org: ids.Draw(t, "org"), Role: stream.Role(word.Draw(t, "role"))},
			Command: stream.Command{ID: ids.Draw(t, "command"), Type: word.Draw(t, "type"),
				Data: raw(object().Draw(t, "data"))},
			MAC:     rapid.SliceOfN(rapid.Byte(), 32, 32).Draw(t, "mac"),
			Decided: raw(object().Draw(t, "decided")),
		}
		if rapid.Bool().Draw(t, "first") {
			e.Seq = 1
		}
		if e.Seq == 1 {
			e.Opens = &stream.Opens{Rules: rapid.IntRange(1, 9).Draw(t, "rules")}
			if rapid.Bool().Draw(t, "keyed") {
				k, h := ids.Draw(t, "key"), hashes.Draw(t, "commitment")
				e.Opens.Key, e.Opens.Commitment = &k, &h
			}
		} else {
			e.Prev = rapid.Map(hashes, func(h stream.Hash) stream.Hash { h[0] |= 1; return h }).Draw(t, "prev")
		}
		e.Command.Base = rapid.Uint64Range(0, e.Seq-1).Draw(t, "base")
		for n := rapid.IntRange(0, 3).Draw(t, "facts"); n > 0; n-- {
			name := rapid.StringN(1, 20, 100).Draw(t, "name")
			e.Facts = append(e.Facts, stream.Fact{
				Key: stream.FactKey{Stream: ref(), Name: string(rune('0'+n)) + name}, Seq: rapid.Uint64Range(1, 1<<53-1).Draw(t, "seq"),
				Hash: hashes.Draw(t, "hash"), Value: raw(value(2).Draw(t, "value")),
			})
		}
		return e
	})
}

func TestEntriesComeBack(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		e := entries().Draw(t, "entry")
		r, err := trail.Encode(e)
		require.NoError(t, err)
		require.NoError(t, trail.Follows(e.Seq-1, e.Prev, r))

		require.Contains(t, string(r.Body), `{"at":"`+e.At.Format("2006-01-02T15:04:05.000Z")+`"`)
		back, err := trail.Decode(r)
		require.NoError(t, err)
		require.Equal(t, r.Hash, back.Hash)
		require.JSONEq(t, string(e.Command.Data), string(back.Command.Data))
		require.JSONEq(t, string(e.Decided), string(back.Decided))
		for i := range e.Facts {
			require.JSONEq(t, string(e.Facts[i].Value), string(back.Facts[i].Value))
			e.Facts[i].Value = back.Facts[i].Value
		}
		e.Command.Data, e.Decided, e.Hash = back.Command.Data, back.Decided, r.Hash
		require.Equal(t, e, back)

		again, err := trail.Encode(back)
		require.NoError(t, err)
		require.Equal(t, r, again)

		// A body is RFC 8785 by another's measure too: github.com/gowebpki/jcs.
		want, err := jcs.Transform(r.Body)
		require.NoError(t, err)
		require.Equal(t, string(want), string(r.Body))
	})
}

func TestDecodeIsStrict(t *testing.T) {
	t.Parallel()
	first, err := trail.Encode(firstEntry())
	require.NoError(t, err)
	_, err = trail.DecodeBody(first.Body)
	require.NoError(t, err)
	for _, c := range []struct{ about, old, new string }{
		{"white space", `{"at":`, `{ "at":`},
		{"a member more", `"v":1}`, `"v":1,"w":1}`},
		{"members in another order", `"base":0,"data"`, `"data":{},"base"`},
		{"a member missing", `,"v":1}`, `}`},
		{"something after", `"v":1}`, `"v":1} `},
		{"microseconds", `30.123Z`, `30.123000Z`},
		{"no milliseconds", `30.123Z`, `30Z`},
		{"a comma in the time", `30.123Z`, `30,123Z`},
		{"another zone", `30.123Z`, `30.123+00:00`},
		{"no such day", `2026-11-25`, `2026-11-31`},
		{"no such hour", `T10:`, `T24:`},
		{"before 1970", `2026-`, `1926-`},
		{"letters for digits", `2026-`, `2O26-`},
		{"an upper-case id", `8000-000000000002`, `8000-00000000000A`},
		{"an id without hyphens", `01900000-0000-7000-8000-000000000002`, `01900000000070008000000000000002xxxx`},
		{"a role in capitals", `"role":"technician"`, `"role":"Technician"`},
		{"no role", `"role":"technician"`, `"role":""`},
		{"an escape that is not needed", `"role":"technician"`, `"role":"technicia\u006e"`},
		{"base not before", `"base":0`, `"base":1`},
		{"a negative base", `"base":0`, `"base":-1`},
		{"a leading zero", `"base":0`, `"base":00`},
		{"a fraction", `"value_um":1350000`, `"value_um":1350000.5`},
		{"a fraction of nothing", `"value_um":1350000`, `"value_um":1350000.0`},
		{"an exponent", `"value_um":1350000`, `"value_um":135e4`},
		{"minus zero", `"value_um":1350000`, `"value_um":-0`},
		{"too large a number", `"value_um":1350000`, `"value_um":9007199254740992`},
		{"null", `"value_um":1350000`, `"value_um":null`},
		{"a key twice", `"position":2`, `"position":2,"position":2`},
		{"keys out of order", `"position":2,"side":"left"`, `"side":"left","position":2`},
		{"data that is a list", `"data":{`, `"data":[],"x":{`},
		{"decided that is text", `"decided":{`, `"decided":"","x":{`},
		{"a solidus escaped", `"name":"member/`, `"name":"member\/`},
		{"an upper-case escape", `"side":"left"`, `"side":"\u001F"`},
		{"a long escape", `"side":"left"`, `"side":"\u000a"`},
		{"a raw control", `"side":"left"`, "\"side\":\"\n\""},
		{"bad UTF-8", `"side":"left"`, "\"side\":\"\xff\""},
		{"an encoded surrogate", `"side":"left"`, "\"side\":\"\xed\xa0\x80\""},
		{"padding in the MAC", `CQkJCQk","type"`, `CQkJCQk=","type"`},
		{"loose bits in the MAC", `CQkJCQk","type"`, `CQkJCQl","type"`},
		{"a MAC of another length", `"mac":"CQkJ`, `"mac":"`},
		{"a hash in capitals", `"hash":"`, `"hash":"A`},
		{"a fact without a name", `"name":"member/01900000-0000-7000-8000-000000000002"`, `"name":""`},
		{"a fact of entry 0", `"seq":3`, `"seq":0`},
		{"a later entry that opens", `"seq":1,"stream"`, `"seq":2,"stream"`},
		{"rules 0", `"rules":1`, `"rules":0`},
		{"a commitment without a key", `"key":"01900000-0000-7000-8000-000000000005",`, ``},
		{"version 0", `"v":1}`, `"v":0}`},
		{"an empty type", `"type":"read-back","v"`, `"type":"","v"`},
	} {
		require.Contains(t, string(first.Body), c.old, c.about)
		_, err := trail.DecodeBody([]byte(strings.Replace(string(first.Body), c.old, c.new, 1)))
		require.Error(t, err, c.about)
	}
	for i := range first.Body {
		_, err := trail.DecodeBody(first.Body[:i])
		require.Error(t, err, "cut at byte %d", i)
	}
	_, err = trail.DecodeBody(make([]byte, trail.MaxBody+1))
	require.ErrorContains(t, err, "at most")
}

func TestEncodeRefuses(t *testing.T) {
	t.Parallel()
	const most = 1<<53 - 1 // the largest whole number that every JSON reader keeps
	first := func(spoil func(e *stream.Entry)) func(*stream.Entry) {
		return func(e *stream.Entry) { *e = firstEntry(); spoil(e) }
	}
	fact := func(spoil func(f *stream.Fact)) func(*stream.Entry) {
		return func(e *stream.Entry) { f := firstEntry().Facts[0]; spoil(&f); e.Facts = []stream.Fact{f} }
	}
	for about, c := range map[string]struct {
		spoil func(e *stream.Entry)
		says  string
	}{
		"sequence number 0":         {func(e *stream.Entry) { e.Seq = 0 }, "sequence numbers"},
		"a sequence number too far": {func(e *stream.Entry) { e.Seq = most + 1 }, "sequence numbers"},
		"version 0":                 {func(e *stream.Entry) { e.V = 0 }, "version 0"},
		"a version too far":         {func(e *stream.Entry) { e.V = most + 1 }, "version"},
		"nanoseconds":               {func(e *stream.Entry) { e.At = e.At.Add(1) }, "time"},
		"local time":                {func(e *stream.Entry) { e.At = e.At.In(time.FixedZone("", 3600)) }, "time"},
		"before 1970":               {func(e *stream.Entry) { e.At = time.UnixMilli(-1).UTC() }, "time"},
		"a year of five digits":     {func(e *stream.Entry) { e.At = time.Date(10000, 1, 1, 0, 0, 0, 0, time.UTC) }, "time"},
		"a short MAC":               {func(e *stream.Entry) { e.MAC = e.MAC[1:] }, "MAC"},
		"base ahead":                {func(e *stream.Entry) { e.Command.Base = e.Seq }, "base"},
		"no role":                   {func(e *stream.Entry) { e.By.Role = "" }, "role"},
		"a kind with a quote":       {func(e *stream.Entry) { e.Stream.Kind = `"` }, "kind"},
		"a type in capitals":        {func(e *stream.Entry) { e.Type = "Noted" }, "type"},
		"a command type with a gap": {func(e *stream.Entry) { e.Command.Type = "add note" }, "command type"},
		"opens late":                {func(e *stream.Entry) { e.Opens = &stream.Opens{Rules: 1} }, "opens"},
		"does not open":             {first(func(e *stream.Entry) { e.Opens = nil }), "opens"},
		"zero hash before":          {func(e *stream.Entry) { e.Prev = stream.Hash{} }, "zero hash"},
		"a hash before the first":   {first(func(e *stream.Entry) { e.Prev[0] = 1 }), "zero hash"},
		"a key not committed to":    {first(func(e *stream.Entry) { e.Opens.Commitment = nil }), "stand together"},
		"a commitment to no key":    {first(func(e *stream.Entry) { e.Opens.Key = nil }), "stand together"},
		"rules 0":                   {first(func(e *stream.Entry) { e.Opens.Rules = 0 }), "rules"},
		"rules too far":             {first(func(e *stream.Entry) { e.Opens.Rules = most + 1 }), "rules"},
		"a fraction decided":        {func(e *stream.Entry) { e.Decided = json.RawMessage(`{"a":0.5}`) }, "decided"},
		"nothing decided":           {func(e *stream.Entry) { e.Decided = nil }, "decided"},
		"a list decided":            {func(e *stream.Entry) { e.Decided = json.RawMessage(`[]`) }, "decided"},
		"a fact twice":              {func(e *stream.Entry) { f := firstEntry().Facts[0]; e.Facts = []stream.Fact{f, f} }, "each once"},
		"a fact without a value":    {fact(func(f *stream.Fact) { f.Value = nil }), "value"},
		"a fact of bad UTF-8":       {fact(func(f *stream.Fact) { f.Key.Name = "\xff" }), "UTF-8"},
		"a fact without a name":     {fact(func(f *stream.Fact) { f.Key.Name = "" }), "a name of 1 to 256"},
		"a fact with a long name":   {fact(func(f *stream.Fact) { f.Key.Name = strings.Repeat("x", 257) }), "a name of 1 to 256"},
		"a fact of no kind":         {fact(func(f *stream.Fact) { f.Key.Stream.Kind = "" }), "kind"},
		"a fact of entry 0":         {fact(func(f *stream.Fact) { f.Seq = 0 }), "sequence numbers"},
		"a fact too far":            {fact(func(f *stream.Fact) { f.Seq = most + 1 }), "sequence numbers"},
	} {
		e := plainEntry()
		c.spoil(&e)
		_, err := trail.Encode(e)
		require.ErrorContains(t, err, c.says, about)
		require.Equal(t, fault.InternalFault, fault.Of(err).Slug, about)
	}
	for name, good := range map[string]bool{
		"a": true, "z": true, "read-back": true, "v2": true, "az09-": true, strings.Repeat("a", 64): true,
		"": false, "-a": false, "2v": false, "{": false, "`": false, "a`": false, "a{": false, "a/": false, "a:": false, "aB": false, "aé": false,
		strings.Repeat("a", 65): false,
	} {
		e := plainEntry()
		e.Type = name
		_, err := trail.Encode(e)
		require.Equal(t, good, err == nil, "type %q: %v", name, err)
	}

	// What is just within is kept.
	e := plainEntry()
	e.Seq, e.V, e.At = most, most, time.Date(9999, 12, 31, 23, 59, 59, 999e6, time.UTC)
	long := firstEntry().Facts[0]
	long.Key.Name, long.Seq = strings.Repeat("x", 256), most
	e.Facts = []stream.Fact{long}
	r, err := trail.Encode(e)
	require.NoError(t, err)
	_, err = trail.Decode(r)
	require.NoError(t, err)
	e.Command.Data = json.RawMessage(`{"a":""}`)
	r, err = trail.Encode(e)
	require.NoError(t, err)
	e.Command.Data = json.RawMessage(`{"a":"` + strings.Repeat("x", trail.MaxBody-len(r.Body)) + `"}`)
	r, err = trail.Encode(e)
	require.NoError(t, err)
	require.Len(t, r.Body, trail.MaxBody)

	e = plainEntry()
	e.Command.Data = json.RawMessage(`{"readings":[{"value_um":1},{"value_um":1.5}]}`)
	_, err = trail.Encode(e)
	require.True(t, fault.Is(err, fault.InvalidInput))
	require.Equal(t, "data.readings[1].value_um", fault.Of(err).Fields[0].Name)
	e.Command.Data = json.RawMessage(`[]`)
	_, err = trail.Encode(e)
	require.Equal(t, "data", fault.Of(err).Fields[0].Name)
	e.Command.Data = json.RawMessage(`{"a":"` + strings.Repeat("x", trail.MaxBody) + `"}`)
	_, err = trail.Encode(e)
	require.True(t, fault.Is(err, fault.TooLarge))
}

func TestColumnsMustAgree(t *testing.T) {
	t.Parallel()
	good, err := trail.Encode(plainEntry())
	require.NoError(t, err)
	for column, spoil := range map[string]func(r *trail.Record){
		"stream":     func(r *trail.Record) { r.Stream = id(9) },
		"seq":        func(r *trail.Record) { r.Seq++ },
		"type":       func(r *trail.Record) { r.Type = "confirmed" },
		"v":          func(r *trail.Record) { r.V = 2 },
		"at":         func(r *trail.Record) { r.At = r.At.Add(time.Millisecond) },
		"actor":      func(r *trail.Record) { r.Actor = id(9) },
		"command id": func(r *trail.Record) { r.CommandID = id(9) },
		"hash":       func(r *trail.Record) { r.Hash[0] ^= 1 },
	} {
		r := good
		spoil(&r)
		_, err := trail.Decode(r)
		require.ErrorContains(t, err, column)
	}
	r := good
	r.Kind = stream.Job
	_, err = trail.Decode(r)
	require.ErrorContains(t, err, "stream")

	require.ErrorContains(t, trail.Follows(5, good.Prev, good), "follows")
	require.ErrorContains(t, trail.Follows(6, hashOf(1), good), "hash before")
	r = good
	r.Body = bytes.Replace(r.Body, []byte("left"), []byte("loft"), 1)
	require.ErrorContains(t, trail.Follows(6, good.Prev, r), "does not have the hash")
}

// TestKeysTwiceInFacts: Decode holds the same line on repeated facts as Encode.
func TestFactTwiceIsNotRead(t *testing.T) {
	t.Parallel()
	r, err := trail.Encode(firstEntry())
	require.NoError(t, err)
	from := bytes.Index(r.Body, []byte(`"facts":[`)) + len(`"facts":[`)
	to := bytes.Index(r.Body, []byte(`],"opens"`))
	fact := string(r.Body[from:to])
	_, err = trail.DecodeBody([]byte(strings.Replace(string(r.Body), fact, fact+","+fact, 1)))
	require.ErrorContains(t, err, "once")
}

func FuzzDecodeBody(f *testing.F) {
	for _, e := range []stream.Entry{plainEntry(), firstEntry()} {
		r, err := trail.Encode(e)
		require.NoError(f, err)
		f.Add(r.Body)
	}
	f.Fuzz(func(t *testing.T, body []byte) {
		e, err := trail.DecodeBody(body)
		if err != nil {
			return
		}
		if e.Seq > 1 {
			e.Prev = hashOf(0)
		}
		r, err := trail.Encode(e)
		require.NoError(t, err)
		require.Equal(t, string(body), string(r.Body))
	})
}

func BenchmarkEncode(b *testing.B) {
	e := plainEntry()
	r, err := trail.Encode(e)
	require.NoError(b, err)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := trail.Encode(e); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(len(r.Body)), "body-bytes")
}

func BenchmarkDecode(b *testing.B) {
	r, err := trail.Encode(plainEntry())
	require.NoError(b, err)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := trail.Decode(r); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkFollows(b *testing.B) {
	r, err := trail.Encode(plainEntry())
	require.NoError(b, err)
	for b.Loop() {
		if err := trail.Follows(6, r.Prev, r); err != nil {
			b.Fatal(err)
		}
	}
}
