package proof

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"slices"

	"readback/internal/photo"
	"readback/internal/stream"
	"readback/internal/trail"
)

// Photo is a photo as it was found.
type Photo struct {
	Sealed []byte     // nil if it is not there
	Key    *trail.Key // what seals it; nil if it is destroyed or not at hand
	Must   bool       // be there: not once its key was destroyed, which takes the photo with it
}

// photo checks the photo that the entry attaches, if it attaches one. The sum is of the sealed bytes and needs no key;
// where the key is at hand, the bytes must open in their place too.
func (w *walk) photo(e stream.Entry) {
	if w.fold == nil {
		return
	}
	rules, ok := w.fold.Rules.(interface {
		PhotoOf(stream.Command) (photo.Named, bool)
	})
	if !ok {
		return
	}
	named, ok := rules.PhotoOf(e.Command)
	if !ok {
		return
	}
	w.photos = append(w.photos, named.ID)
	var found Photo
	if w.v.o.Photo != nil {
		found = w.v.o.Photo(w.keyOf, w.ref, named.ID)
	}
	wrong := func(reason Reason, why string) {
		w.v.report.Findings = append(w.v.report.Findings, Finding{Stream: w.ref, Seq: e.Seq, Reason: reason, Why: fmt.Sprintf(why, named.ID)})
	}
	switch {
	case found.Sealed == nil && found.Must:
		wrong(PhotoMissing, "The photo %s that it names is missing.")
	case found.Sealed == nil:
		w.v.report.Photos.Absent++
	case sha256.Sum256(found.Sealed) != named.SHA256:
		wrong(PhotoChanged, "The photo %s is not the one that it names: it was changed.")
	case found.Key != nil && !opensThere(*found.Key, w.ref.ID, named.ID, found.Sealed):
		wrong(PhotoChanged, "The photo %s that it names does not open with the key of this stream in that place.")
	default:
		w.v.report.Photos.Checked++
	}
}

func opensThere(key trail.Key, of, id stream.ID, sealed []byte) bool {
	_, err := key.OpenPhoto(of, id, sealed)
	return err == nil
}

// strange lists the photos of a bundle that none of the entries names.
func strange(photos map[stream.ID][]byte, named []stream.ID) []stream.ID {
	var out []stream.ID
	for id := range photos {
		if !slices.Contains(named, id) {
			out = append(out, id)
		}
	}
	slices.SortFunc(out, func(a, b stream.ID) int { return bytes.Compare(a[:], b[:]) })
	return out
}
