package proof_test

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"readback/internal/calibration"
	"readback/internal/job"
	"readback/internal/proof"
	"readback/internal/register"
	"readback/internal/stream"
	"readback/internal/trail"
)

var update = flag.Bool("update", false, "write the golden trails of the story as it is told now; never over old ones")

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const (
	goldenDir = "../../testdata/trail/golden"

	// newest names the golden trails that the story as it is told now must equal.
	newest = "1"
)

// The files of golden trails.
const (
	goldenBundle = "bundle.zip"
	goldenSigner = "signer.key"
	goldenShop   = "shop.trail" // the shop's register
	goldenDesk   = "desk.trail" // the desk's
	goldenRadar  = "radar.zip"  // another calibration of the same job, with a photo
)

// golden reads trails that were kept.
func golden(t testing.TB, name string) *forger {
	read := func(file string) []byte {
		data, err := os.ReadFile(filepath.Join(goldenDir, name, file))
		require.NoError(t, err)
		return data
	}
	f := &forger{t: t, records: map[stream.Kind][]trail.Record{}, signer: signerFrom(t, "north.example", storySeed)}
	require.Equal(t, f.signer.Key+"\n", string(read(goldenSigner)))
	b, err := trail.ReadBundle(read(goldenBundle))
	require.NoError(t, err)
	var ok bool
	f.jobKey, ok, err = b.JobKey()
	require.NoError(t, err)
	require.True(t, ok)
	lines := func(file string) []byte {
		data, _ := b.File(file)
		return data
	}
	f.records[stream.Calibration] = recordsOf(t, lines(trail.CalibrationFile))
	f.records[stream.Job] = recordsOf(t, lines(trail.JobFile))
	f.records[stream.Register] = recordsOf(t, read(goldenShop))
	f.desk = recordsOf(t, read(goldenDesk))
	other, err := trail.ReadBundle(read(goldenRadar))
	require.NoError(t, err)
	radar, _ := other.File(trail.CalibrationFile)
	f.radar, f.photos = recordsOf(t, radar), other.Photos()
	return f
}

// recordsOf reads a trail as text, with all columns as a database would have them.
func recordsOf(t testing.TB, lines []byte) []trail.Record {
	var out []trail.Record
	var head stream.Hash
	for line := range bytes.Lines(lines) {
		e, err := trail.DecodeBody(bytes.TrimSuffix(line[65:], []byte("\n")))
		require.NoError(t, err)
		e.Prev = head
		r, err := trail.Encode(e)
		require.NoError(t, err)
		require.Equal(t, string(line), r.Hash.String()+" "+string(r.Body)+"\n", "what was written then is written so now")
		out, head = append(out, r), r.Hash
	}
	return out
}

func linesOf(records []trail.Record) []byte {
	var b bytes.Buffer
	for _, r := range records {
		b.WriteString(r.Hash.String() + " " + string(r.Body) + "\n")
	}
	return b.Bytes()
}

// keep writes golden trails, unless there are some of that name.
func (f *forger) keep(name string) {
	dir := filepath.Join(goldenDir, name)
	if err := os.Mkdir(dir, 0o755); err != nil {
		require.ErrorIs(f.t, err, os.ErrExist)
		f.t.Fatalf("%s is there already and is not written over: read %s/README.md", dir, goldenDir)
	}
	for file, data := range map[string][]byte{
		goldenBundle: f.bundle(), goldenSigner: []byte(f.signer.Key + "\n"),
		goldenShop: linesOf(f.records[stream.Register]), goldenDesk: linesOf(f.desk), goldenRadar: f.radarBundle(&f.jobKey),
	} {
		require.NoError(f.t, os.WriteFile(filepath.Join(dir, file), data, 0o644))
	}
}

// TestStory: what people do comes to the same entries as ever, byte for byte but for what is computed, which another
// processor may round otherwise, and the hashes of it. What is computed is checked by the test after this one.
func TestStory(t *testing.T) {
	t.Parallel()
	told := tellStory(t)
	r, err := proof.Bundle(told.bundle(), told.options())
	require.NoError(t, err)
	require.NoError(t, r.Err(), r.String())
	if *update {
		told.keep(newest)
	}
	kept := golden(t, newest)
	require.Equal(t, kept.jobKey.Bytes(), told.jobKey.Bytes())
	require.Equal(t, kept.photos, told.photos)
	for _, s := range [][2][]trail.Record{
		{kept.records[stream.Calibration], told.records[stream.Calibration]}, {kept.records[stream.Job], told.records[stream.Job]},
		{kept.records[stream.Register], told.records[stream.Register]}, {kept.desk, told.desk}, {kept.radar, told.radar},
	} {
		require.Equal(t, typesOf(s[0]), typesOf(s[1]))
		for i := range s[0] {
			was, err := trail.Decode(s[0][i])
			require.NoError(t, err)
			is, err := trail.Decode(s[1][i])
			require.NoError(t, err)
			was.Decided, was.Prev, was.Hash = nil, stream.Hash{}, stream.Hash{}
			is.Decided, is.Prev, is.Hash = nil, stream.Hash{}, stream.Hash{}
			require.Equal(t, was, is)
		}
	}
}

func typesOf(records []trail.Record) []string {
	var types []string
	for _, r := range records {
		types = append(types, r.Type)
	}
	return types
}

// TestGoldenTrails: entries outlive code. Whatever was kept is read, decided again and proven, from the bundle and as a
// database would hold it.
func TestGoldenTrails(t *testing.T) {
	t.Parallel()
	each, err := os.ReadDir(goldenDir)
	require.NoError(t, err)
	n := 0
	for _, dir := range each {
		if !dir.IsDir() {
			continue
		}
		n++
		t.Run(dir.Name(), func(t *testing.T) {
			t.Parallel()
			f := golden(t, dir.Name())
			for file, photos := range map[string]int{goldenBundle: 0, goldenRadar: 1} {
				data, err := os.ReadFile(filepath.Join(goldenDir, dir.Name(), file))
				require.NoError(t, err)
				r, err := proof.Bundle(data, f.options())
				require.NoError(t, err)
				require.NoError(t, r.Err(), r.String())
				require.True(t, r.Signer.Trusted)
				for _, s := range r.Streams {
					require.Equal(t, s.Entries, s.Decided, "%s decided again, not only hashed", s.Ref)
				}
				require.Zero(t, r.Sealed.Closed)
				require.Equal(t, photos, r.Photos.Checked, file)
				require.Zero(t, r.Photos.Absent)
			}

			r := f.database(nil)
			require.NoError(t, r.Err(), r.String())
			require.Equal(t, 1, r.Photos.Checked)
			require.Len(t, r.Streams, 5)
			require.Zero(t, r.Facts.OnTrust, "a database holds all that its entries rely on")
		})
	}
	require.Positive(t, n)
}

// TestGoldenTrailsHoldEveryType: a new type of entry is to be told in the story, and kept.
func TestGoldenTrailsHoldEveryType(t *testing.T) {
	t.Parallel()
	f := golden(t, newest)
	types := typesOf(slices.Concat(f.records[stream.Calibration], f.records[stream.Job], f.records[stream.Register], f.desk, f.radar))
	for _, typ := range slices.Concat(calibration.Entries(), job.Entries(), register.Entries()) {
		require.Contains(t, types, typ)
	}
}
