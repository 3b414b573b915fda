package trail_test

import (
	"archive/zip"
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"hash/crc32"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/require"
	"golang.org/x/mod/sumdb/note"

	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/trail"
)

// signerFrom makes note keys of an Ed25519 seed, as the package note spells them.
func signerFrom(t require.TestingT, name string, seed []byte) trail.Signer {
	public := ed25519.NewKeyFromSeed(seed).Public().(ed25519.PublicKey)
	vkey, err := note.NewEd25519VerifierKey(name, public)
	require.NoError(t, err)
	sum := sha256.Sum256(append([]byte(name+"\n\x01"), public...))
	skey := fmt.Sprintf("PRIVATE+KEY+%s+%08x+%s", name, binary.BigEndian.Uint32(sum[:]), base64.StdEncoding.EncodeToString(append([]byte{1}, seed...)))
	s, err := note.NewSigner(skey)
	require.NoError(t, err)
	return trail.Signer{Signer: s, Key: vkey}
}

// TestPublishedSignatures runs RFC 8032, section 7.1, through the signer and verifier that heads go through, and the
// signature with S + L that RFC 8032, 5.1.7, has refused.
func TestPublishedSignatures(t *testing.T) {
	t.Parallel()
	raw, err := os.ReadFile(filepath.Join(vectorData, "ed25519_rfc8032.json"))
	require.NoError(t, err)
	var file struct {
		Vectors []struct{ Name, Seed, PK, Msg, Sig string }
	}
	require.NoError(t, json.Unmarshal(raw, &file))
	require.Len(t, file.Vectors, 4)
	unhex := func(s string) []byte {
		b, err := hex.DecodeString(s)
		require.NoError(t, err)
		return b
	}
	for _, v := range file.Vectors {
		s := signerFrom(t, "rfc8032", unhex(v.Seed))
		sig, err := s.Sign(unhex(v.Msg))
		require.NoError(t, err)
		require.Equal(t, v.Sig, hex.EncodeToString(sig), v.Name)
		vkey, err := note.NewEd25519VerifierKey("rfc8032", unhex(v.PK))
		require.NoError(t, err)
		require.Equal(t, vkey, s.Key, v.Name)
		by, err := note.NewVerifier(vkey)
		require.NoError(t, err)
		require.True(t, by.Verify(unhex(v.Msg), sig), v.Name)
		sig[3] ^= 1
		require.False(t, by.Verify(unhex(v.Msg), sig), v.Name)
	}
	first, err := note.NewVerifier(signerFrom(t, "rfc8032", unhex(file.Vectors[0].Seed)).Key)
	require.NoError(t, err)
	require.False(t, first.Verify(nil, unhex("e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901554c8c7872aa064e049dbb3013fbf29380d25bf5f0595bbe24655141438e7a101b")))
}

// TestPublishedNote is the example of C2SP's signed-note.md (github.com/C2SP/C2SP at 5ba5ee83).
func TestPublishedNote(t *testing.T) {
	t.Parallel()
	v, err := note.NewVerifier("example.com/foo+530d903a+AekyeRrm56hApGFkyQR4ZCbV54Id2LKaANYcrnKv3U2k")
	require.NoError(t, err)
	const msg = "This is an example message.\n\n— example.com/foo Uw2QOkn8srV1yJGh2VYRlL1Tnagv1YEq6TfXppzi2ONncAlTgK7Ztg1ERYNZXsYjOBH3mFXmRKuwHjG1Yu72IneyaQM=\n"
	require.True(t, trail.SignedBy([]byte(msg), v))
	require.False(t, trail.SignedBy([]byte(strings.Replace(msg, "an example", "no example", 1)), v))
	_, err = trail.ReadHeads([]byte(msg))
	require.ErrorIs(t, err, trail.ErrHeads, "a note, and not one of heads")
}

func heads() trail.Heads {
	return trail.Heads{
		Heads: []trail.Head{
			{Ref: stream.Ref{Kind: stream.Calibration, ID: id(1)}, Seq: 7, Hash: hashOf(1)},
			{Ref: stream.Ref{Kind: stream.Job, ID: id(2)}, Seq: 3, Hash: hashOf(2)},
		},
		Sums: []trail.FileSum{{Name: trail.ReadmeFile, Sum: hashOf(3)}},
	}
}

func TestHeadsAreReadStrictly(t *testing.T) {
	t.Parallel()
	s := signerFrom(t, "shop.example", bytes.Repeat([]byte{1}, 32))
	other := signerFrom(t, "shop.example", bytes.Repeat([]byte{2}, 32))
	h := heads()
	h.Signer = s.Key
	msg, err := trail.SignHeads(h, s)
	require.NoError(t, err)
	back, err := trail.ReadHeads(msg)
	require.NoError(t, err)
	require.Equal(t, h, back)
	by, err := note.NewVerifier(s.Key)
	require.NoError(t, err)
	require.True(t, trail.SignedBy(msg, by))
	notBy, err := note.NewVerifier(other.Key)
	require.NoError(t, err)
	require.False(t, trail.SignedBy(msg, notBy))

	for i := range msg {
		for _, c := range []byte{'A', '0', ' ', '\n', msg[i] ^ 1} {
			if msg[i] == c {
				continue
			}
			changed := bytes.Clone(msg)
			changed[i] = c
			_, err := trail.ReadHeads(changed)
			require.True(t, err != nil || !trail.SignedBy(changed, by), "byte %d of %q", i, changed)
		}
	}
	twice, err := note.Sign(&note.Note{Text: strings.SplitAfter(string(msg), "\n\n")[0][:bytes.Index(msg, []byte("\n\n"))+1]}, s, other)
	require.NoError(t, err)
	_, err = trail.ReadHeads(twice)
	require.ErrorIs(t, err, trail.ErrHeads, "one signature")

	// Signed all the same, but nothing that SignHeads writes.
	sum := trail.ReadmeFile + " " + hashOf(3).String() + "\n"
	start := "readback bundle 1\nsigner " + s.Key + "\n"
	head := func(id, seq, hash string) string { return start + "job " + id + " " + seq + " " + hash + "\n" }
	theID, theHash := id(2).String(), hashOf(2).String()
	for text, good := range map[string]bool{
		start:                           true,
		start + strings.Repeat(sum, 14): true,
		start + strings.Repeat(sum, 15): false,
		head(theID, "3", theHash):       true,
		head("00000000-0000-0000-0000-000000000000", "3", theHash): false,
		head(strings.ToUpper(id(0xa).String()), "3", theHash):      false,
		head(theID, "9007199254740991", theHash):                   true,
		head(theID, "9007199254740992", theHash):                   false,
		head(theID, "03", theHash):                                 false,
		head(theID, "3", strings.ToUpper(theHash)):                 false,
		"readback bundle 1\n":                                      false,
		"readback bundle 2\nsigner " + s.Key + "\n":                false,
		"readback bundle 1\n" + sum:                                false,
		start + "signer " + s.Key + "\n":                           false,
		start + sum + "job " + theID + " 3 " + theHash + "\n":      false,
		start + "job " + theID + "\n":                              false,
		start + "a b c\n":                                          false,
	} {
		signed, err := note.Sign(&note.Note{Text: text}, s)
		require.NoError(t, err)
		_, err = trail.ReadHeads(signed)
		require.Equal(t, good, err == nil, "%s", text)
	}
	for _, bad := range []string{"", "\n", "readback bundle 1\n", string(msg) + "\n", string(msg[:len(msg)-1])} {
		_, err := trail.ReadHeads([]byte(bad))
		require.ErrorIs(t, err, trail.ErrHeads, "%q", bad)
	}
}

// jobAndCalibration are two short trails.
func jobAndCalibration(t testing.TB) (calibration, job []trail.Record) {
	first := firstEntry()
	c, err := trail.Encode(first)
	require.NoError(t, err)
	second := plainEntry()
	second.Seq, second.Command.Base, second.Prev = 2, 1, c.Hash
	c2, err := trail.Encode(second)
	require.NoError(t, err)
	first.Stream = stream.Ref{Kind: stream.Job, ID: id(0x21)}
	j, err := trail.Encode(first)
	require.NoError(t, err)
	return []trail.Record{c, c2}, []trail.Record{j}
}

func TestBundleComesBack(t *testing.T) {
	t.Parallel()
	calibration, job := jobAndCalibration(t)
	s := signerFrom(t, "shop.example", bytes.Repeat([]byte{1}, 32))
	key := keyOf(t, 5)
	var buf bytes.Buffer
	require.NoError(t, trail.WriteBundle(&buf, calibration, job, nil, &key, s))

	b, err := trail.ReadBundle(buf.Bytes())
	require.NoError(t, err)
	_, changed := b.Changed()
	require.False(t, changed)
	var got []trail.Record
	for r, err := range b.Records(trail.CalibrationFile, calibration[0].Ref()) {
		require.NoError(t, err)
		require.NoError(t, trail.Follows(uint64(len(got)), r.Prev, r))
		got = append(got, r)
	}
	require.Len(t, got, 2)
	require.Equal(t, calibration[1].Body, got[1].Body)
	require.Equal(t, calibration[1].Hash, got[1].Hash)
	require.Equal(t, calibration[0].Hash, got[1].Prev)
	back, ok, err := b.JobKey()
	require.NoError(t, err)
	require.True(t, ok)
	require.Equal(t, key.Bytes(), back.Bytes())
	about, _ := b.File(trail.ReadmeFile)
	for _, want := range []string{calibration[0].Stream.String(), job[0].Stream.String(), s.Key} {
		require.Contains(t, string(about), want)
	}
	require.NotContains(t, string(about), "{")

	var without bytes.Buffer
	require.NoError(t, trail.WriteBundle(&without, calibration, job, nil, nil, s))
	b, err = trail.ReadBundle(without.Bytes())
	require.NoError(t, err)
	_, ok, err = b.JobKey()
	require.NoError(t, err)
	require.False(t, ok)
	destroyed, _ := b.File(trail.ReadmeFile)
	require.Contains(t, string(destroyed), "has been destroyed")

	var closed bytes.Buffer
	require.NoError(t, trail.WriteClosedBundle(&closed, calibration, job, nil, s))
	b, err = trail.ReadBundle(closed.Bytes())
	require.NoError(t, err)
	_, ok, err = b.JobKey()
	require.NoError(t, err)
	require.False(t, ok)
	withheld, _ := b.File(trail.ReadmeFile)
	require.Contains(t, string(withheld), "not handed out to this recipient")
	require.NotContains(t, string(withheld), "destroyed")
	require.NotContains(t, string(withheld), "{")
	for _, text := range [][]byte{about, destroyed, withheld} {
		for line := range strings.Lines(string(text)) {
			require.LessOrEqual(t, utf8.RuneCountInString(strings.TrimSuffix(line, "\n")), 80, line)
		}
	}

	require.Error(t, trail.WriteBundle(io.Discard, nil, job, nil, nil, s))
	_, err = trail.ReadBundle(make([]byte, trail.MaxBundle+1))
	require.True(t, fault.Is(err, fault.TooLarge))
}

// TestAnotherReaderOpensTheArchive: what is written by hand is a ZIP archive to the standard library too, check sums
// included.
func TestAnotherReaderOpensTheArchive(t *testing.T) {
	t.Parallel()
	calibration, job := jobAndCalibration(t)
	key := keyOf(t, 5)
	var buf bytes.Buffer
	require.NoError(t, trail.WriteBundle(&buf, calibration, job, nil, &key, signerFrom(t, "shop.example", make([]byte, 32))))
	r, err := zip.NewReader(bytes.NewReader(buf.Bytes()), int64(buf.Len()))
	require.NoError(t, err)
	require.Len(t, r.File, 5)
	for _, f := range r.File {
		require.Equal(t, 1980, f.Modified.Year(), f.Name)
		require.Empty(t, f.Extra)
		rc, err := f.Open()
		require.NoError(t, err)
		data, err := io.ReadAll(rc) // fails on a wrong check sum
		require.NoError(t, err)
		require.Equal(t, crc32.ChecksumIEEE(data), f.CRC32)
		require.NoError(t, rc.Close())
	}
}

// TestBundleOfTheFormat reads a bundle written once and kept: whatever becomes of the program, it must stay readable.
func TestBundleOfTheFormat(t *testing.T) {
	t.Parallel()
	path := filepath.Join(vectorData, "bundle.zip")
	s := signerFrom(t, "shop.example", bytes.Repeat([]byte{1}, 32))
	if *update {
		calibration, job := jobAndCalibration(t)
		key := keyOf(t, 5)
		var buf bytes.Buffer
		photo := []trail.PhotoFile{{ID: id(6), Sealed: []byte("stands for a sealed photo")}}
		require.NoError(t, trail.WriteBundle(&buf, calibration, job, photo, &key, s))
		require.NoError(t, os.WriteFile(path, buf.Bytes(), 0o644))
	}
	data, err := os.ReadFile(path)
	require.NoError(t, err)
	b, err := trail.ReadBundle(data)
	require.NoError(t, err)
	at, changed := b.Changed()
	require.False(t, changed, "at byte %d", at)
	signed, _ := b.File(trail.HeadsFile)
	h, err := trail.ReadHeads(signed)
	require.NoError(t, err)
	by, err := note.NewVerifier(s.Key)
	require.NoError(t, err)
	require.True(t, trail.SignedBy(signed, by))
	for i, name := range []string{trail.CalibrationFile, trail.JobFile} {
		var last trail.Record
		for r, err := range b.Records(name, h.Heads[i].Ref) {
			require.NoError(t, err)
			require.NoError(t, trail.Follows(last.Seq, last.Hash, r))
			_, err := trail.DecodeBody(r.Body)
			require.NoError(t, err)
			last = r
		}
		require.Equal(t, h.Heads[i].Hash, last.Hash)
		require.Equal(t, h.Heads[i].Seq, last.Seq)
	}
	for _, s := range h.Sums {
		data, ok := b.File(s.Name)
		require.True(t, ok)
		require.Equal(t, stream.Hash(sha256.Sum256(data)), s.Sum)
	}
	require.Equal(t, map[stream.ID][]byte{id(6): []byte("stands for a sealed photo")}, b.Photos())
}

func TestNotABundle(t *testing.T) {
	t.Parallel()
	archive := func(method uint16, names ...string) []byte {
		var buf bytes.Buffer
		z := zip.NewWriter(&buf)
		for _, n := range names {
			w, err := z.CreateHeader(&zip.FileHeader{Name: n, Method: method})
			require.NoError(t, err)
			_, err = w.Write([]byte(strings.Repeat("text\n", 20)))
			require.NoError(t, err)
		}
		require.NoError(t, z.Close())
		return buf.Bytes()
	}
	all := []string{"README.txt", "calibration.trail", "job.trail", "heads.note"}
	for _, c := range []struct {
		data []byte
		want string
	}{
		{nil, "ZIP"},
		{[]byte("PK\x03\x04"), "ZIP"},
		{archive(zip.Store), "README.txt is missing"},
		{archive(zip.Store, all[:3]...), "heads.note is missing"},
		{archive(zip.Deflate, all...), "not stored"},
		{archive(zip.Store, "job.trail", "README.txt"), "does not belong"},
		{archive(zip.Store, "README.txt", "README.txt"), "does not belong"},
		{archive(zip.Store, "../README.txt"), "does not belong"},
		{archive(zip.Store, append(all, "a", "b")...), "at most 5"},
		{archive(zip.Store, append(all, ofPhoto(1), "a", "b")...), "holds 6 files that are no photos, at most 5"},
		{archive(zip.Store, append(all, ofPhoto(2), ofPhoto(1))...), "does not belong"},
		{archive(zip.Store, append(all, ofPhoto(1), ofPhoto(1))...), "does not belong"},
		{archive(zip.Store, append([]string{ofPhoto(1)}, all...)...), "does not belong"},
		{archive(zip.Store, append(all, "photos/../"+ofPhoto(1))...), "does not belong"},
		{archive(zip.Store, append(all, "photos/"+strings.ToUpper(id(0xa).String())+".sealed")...), "does not belong"},
		{archive(zip.Deflate, append(all, ofPhoto(1))...), "not stored"},
		{overlapping(t, archive(zip.Store, append(all, ofPhoto(1), ofPhoto(2), ofPhoto(3))...)), "not stored"},
	} {
		_, err := trail.ReadBundle(c.data)
		require.True(t, fault.Is(err, fault.Malformed))
		require.ErrorContains(t, err, c.want)
	}
	// Stored by another program: readable, and not as a bundle is written.
	b, err := trail.ReadBundle(archive(zip.Store, all...))
	require.NoError(t, err)
	_, changed := b.Changed()
	require.True(t, changed)
	for _, err := range b.Records(trail.JobFile, stream.Ref{}) {
		require.Error(t, err)
	}
}

func ofPhoto(n byte) string { return trail.PhotoFileName(id(n)) }

// overlapping makes every file of an archive, by its directory, as large as the archive: together they are many times of it.
func overlapping(t *testing.T, archive []byte) []byte {
	r, err := zip.NewReader(bytes.NewReader(archive), int64(len(archive)))
	require.NoError(t, err)
	at := bytes.Index(archive, []byte("PK\x01\x02"))
	for range r.File {
		require.Equal(t, "PK\x01\x02", string(archive[at:at+4]))
		binary.LittleEndian.PutUint32(archive[at+20:], uint32(len(archive))/2)
		binary.LittleEndian.PutUint32(archive[at+24:], uint32(len(archive))/2)
		next := bytes.Index(archive[at+4:], []byte("PK\x01\x02"))
		at += 4 + next
	}
	return archive
}

func TestPhotosOfABundle(t *testing.T) {
	t.Parallel()
	calibration, job := jobAndCalibration(t)
	key := keyOf(t, 5)
	photos := []trail.PhotoFile{{ID: id(9), Sealed: []byte("nine")}, {ID: id(3), Sealed: []byte("three")}}
	pack := func(photos ...trail.PhotoFile) []byte {
		var buf bytes.Buffer
		require.NoError(t, trail.WriteBundle(&buf, calibration, job, photos, &key, signerFrom(t, "shop.example", make([]byte, 32))))
		return buf.Bytes()
	}
	packed := pack(photos...)
	require.Equal(t, packed, pack(photos[1], photos[0]), "in the order of their names, whatever order they came in")
	b, err := trail.ReadBundle(packed)
	require.NoError(t, err)
	_, changed := b.Changed()
	require.False(t, changed)
	require.Equal(t, map[stream.ID][]byte{id(9): []byte("nine"), id(3): []byte("three")}, b.Photos())
	r, err := zip.NewReader(bytes.NewReader(packed), int64(len(packed)))
	require.NoError(t, err)
	require.Equal(t, []string{ofPhoto(3), ofPhoto(9)}, []string{r.File[5].Name, r.File[6].Name})
	require.Error(t, trail.WriteBundle(io.Discard, calibration, job, []trail.PhotoFile{{ID: id(1), Sealed: make([]byte, trail.MaxBundle)}}, nil,
		signerFrom(t, "shop.example", make([]byte, 32))), "too large to be read again")
}

// TestABundleIsWrittenFromItsPhotos: what is written is not put together in memory before. No other test runs beside this one.
func TestABundleIsWrittenFromItsPhotos(t *testing.T) {
	calibration, job := jobAndCalibration(t)
	photos := []trail.PhotoFile{{ID: id(3), Sealed: make([]byte, 16<<20)}, {ID: id(9), Sealed: make([]byte, 16<<20)}}
	by := signerFrom(t, "shop.example", make([]byte, 32))
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	require.NoError(t, trail.WriteBundle(io.Discard, calibration, job, photos, nil, by))
	runtime.ReadMemStats(&after)
	require.Less(t, after.TotalAlloc-before.TotalAlloc, uint64(4<<20), "bytes allocated beside 32 MiB of photos")
}

func FuzzReadBundle(f *testing.F) {
	calibration, job := jobAndCalibration(f)
	key := keyOf(f, 5)
	var buf bytes.Buffer
	require.NoError(f, trail.WriteBundle(&buf, calibration, job, nil, &key, signerFrom(f, "shop.example", make([]byte, 32))))
	f.Add(buf.Bytes())
	f.Fuzz(func(t *testing.T, data []byte) {
		b, err := trail.ReadBundle(data)
		if err != nil {
			require.NotEqual(t, fault.InternalFault, fault.Of(err).Slug)
			return
		}
		for range b.Records(trail.JobFile, stream.Ref{}) {
		}
		_, _, _ = b.JobKey()
		signed, _ := b.File(trail.HeadsFile)
		if h, err := trail.ReadHeads(signed); err == nil {
			if v, err := note.NewVerifier(h.Signer); err == nil {
				trail.SignedBy(signed, v)
			}
		}
	})
}
