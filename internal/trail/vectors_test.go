package trail_test

import (
	"bufio"
	"bytes"
	"encoding/hex"
	"encoding/json"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/stream"
	"readback/internal/trail"
)

var update = flag.Bool("update", false, "write testdata/trail anew: only when the format gets a new version")

const vectorData = "../../testdata/trail"

// vectors pins everything but the chain; docs/trail.md explains each member.
type vectors struct {
	About      string        `json:"about"`
	Key        vectorKey     `json:"key"`
	Sealed     vectorSealed  `json:"sealed"`
	MAC        vectorMAC     `json:"mac"`
	Wrapped    vectorWrapped `json:"wrapped"`
	LastInLine stream.Hash   `json:"last_hash_of_job_trail"`
}

type vectorKey struct {
	ID         stream.ID   `json:"id"`
	Hex        string      `json:"hex"`
	Commitment stream.Hash `json:"commitment"`
}

type vectorSealed struct {
	Stream stream.ID     `json:"stream"`
	Path   string        `json:"path"`
	Plain  string        `json:"plain"`
	Nonce  string        `json:"nonce_hex"`
	Value  stream.Sealed `json:"value"`
}

type vectorMAC struct {
	Member  stream.ID      `json:"member"`
	Org     stream.ID      `json:"org"`
	Command stream.Command `json:"command"`
	Plain   string         `json:"canonical"`
	Hex     string         `json:"hex"`
}

type vectorWrapped struct {
	WrappingKey string `json:"wrapping_key_hex"`
	Nonce       string `json:"nonce_hex"`
	Box         string `json:"box_hex"`
}

// story is a short invented job: opened with a sealed VIN, a note with awkward text, a change with facts.
func story(t *testing.T) []stream.Entry {
	k := keyOf(t, 5)
	commitment, keyID := k.Commitment(), k.ID()
	ref := stream.Ref{Kind: stream.Job, ID: id(1)}
	seal := func(n byte, path, plain string) stream.Sealed {
		s, err := k.Seal(bytes.NewReader(bytes.Repeat([]byte{n}, 12)), ref.ID, path, plain)
		require.NoError(t, err)
		return s
	}
	raw := func(v any) json.RawMessage {
		b, err := json.Marshal(v)
		require.NoError(t, err)
		return b
	}
	at := time.Date(2026, 11, 25, 10, 20, 30, 123e6, time.UTC)
	by := stream.By{Member: id(2), Org: id(3), Role: stream.Technician}
	return []stream.Entry{
		{
			Stream: ref, Seq: 1, Type: "job-opened", V: 1, At: at, By: by,
			Command: stream.Command{ID: id(0x11), Base: 0, Type: "open-job", Data: raw(map[string]any{
				"vin": seal(1, "vin", "EXAMPLE0000000017"), "vin_check": "holds", "mileage_km": 48210, "customer_told": true,
			})},
			MAC: bytes.Repeat([]byte{0xa1}, 32), Decided: json.RawMessage(`{}`),
			Opens: &stream.Opens{Rules: 1, Key: &keyID, Commitment: &commitment},
			Facts: []stream.Fact{{
				Key: stream.FactKey{Stream: stream.Ref{Kind: stream.Register, ID: id(3)}, Name: "member/" + id(2).String()}, Seq: 4, Hash: hashOf(4),
				Value: raw(map[string]any{"roles": []string{"technician"}, "active": true, "name": seal(2, "member/"+id(2).String()+"/name", "Ada Example")}),
			}},
		},
		{
			Stream: ref, Seq: 2, Type: "noted", V: 1, At: at.Add(1877 * time.Millisecond), By: by,
			Command: stream.Command{ID: id(0x12), Base: 1, Type: "note", Data: raw(map[string]any{"text": seal(3, "text", "left rear tyre changed\n")})},
			MAC:     bytes.Repeat([]byte{0xa2}, 32), Decided: json.RawMessage(`{}`),
		},
		{
			Stream: ref, Seq: 3, Type: "alignment-attached", V: 1, At: at.Add(time.Hour), By: stream.By{Member: id(6), Org: id(3), Role: stream.Owner},
			Command: stream.Command{ID: id(0x13), Base: 1, Type: "attach-alignment", Data: json.RawMessage(
				`{"wheels":{"rear_left":{"toe_udeg":-120000},"rear_right":{"toe_udeg":180000}},"when":"after","steering_zero_done":false}`)},
			MAC: bytes.Repeat([]byte{0xa3}, 32),
			Decided: json.RawMessage(`{"thrust_udeg":-150000,"most":9007199254740991,"least":-9007199254740991,"` +
				`\u20ac":"\u001f\"\\\/\b\f\n\r\t\u007f","\ud83d\ude00":1,"\ufb33":2,"list":[[],{},"A\u030a",0]}`),
		},
	}
}

// TestVectors holds the format still: the bytes of entries and hashes, sealed values, MACs, commitments, wrapped keys.
// The values were checked once by a program in another language (Python: hashlib, hmac, json; AES-GCM of the package
// cryptography); docs/trail.md has its short form.
func TestVectors(t *testing.T) {
	t.Parallel()
	var lines bytes.Buffer
	var head stream.Hash
	for _, e := range story(t) {
		e.Prev = head
		r, err := trail.Encode(e)
		require.NoError(t, err)
		head = r.Hash
		lines.WriteString(r.Hash.String() + " " + string(r.Body) + "\n")
	}

	k := keyOf(t, 5)
	actor := stream.Actor{Member: id(2), Org: id(3)}
	nonce := []byte("twelve bytes")
	v := vectors{
		About:      "Pins the trail's format, version 1; docs/trail.md says how each value is made.",
		Key:        vectorKey{k.ID(), hex.EncodeToString(k.Bytes()), k.Commitment()},
		LastInLine: head,
	}
	sealed, err := k.Seal(bytes.NewReader(nonce), id(1), "vin", "EXAMPLE0000000017")
	require.NoError(t, err)
	v.Sealed = vectorSealed{id(1), "vin", "EXAMPLE0000000017", hex.EncodeToString(nonce), sealed}
	cmd := stream.Command{ID: id(4), Base: 6, Type: "read-back", Data: json.RawMessage(`{"value_um":1350000,"side":"left"}`)}
	mac, err := k.MAC(actor, cmd)
	require.NoError(t, err)
	canonical, err := trail.Canonical([]byte(`{"id":"` + cmd.ID.String() + `","base":6,"type":"read-back","data":` + string(cmd.Data) +
		`,"member":"` + actor.Member.String() + `","org":"` + actor.Org.String() + `"}`))
	require.NoError(t, err)
	v.MAC = vectorMAC{actor.Member, actor.Org, cmd, string(canonical), hex.EncodeToString(mac)}
	wrapping := bytes.Repeat([]byte{7}, 32)
	w, err := trail.WrappingKeyFrom(wrapping)
	require.NoError(t, err)
	box, err := w.Wrap(bytes.NewReader(nonce), k)
	require.NoError(t, err)
	v.Wrapped = vectorWrapped{hex.EncodeToString(wrapping), hex.EncodeToString(nonce), hex.EncodeToString(box.Box)}
	var text bytes.Buffer
	enc := json.NewEncoder(&text)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	require.NoError(t, enc.Encode(v))

	for name, got := range map[string][]byte{"job.trail": lines.Bytes(), "vectors.json": text.Bytes()} {
		path := filepath.Join(vectorData, name)
		if *update {
			require.NoError(t, os.WriteFile(path, got, 0o644))
		}
		want, err := os.ReadFile(path)
		require.NoError(t, err)
		require.Equal(t, string(want), string(got), name)
	}

	scan := bufio.NewScanner(strings.NewReader(lines.String()))
	for n := range story(t) {
		require.True(t, scan.Scan())
		_, body, _ := strings.Cut(scan.Text(), " ")
		e, err := trail.DecodeBody([]byte(body))
		require.NoError(t, err)
		require.Equal(t, uint64(n+1), e.Seq)
	}
}
