package outsider_test

import (
	"archive/zip"
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"io"
	"net/http"
	"path"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestCalibration takes one calibration from sign-in to the closed result with two signatures, over two websockets. On
// the way a read-back is wrong, a connection is lost in the middle of a command, and work is stopped and goes on. Every
// frame and every exchange is held to the descriptions (line_test.go, person_test.go).
func TestCalibration(t *testing.T) {
	t.Parallel()
	w := visit(t, nil)
	w.furnish(t)
	p := w.meet(t, w.signIn(t, technician), w.signIn(t, specialist))
	p.prepares()

	// The first position: the target is fitted, measured, locked, frozen and checked again.
	p.step(w.example(t, "calibration", "instruct", 0))
	p.lost("report-readings", w.example(t, "calibration", "report-readings", 0))
	p.closes(0)
	p.runs()
	p.example(p.desk, "end-leg", 0)

	// The second: the read-back names the other side, and does not pass.
	n, says := p.instructs(w.example(t, "calibration", "instruct", 1))
	require.Equal(t, "left", says["side"])
	wrong := readBack(n, says)
	wrong["side"] = "right"
	got := p.gives(p.bay, "read-back", wrong)["decided"].(object)
	require.Equal(t, object{"matches": false, "wrong": []any{"side"}}, got)
	require.Equal(t, "not-met", p.desk.refused("calibration", p.calibration, "confirm", object{"step": n}))
	require.Equal(t, "not-met", p.bay.refused("calibration", p.calibration, "done", object{"step": n}))
	p.gives(p.desk, "correct", object{"step": n})
	require.Equal(t, object{"matches": true}, p.gives(p.bay, "read-back", readBack(n, says))["decided"])
	p.gives(p.desk, "confirm", object{"step": n})
	p.gives(p.bay, "done", object{"step": n})

	// Work is stopped, and goes on once both have agreed.
	p.example(p.bay, "stop", 0)
	require.Equal(t, "stopped", p.state(p.desk)["phase"])
	require.Equal(t, "restart-agreed", p.example(p.bay, "restart", 0)["type"])
	require.Equal(t, "restarted", p.example(p.desk, "restart", 1)["type"])
	require.Equal(t, "guided", p.state(p.bay)["phase"])

	p.places(1)
	p.runs()
	p.example(p.desk, "end-leg", 0)

	p.example(p.desk, "declare", 0)
	p.example(p.bay, "sign", 0)
	p.example(p.desk, "sign", 0)
	p.example(p.bay, "close", 0)
	state := p.state(p.bay)
	require.Equal(t, "closed", state["phase"])
	require.Equal(t, "completed", state["result"].(object)["outcome"])
	require.Len(t, state["signs"], 2)

	p.bundle()
	p.leave()
	p.everythingSaid()
}

// lost gives a command whose answer is lost with the technician's connection. The specialist sees its entry; a new
// connection resumes after the last entry seen, and the command sent again as it was makes no second one.
func (p *pair) lost(command string, data object) {
	p.t.Helper()
	c := p.bay.command("calibration", p.calibration, command, data)
	before := p.bay.last[p.calibration]
	p.bay.says(c)
	p.bay.halves()
	p.desk.sees(p.calibration, before+1)

	p.bay = p.bay.again()
	require.Equal(p.t, before, p.bay.last[p.calibration])
	p.bay.follows("calibration", p.calibration)
	require.Equal(p.t, before+1, p.bay.last[p.calibration], "the entry made meanwhile")
	p.bay.says(c)
	got := p.bay.answered(c)
	require.Equal(p.t, "accepted", got["say"])
	require.Equal(p.t, true, got["repeated"])
	require.Equal(p.t, before+1, number(p.t, got["seq"]))

	made := 0
	for _, e := range p.bay.asks(http.MethodGet, "/v1/calibrations/"+p.calibration+"/entries", nil).want(http.StatusOK)["entries"].([]any) {
		if e.(object)["body"].(object)["command"].(object)["id"] == c["command"].(object)["id"] {
			made++
		}
	}
	require.Equal(p.t, 1, made)
}

// bundle fetches the bundle and holds its files to their schema, and the entries in it to those that were heard.
func (p *pair) bundle() {
	p.t.Helper()
	got := p.bay.asks(http.MethodGet, "/v1/calibrations/"+p.calibration+"/bundle", nil)
	got.want(http.StatusOK)
	z, err := zip.NewReader(bytes.NewReader(got.raw), int64(len(got.raw)))
	require.NoError(p.t, err)
	files := object{}
	for _, f := range z.File {
		r, err := f.Open()
		require.NoError(p.t, err)
		raw, err := io.ReadAll(r)
		require.NoError(p.t, err)
		files[path.Base(f.Name)] = string(raw)
	}
	p.town.description.holds(p.t, "schema/bundle.json", text(p.t, files))
	head := p.chained(files["calibration.trail"].(string), p.bay.seen[p.calibration])
	key := p.bay.asks(http.MethodGet, "/v1/trail-key", nil)
	key.want(http.StatusOK)
	p.signed(files, strings.TrimSpace(string(key.raw)), head)
}

// chained checks a trail's hashes by the rule in entry.json and against the entries that were heard live, and gives the
// last. SHA-256 is the standard library's.
func (p *pair) chained(trail string, live []object) string {
	p.t.Helper()
	lines := strings.Split(strings.TrimSuffix(trail, "\n"), "\n")
	require.Len(p.t, lines, len(live))
	before := make([]byte, sha256.Size)
	for i, l := range lines {
		said, body, _ := strings.Cut(l, " ")
		sum := sha256.Sum256(slices.Concat([]byte("readback/entry/1\n"), before, []byte(body)))
		require.Equal(p.t, hex.EncodeToString(sum[:]), said)
		require.Equal(p.t, live[i]["hash"], said)
		before = sum[:]
	}
	return hex.EncodeToString(before)
}

// signed checks the heads and their signature by c2sp.org/signed-note (from memory): a verifier key is
// name+hash+base64 of an algorithm byte, 1 for Ed25519, and the public key; a signature line holds the base64 of the four
// bytes of the key's hash and of the signature over all that is above the empty line, its line feed included.
func (p *pair) signed(files object, key, head string) {
	p.t.Helper()
	note := files["heads.note"].(string)
	said, signature, _ := strings.Cut(note, "\n\n")
	said += "\n"
	parts := strings.SplitN(key, "+", 3)
	public, err := base64.StdEncoding.DecodeString(parts[2])
	require.NoError(p.t, err)
	require.Equal(p.t, byte(1), public[0])
	at := strings.LastIndex(signature, " ")
	require.Equal(p.t, "\u2014 "+parts[0], signature[:at])
	sig, err := base64.StdEncoding.DecodeString(strings.TrimSuffix(signature[at+1:], "\n"))
	require.NoError(p.t, err)
	require.Equal(p.t, parts[1], hex.EncodeToString(sig[:4]))
	require.True(p.t, ed25519.Verify(public[1:], []byte(said), sig[4:]))
	require.Contains(p.t, said, "\nsigner "+key+"\n")
	require.Contains(p.t, said, fmt.Sprintf("\ncalibration %s %d %s\n", p.calibration, p.bay.last[p.calibration], head))
	for _, name := range []string{"README.txt", "job.key"} {
		require.Contains(p.t, said, fmt.Sprintf("\n%s %x\n", name, sha256.Sum256([]byte(files[name].(string)))))
	}
}

// leave: beats are answered, who takes part is told, one side unfollows, and a desk loses sight of a request it follows
// when the shop ends its agreement.
func (p *pair) leave() {
	p.t.Helper()
	p.bay.says(object{"say": "beat", "n": 7})
	require.Equal(p.t, 7, number(p.t, p.bay.waits("beat", nil)["n"]))
	p.bay.says(object{"say": "unfollow", "stream": object{"kind": "job", "id": p.job}})
	require.NotEmpty(p.t, p.desk.waits("presence", of(p.calibration))["here"])

	next := &pair{t: p.t, town: p.town, bay: p.bay, desk: p.desk}
	next.opens()
	next.asks()
	p.desk.follows("calibration", next.calibration)
	o := p.town.signIn(p.t, owner)
	o.does("register", o.org, "end-agreement", p.town.example(p.t, "register", "end-agreement", 0)).want(http.StatusOK)
	require.Equal(p.t, "out-of-sight", p.desk.waits("ended", of(next.calibration))["reason"])
	p.desk.asks(http.MethodGet, "/v1/calibrations/"+next.calibration, nil).want(http.StatusNotFound)
}

// everythingSaid: in one calibration each message of the descriptions has been said by its side.
func (p *pair) everythingSaid() {
	p.t.Helper()
	for message := range p.town.said {
		require.NotZero(p.t, p.town.tally[message], message)
	}
}
