package trail

import (
	"bytes"
	"crypto/sha256"
	_ "embed"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"iter"
	"slices"
	"strings"

	"golang.org/x/mod/sumdb/note"

	"readback/internal/fault"
	"readback/internal/stream"
)

// MaxBundle is the size a bundle may have, in bytes.
const MaxBundle = 64 << 20

// The files of a bundle, in their order. JobKeyFile is missing once the job's key was destroyed, and
// for recipients who are not given it.
const (
	ReadmeFile      = "README.txt"
	CalibrationFile = "calibration.trail"
	JobFile         = "job.trail"
	JobKeyFile      = "job.key"
	HeadsFile       = "heads.note"
)

var bundleFiles = []string{ReadmeFile, CalibrationFile, JobFile, JobKeyFile, HeadsFile}

const originKey = "readback job key 1\n"

//go:embed bundle.txt
var readme string

// Signer signs the heads of bundles. Key is the verifier key that belongs to it.
type Signer struct {
	note.Signer
	Key string
}

// PhotoFile is a photo in a bundle: sealed, as every personal value is.
type PhotoFile struct {
	ID     stream.ID
	Sealed []byte
}

// The files of photos stand behind all others, in the order of their names. The signed heads do not list them: the
// calibration's entries have their sums.
const (
	photoPrefix = "photos/"
	photoSuffix = ".sealed"
)

// PhotoFileName is the name of a photo's file.
func PhotoFileName(id stream.ID) string { return photoPrefix + id.String() + photoSuffix }

// photoOfName is the photo whose file has that name; false for another file.
func photoOfName(name string) (stream.ID, bool) {
	middle, ok := strings.CutPrefix(name, photoPrefix)
	middle, ok2 := strings.CutSuffix(middle, photoSuffix)
	id, err := stream.ParseID("", middle)
	return id, ok && ok2 && err == nil && PhotoFileName(id) == name
}

// WriteBundle writes a calibration's trail and its job's, whole and in order, with a signed head for both, and the
// calibration's photos. key is nil once the job's key was destroyed. The same trails, photos, key and signer give the same
// bytes. Whatever may be wrong with them is found before the first byte is written.
func WriteBundle(w io.Writer, calibration, job []Record, photos []PhotoFile, key *Key, by Signer) error {
	secret := "The job's key has been destroyed: personal values are erased for good.\n" +
		"Everything else verifies as before."
	if key != nil {
		secret = "The file job.key opens the sealed personal values. Whoever holds this bundle\n" +
			"can read them, also after the key was destroyed where it was kept. Hand the\n" +
			"bundle on with that in mind."
	}
	return writeBundle(w, calibration, job, photos, key, by, "the job's key, unless it was destroyed", secret)
}

// WriteClosedBundle is WriteBundle for a recipient who is not given the job's key and may not have seen the trails to
// their end: they end with the last entry given.
func WriteClosedBundle(w io.Writer, calibration, job []Record, photos []PhotoFile, by Signer) error {
	return writeBundle(w, calibration, job, photos, nil, by, "not in this copy, see PERSONAL VALUES",
		"The job's key was not handed out to this recipient: the sealed personal values\n"+
			"stay closed in this copy, and both trails go as far as the recipient may see\n"+
			"them. What is here verifies as with the key.")
}

func writeBundle(w io.Writer, calibration, job []Record, photos []PhotoFile, key *Key, by Signer, keyLine, secret string) error {
	if len(calibration) == 0 || len(job) == 0 {
		return errors.New("write bundle: a trail without entries")
	}
	about := strings.NewReplacer("{calibration}", calibration[0].Stream.String(), "{job}", job[0].Stream.String(),
		"{signer}", by.Key, "{key}", keyLine, "{secret}", secret).Replace(readme)

	parts := []part{{ReadmeFile, []byte(about)}, {CalibrationFile, lines(calibration)}, {JobFile, lines(job)}}
	heads := Heads{
		Signer: by.Key, Heads: []Head{headOf(calibration), headOf(job)},
		Sums: []FileSum{{ReadmeFile, sha256.Sum256([]byte(about))}},
	}
	if key != nil {
		text := []byte(originKey + key.id.String() + " " + hex.EncodeToString(key.Bytes()) + "\n")
		parts = append(parts, part{JobKeyFile, text})
		heads.Sums = append(heads.Sums, FileSum{JobKeyFile, sha256.Sum256(text)})
	}
	signed, err := SignHeads(heads, by)
	if err != nil {
		return fmt.Errorf("write bundle: %w", err)
	}
	parts = append(parts, part{HeadsFile, signed})
	for _, p := range slices.SortedFunc(slices.Values(photos), func(a, b PhotoFile) int { return bytes.Compare(a.ID[:], b.ID[:]) }) {
		parts = append(parts, part{PhotoFileName(p.ID), p.Sealed})
	}
	all := pack(parts)
	if all.size > MaxBundle {
		return fault.New(fault.TooLarge, fmt.Sprintf("The bundle would have %d bytes; at most %d are written.", all.size, MaxBundle))
	}
	for _, piece := range all.pieces {
		if _, err := w.Write(piece); err != nil {
			return fmt.Errorf("write bundle: %w", err)
		}
	}
	return nil
}

func headOf(records []Record) Head {
	last := records[len(records)-1]
	return Head{last.Ref(), last.Seq, last.Hash}
}

// lines writes a trail as text: a line for each entry with its hash and its body.
func lines(records []Record) []byte {
	var b []byte
	for _, r := range records {
		b = appendHash(b, r.Hash)
		b = append(b, ' ')
		b = append(b, r.Body...)
		b = append(b, '\n')
	}
	return b
}

// Bundle is a bundle as read. Nothing in it is believed yet: package proof judges it.
type Bundle struct {
	parts   []part
	changed int // offset of the first byte that is not as WriteBundle writes it, -1 if none
}

// ReadBundle takes a bundle apart. It refuses what is not a bundle at all; a bundle that was changed is read as far as
// its parts can be found, so that the change can be named.
func ReadBundle(data []byte) (*Bundle, error) {
	if len(data) > MaxBundle {
		return nil, fault.New(fault.TooLarge, fmt.Sprintf("The bundle has %d bytes; at most %d are read.", len(data), MaxBundle))
	}
	parts, err := unpack(data, bundleFiles)
	if err != nil {
		return nil, err
	}
	b := &Bundle{parts: parts}
	for _, name := range bundleFiles {
		if _, ok := b.File(name); !ok && name != JobKeyFile {
			return nil, fault.New(fault.Malformed, "This is not a bundle: the file "+name+" is missing.")
		}
	}
	b.changed = pack(parts).differs(data)
	return b, nil
}

// File gives one file of the bundle as it stands.
func (b *Bundle) File(name string) ([]byte, bool) {
	for _, p := range b.parts {
		if p.name == name {
			return p.data, true
		}
	}
	return nil, false
}

// Photos gives the photos of the bundle, sealed, by their ids.
func (b *Bundle) Photos() map[stream.ID][]byte {
	all := map[stream.ID][]byte{}
	for _, p := range b.parts {
		if id, ok := photoOfName(p.name); ok {
			all[id] = p.data
		}
	}
	return all
}

// Changed reports whether the archive around the files (headers, check sums, directory) is not as WriteBundle writes
// it for these files, and the offset of the first such byte.
func (b *Bundle) Changed() (offset int, ok bool) { return b.changed, b.changed >= 0 }

// Records gives the entries of one trail file in order. Only Body and Hash are what the file says; Seq counts lines and
// Prev is the hash of the line before. A line that is not one ends the walk with an error; the record that comes with
// it has the number it would have had.
func (b *Bundle) Records(file string, ref stream.Ref) iter.Seq2[Record, error] {
	return func(yield func(Record, error) bool) {
		rest, _ := b.File(file)
		r := Record{Stream: ref.ID, Kind: ref.Kind}
		for len(rest) > 0 {
			line, after, whole := bytes.Cut(rest, []byte("\n"))
			r.Seq, r.Prev = r.Seq+1, r.Hash
			if len(line) < 65 || line[64] != ' ' || !whole || r.Hash.UnmarshalText(line[:64]) != nil {
				yield(r, errors.New("the line is not a hash, a space and a body"))
				return
			}
			r.Body = line[65:]
			if !yield(r, nil) {
				return
			}
			rest = after
		}
	}
}

// ErrJobKey is what reading the key says when the file is not as it was written.
var ErrJobKey = errors.New("job.key is not as it was written")

// JobKey reads the key of the job, or gives false if the bundle has none.
func (b *Bundle) JobKey() (Key, bool, error) {
	data, ok := b.File(JobKeyFile)
	if !ok {
		return Key{}, false, nil
	}
	text, isKey := strings.CutPrefix(string(data), originKey)
	name, digits, _ := strings.Cut(text, " ")
	id, err := stream.ParseID("", name)
	secret, errHex := hex.DecodeString(strings.TrimSuffix(digits, "\n"))
	if !isKey || err != nil || errHex != nil || originKey+id.String()+" "+hex.EncodeToString(secret)+"\n" != string(data) {
		return Key{}, true, ErrJobKey
	}
	key, err := KeyFrom(id, secret)
	if err != nil {
		return Key{}, true, ErrJobKey
	}
	return key, true, nil
}
