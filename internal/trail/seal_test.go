package trail_test

import (
	"bytes"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/trail"
)

func keyOf(t require.TestingT, n byte) trail.Key {
	k, err := trail.KeyFrom(id(n), bytes.Repeat([]byte{n}, trail.KeySize))
	require.NoError(t, err)
	return k
}

func TestSealedOpensInItsPlaceOnly(t *testing.T) {
	t.Parallel()
	k := keyOf(t, 5)
	rapid.Check(t, func(t *rapid.T) {
		value, path := rapid.String().Draw(t, "value"), rapid.String().Draw(t, "path")
		s, err := k.Seal(rand.Reader, id(1), path, value)
		require.NoError(t, err)
		got, err := k.Open(id(1), path, s)
		require.NoError(t, err)
		require.Equal(t, value, got)

		_, err = k.Open(id(2), path, s)
		require.ErrorIs(t, err, trail.ErrSealed)
		_, err = k.Open(id(1), path+"x", s)
		require.ErrorIs(t, err, trail.ErrSealed)
		_, err = keyOf(t, 6).Open(id(1), path, s)
		require.ErrorIs(t, err, trail.ErrSealed)

		i := rapid.IntRange(0, len(s.Sealed.V)-1).Draw(t, "at")
		changed := s
		c := byte('A')
		if s.Sealed.V[i] == c {
			c = 'B'
		}
		changed.Sealed.V = s.Sealed.V[:i] + string(c) + s.Sealed.V[i+1:]
		_, err = k.Open(id(1), path, changed)
		require.ErrorIs(t, err, trail.ErrSealed)
		changed.Sealed.V = s.Sealed.V[:i]
		_, err = k.Open(id(1), path, changed)
		require.ErrorIs(t, err, trail.ErrSealed)
		changed.Sealed.V = s.Sealed.V[:i] + "\n" + s.Sealed.V[i:]
		_, err = k.Open(id(1), path, changed)
		require.ErrorIs(t, err, trail.ErrSealed)
	})
	one, err := k.Seal(rand.Reader, id(1), "vin", "x")
	require.NoError(t, err)
	two, err := k.Seal(rand.Reader, id(1), "vin", "x")
	require.NoError(t, err)
	require.NotEqual(t, one, two, "the same value twice must not show")
}

func TestSealReadsItsNonceFromTheSource(t *testing.T) {
	t.Parallel()
	nonce := []byte("twelve bytes")
	s, err := keyOf(t, 5).Seal(bytes.NewReader(nonce), id(1), "vin", "x")
	require.NoError(t, err)
	require.True(t, strings.HasPrefix(s.Sealed.V, "dHdlbHZlIGJ5dGVz"), s.Sealed.V)
	_, err = keyOf(t, 5).Seal(iotest.ErrReader(errors.New("dry")), id(1), "vin", "x")
	require.ErrorContains(t, err, "dry")
	_, err = trail.NewKey(id(1), strings.NewReader("short"))
	require.Error(t, err)
	_, err = trail.KeyFrom(id(1), []byte("short"))
	require.Error(t, err)
}

func TestKeysDoNotPrint(t *testing.T) {
	t.Parallel()
	k := keyOf(t, 'K')
	w, err := trail.WrappingKeyFrom(bytes.Repeat([]byte{'K'}, trail.KeySize))
	require.NoError(t, err)
	type holder struct {
		Key      trail.Key
		Pointer  *trail.Key
		Wrapping trail.WrappingKey
		hidden   trail.Key
		wrapping trail.WrappingKey
	}
	h := holder{k, &k, w, k, w}
	var printed []string
	for _, verb := range []string{"%v", "%+v", "%#v", "%s", "%q", "%x", "%X", "%d", "%T"} {
		printed = append(printed, fmt.Sprintf(verb, k), fmt.Sprintf(verb, &k), fmt.Sprintf(verb, w), fmt.Sprintf(verb, h), fmt.Sprintf(verb, &h))
	}
	asJSON, err := json.Marshal(h)
	require.NoError(t, err)
	printed = append(printed, string(asJSON), k.String(), fmt.Sprint(k, w))
	for _, p := range printed {
		for _, secret := range []string{"KKKK", "4b4b4b", "4B4B4B", "75 75 75", "75, 75", "0x4b, 0x4b", "S0tLS0"} {
			require.NotContains(t, p, secret)
		}
	}
}

func TestWrapping(t *testing.T) {
	t.Parallel()
	w, err := trail.WrappingKeyFrom(bytes.Repeat([]byte{1}, trail.KeySize))
	require.NoError(t, err)
	other, err := trail.WrappingKeyFrom(bytes.Repeat([]byte{2}, trail.KeySize))
	require.NoError(t, err)
	k, err := trail.NewKey(id(5), rand.Reader)
	require.NoError(t, err)
	box, err := w.Wrap(rand.Reader, k)
	require.NoError(t, err)
	back, err := w.Unwrap(box)
	require.NoError(t, err)
	require.Equal(t, k.Bytes(), back.Bytes())
	require.Equal(t, k.ID(), back.ID())
	require.NotContains(t, string(box.Box), string(k.Bytes()))

	_, err = other.Unwrap(box)
	require.ErrorIs(t, err, trail.ErrWrapped)
	swapped := trail.WrappedKey{ID: id(6), Box: box.Box}
	_, err = w.Unwrap(swapped)
	require.ErrorIs(t, err, trail.ErrWrapped)
	_, err = w.Unwrap(trail.WrappedKey{ID: id(5), Box: box.Box[1:]})
	require.ErrorIs(t, err, trail.ErrWrapped)
	for i := range box.Box {
		bad := bytes.Clone(box.Box)
		bad[i] ^= 1
		_, err = w.Unwrap(trail.WrappedKey{ID: id(5), Box: bad})
		require.ErrorIs(t, err, trail.ErrWrapped)
	}
	_, err = trail.WrappingKeyFrom([]byte("short"))
	require.Error(t, err)
}

func TestMACTellsResendFromReuse(t *testing.T) {
	t.Parallel()
	k := keyOf(t, 5)
	actor := stream.Actor{Member: id(2), Org: id(3), Roles: []stream.Role{stream.Technician}}
	cmd := stream.Command{ID: id(4), Base: 6, Type: "read-back", Data: json.RawMessage(`{"b":1,"a":"\u00e9"}`)}
	first, err := k.MAC(actor, cmd)
	require.NoError(t, err)
	same := cmd
	same.Data = json.RawMessage(` { "a" : "é", "b" : 1 } `)
	actor.Roles = nil
	again, err := k.MAC(actor, same)
	require.NoError(t, err)
	require.True(t, trail.SameMAC(first, again))

	for about, spoil := range map[string]func(k *trail.Key, a *stream.Actor, c *stream.Command){
		"id":     func(_ *trail.Key, _ *stream.Actor, c *stream.Command) { c.ID = id(9) },
		"base":   func(_ *trail.Key, _ *stream.Actor, c *stream.Command) { c.Base++ },
		"type":   func(_ *trail.Key, _ *stream.Actor, c *stream.Command) { c.Type = "done" },
		"data":   func(_ *trail.Key, _ *stream.Actor, c *stream.Command) { c.Data = json.RawMessage(`{"b":2,"a":"é"}`) },
		"member": func(_ *trail.Key, a *stream.Actor, _ *stream.Command) { a.Member = id(9) },
		"org":    func(_ *trail.Key, a *stream.Actor, _ *stream.Command) { a.Org = id(9) },
		"key":    func(k *trail.Key, _ *stream.Actor, _ *stream.Command) { *k = keyOf(t, 6) },
	} {
		k, a, c := k, actor, cmd
		spoil(&k, &a, &c)
		got, err := k.MAC(a, c)
		require.NoError(t, err)
		require.False(t, trail.SameMAC(first, got), about)
	}
	cmd.Data = json.RawMessage(`{"a":0.5}`)
	_, err = k.MAC(actor, cmd)
	require.Equal(t, "data.a", fault.Of(err).Fields[0].Name)
}

func TestFactsAreSealedAnew(t *testing.T) {
	t.Parallel()
	shop, job := keyOf(t, 5), keyOf(t, 6)
	register, calibration := id(3), id(1)
	name, err := shop.Seal(rand.Reader, register, "name", "Ada Example")
	require.NoError(t, err)
	phone, err := shop.Seal(rand.Reader, register, "contacts/1/phone", "555 0100")
	require.NoError(t, err)
	value, err := json.Marshal(map[string]any{
		"roles": []string{"technician"}, "name": name, "contacts": []any{map[string]any{"sort": "sealed"}, map[string]any{"phone": phone}},
	})
	require.NoError(t, err)

	anew := func(path string, s stream.Sealed) (any, error) {
		plain, err := shop.Open(register, path, s)
		if err != nil {
			return nil, err
		}
		return job.Seal(rand.Reader, calibration, trail.FactPath("member/x", path), plain)
	}
	got, err := trail.EachSealed(value, anew)
	require.NoError(t, err)
	found := map[string]string{}
	blank, err := trail.EachSealed(got, func(path string, s stream.Sealed) (any, error) {
		plain, err := job.Open(calibration, trail.FactPath("member/x", path), s)
		found[path] = plain
		return "-", err
	})
	require.NoError(t, err)
	require.Equal(t, map[string]string{"name": "Ada Example", "contacts/1/phone": "555 0100"}, found)
	require.Equal(t, `{"contacts":[{"sort":"sealed"},{"phone":"-"}],"name":"-","roles":["technician"]}`, string(blank))

	_, err = trail.EachSealed(got, anew) // already under the other key
	require.ErrorIs(t, err, trail.ErrSealed)
	_, err = trail.EachSealed([]byte(`{"a":1.5}`), nil)
	require.True(t, fault.Is(err, fault.InvalidInput))
	plain, err := trail.EachSealed([]byte(`[ "sealed" , {"sealed":"no"}, 3]`), nil)
	require.NoError(t, err)
	require.Equal(t, `["sealed",{"sealed":"no"},3]`, string(plain))
}

// TestEachSealedTouchesNothingElse: put back as they are, the sealed values leave the canonical form of the whole.
func TestEachSealedTouchesNothingElse(t *testing.T) {
	t.Parallel()
	k := keyOf(t, 5)
	rapid.Check(t, func(t *rapid.T) {
		s, err := k.Seal(rand.Reader, id(1), "x", "y")
		require.NoError(t, err)
		doc := object().Draw(t, "value")
		n := rapid.IntRange(0, 3).Draw(t, "sealed")
		for i := range n {
			doc[fmt.Sprintf("sealed%d", i)] = []any{s, map[string]any{"sealed": true}}
		}
		raw, err := json.Marshal(doc)
		require.NoError(t, err)
		want, err := trail.Canonical(raw)
		require.NoError(t, err)
		got, err := trail.EachSealed(raw, func(path string, v stream.Sealed) (any, error) {
			require.Regexp(t, `^sealed\d/0$`, path)
			require.Equal(t, s, v)
			n--
			return v, nil
		})
		require.NoError(t, err)
		require.Equal(t, string(want), string(got))
		require.Zero(t, n)
	})
	for _, raw := range []string{
		`{"sealed":{"k":"01900000-0000-7000-8000-000000000005","v":"a","w":1}}`, `{"sealed":{"k":"x","v":"a"}}`, `{"sealed":1}`,
	} {
		got, err := trail.EachSealed([]byte(raw), nil) // near misses are values like others
		require.NoError(t, err)
		require.Equal(t, raw, string(got))
	}
}

func BenchmarkSeal(b *testing.B) {
	k := keyOf(b, 5)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := k.Seal(rand.Reader, id(1), "vin", "17 characters long"); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkMAC(b *testing.B) {
	k, e := keyOf(b, 5), plainEntry()
	for b.Loop() {
		if _, err := k.MAC(e.By.Actor(), e.Command); err != nil {
			b.Fatal(err)
		}
	}
}
