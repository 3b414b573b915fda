package proof_test

import (
	"archive/zip"
	"bytes"
	"crypto/rand"
	"crypto/sha256"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/app"
	"readback/internal/proof"
	"readback/internal/stream"
	"readback/internal/trail"
)

// attached is the number of the entry that names the photo.
func (f *forger) attached() int {
	for i, r := range f.radar {
		if r.Type == "photo-attached" {
			return i + 1
		}
	}
	f.t.Fatal("no photo-attached")
	return 0
}

// renamed gives the entry that names the photo another sum and mends the chain.
func (f *forger) renamed(sum stream.Hash) {
	shadow := *f // whose calibration is the radar's
	shadow.records = map[stream.Kind][]trail.Record{theCamera: f.radar}
	shadow.commanded(theCamera, f.attached(), to(sum.String()), "sha256")
}

// TestPhotosAreChecked: in a bundle and in a database, whoever signs.
func TestPhotosAreChecked(t *testing.T) {
	t.Parallel()
	honest := golden(t, newest)
	const missing, changed, sealed = "is missing", "was changed", "does not open"
	for _, c := range []struct {
		about  string
		forge  func(f *forger)
		reason proof.Reason
		why    string
	}{
		{"taken out", func(f *forger) { clear(f.photos) }, proof.PhotoMissing, missing},
		{"one byte", func(f *forger) {
			f.photos[photoID] = bytes.Clone(f.photos[photoID])
			f.photos[photoID][20] ^= 1
		}, proof.PhotoChanged, changed},
		{"cut short", func(f *forger) { f.photos[photoID] = f.photos[photoID][:40] }, proof.PhotoChanged, changed},
		{"emptied", func(f *forger) { f.photos[photoID] = []byte{} }, proof.PhotoChanged, changed},
		{"the same picture sealed again", func(f *forger) {
			picture, err := f.jobKey.OpenPhoto(radarID, photoID, f.photos[photoID])
			require.NoError(f.t, err)
			f.photos[photoID], _, err = f.jobKey.SealPhoto(rand.Reader, radarID, photoID, picture)
			require.NoError(f.t, err)
		}, proof.PhotoChanged, changed},
		{"another picture, named in the entry", func(f *forger) {
			f.photos[photoID] = []byte("sealed by nobody, and long enough")
			f.renamed(sha256.Sum256(f.photos[photoID]))
		}, proof.PhotoChanged, sealed},
		{"a photo of another calibration, named in the entry", func(f *forger) {
			other, sum, err := f.jobKey.SealPhoto(rand.Reader, cameraID, photoID, []byte("another bay"))
			require.NoError(f.t, err)
			f.photos[photoID] = other
			f.renamed(sum)
		}, proof.PhotoChanged, sealed},
		{"another photo of the calibration, named in the entry", func(f *forger) {
			other, sum, err := f.jobKey.SealPhoto(rand.Reader, radarID, idOf(0x7e), []byte("another bay"))
			require.NoError(f.t, err)
			f.photos[photoID] = other
			f.renamed(sum)
		}, proof.PhotoChanged, sealed},
	} {
		t.Run(c.about, func(t *testing.T) {
			t.Parallel()
			f := honest.clone(t)
			f.radar = append([]trail.Record{}, f.radar...)
			c.forge(f)
			inBundle, err := proof.Bundle(f.radarBundle(&f.jobKey), f.options())
			require.NoError(t, err)
			for where, r := range map[string]proof.Report{"bundle": inBundle, "database": f.database(nil)} {
				requireFirst(t, r, c.reason, theCamera, f.attached(), c.why)
				require.Len(t, r.Findings, 1, "%s: %s", where, r)
				require.Contains(t, r.Findings[0].Why, photoID.String())
				require.Zero(t, r.Photos.Checked)
				require.Zero(t, r.Photos.Absent)
				for _, s := range r.Streams {
					require.Equal(t, s.Entries, s.Decided, "what comes after it is decided all the same")
				}
			}
			require.EqualValues(t, len(f.radar), inBundle.Streams[0].Entries)
		})
	}
}

// TestPhotosWithoutTheirKey: the sum needs no key. What is erased cannot be checked, and is no fault.
func TestPhotosWithoutTheirKey(t *testing.T) {
	t.Parallel()
	honest := golden(t, newest)
	prove := func(f *forger, bundle []byte) proof.Report {
		r, err := proof.Bundle(bundle, f.options())
		require.NoError(t, err)
		return r
	}
	r := prove(honest, honest.radarBundle(nil))
	require.NoError(t, r.Err())
	require.Equal(t, 1, r.Photos.Checked, "handed out without the key")
	require.Contains(t, r.String(), "1 photo is the one that the entries name.")

	erased := honest.clone(t)
	clear(erased.photos)
	r = prove(erased, erased.radarBundle(nil))
	require.NoError(t, r.Err())
	require.Equal(t, 1, r.Photos.Absent)
	require.Contains(t, r.String(), "1 photo cannot be checked: erased with the key, or not here.")

	// Whoever takes the key out with the photos, so that they pass for erased, has the signed heads against them.
	b, err := trail.ReadBundle(honest.radarBundle(&honest.jobKey))
	require.NoError(t, err)
	var bare bytes.Buffer
	z := zip.NewWriter(&bare)
	for _, name := range []string{trail.ReadmeFile, trail.CalibrationFile, trail.JobFile, trail.HeadsFile} {
		data, _ := b.File(name)
		w, err := z.CreateHeader(&zip.FileHeader{Name: name, Method: zip.Store})
		require.NoError(t, err)
		_, err = w.Write(data)
		require.NoError(t, err)
	}
	require.NoError(t, z.Close())
	r = prove(honest, bare.Bytes())
	require.Contains(t, r.String(), "job.key: It is missing: the signed heads list it.")

	o := app.ProofOptions(nil)
	v := proof.New(o)
	require.NoError(t, v.Stream(t.Context(), radarRef, rows(honest.radar), nil))
	require.Equal(t, 1, v.Report().Photos.Absent, "nobody looked")

	strange := honest.clone(t)
	strange.photos[idOf(0x7e)] = []byte("put in")
	r = prove(strange, strange.radarBundle(&strange.jobKey))
	require.Len(t, r.Findings, 1, r.String())
	require.Equal(t, proof.BadFile, r.Findings[0].Reason)
	require.Equal(t, trail.PhotoFileName(idOf(0x7e)), r.Findings[0].File)
	require.Contains(t, r.Findings[0].Why, "put in")
}
