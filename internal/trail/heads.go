package trail

import (
	"bytes"
	"encoding/base64"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"golang.org/x/mod/sumdb/note"

	"readback/internal/stream"
)

// originBundle is the first line of a bundle's heads.
const originBundle = "readback bundle 1"

// Head is how far a stream has come: the number and hash of its last entry.
type Head struct {
	Ref  stream.Ref
	Seq  uint64
	Hash stream.Hash
}

// Heads is what the signed note of a bundle says. Signer is the verifier key of whoever signed, so that a change shows
// even to someone who does not know the signer; whether the signer is the right one only a key from elsewhere tells.
type Heads struct {
	Signer string // as golang.org/x/mod/sumdb/note spells verifier keys
	Heads  []Head
	Sums   []FileSum // of the other files
}

// FileSum is the SHA-256 of a file of the bundle.
type FileSum struct {
	Name string
	Sum  stream.Hash
}

// text is the signed text.
func (h Heads) text() string {
	var b strings.Builder
	b.WriteString(originBundle + "\nsigner " + h.Signer + "\n")
	for _, head := range h.Heads {
		fmt.Fprintf(&b, "%s %s %d %s\n", head.Ref.Kind, head.Ref.ID, head.Seq, head.Hash)
	}
	for _, s := range h.Sums {
		fmt.Fprintf(&b, "%s %s\n", s.Name, s.Sum)
	}
	return b.String()
}

// SignHeads writes the signed note.
func SignHeads(h Heads, by note.Signer) ([]byte, error) {
	msg, err := note.Sign(&note.Note{Text: h.text()}, by)
	if err != nil {
		return nil, fmt.Errorf("sign heads: %w", err)
	}
	return msg, nil
}

// ErrHeads is what reading a signed note says when it is not one that SignHeads wrote.
var ErrHeads = errors.New("the signed heads are not as they were written")

// ReadHeads reads a signed note without believing it: see SignedBy. It accepts exactly what SignHeads writes, one
// signature included.
func ReadHeads(msg []byte) (Heads, error) {
	var unverified *note.UnverifiedNoteError
	if _, err := note.Open(msg, note.VerifierList()); !errors.As(err, &unverified) {
		return Heads{}, ErrHeads
	}
	n := unverified.Note
	if len(n.UnverifiedSigs) != 1 {
		return Heads{}, ErrHeads
	}
	h, err := parseHeads(n.Text)
	if err != nil {
		return Heads{}, err
	}
	// Base64 has loose ends, and a parser may be lenient: what is not spelled as SignHeads spells it was changed.
	sig := n.UnverifiedSigs[0]
	raw, err := base64.StdEncoding.DecodeString(sig.Base64)
	if err != nil {
		return Heads{}, ErrHeads
	}
	again := h.text() + "\n— " + sig.Name + " " + base64.StdEncoding.EncodeToString(raw) + "\n"
	if !bytes.Equal([]byte(again), msg) {
		return Heads{}, ErrHeads
	}
	return h, nil
}

// mostLines is how long heads can be: origin, signer, three streams and the files of a bundle are fewer.
const mostLines = 16

// parseHeads takes the text apart. What it lets pass is still to be spelled again: see ReadHeads.
func parseHeads(text string) (Heads, error) {
	var h Heads
	lines := strings.Split(strings.TrimSuffix(text, "\n"), "\n")
	if len(lines) > mostLines {
		return Heads{}, ErrHeads
	}
	for i, line := range lines[1:] {
		words := strings.Split(line, " ")
		switch {
		case i == 0 && len(words) == 2 && words[0] == "signer":
			h.Signer = words[1]
		case i > 0 && len(words) == 4:
			id, err := stream.ParseID("", words[1])
			seq, errSeq := strconv.ParseUint(words[2], 10, 53)
			head := Head{Ref: stream.Ref{Kind: stream.Kind(words[0]), ID: id}, Seq: seq}
			if err != nil || errSeq != nil || head.Hash.UnmarshalText([]byte(words[3])) != nil {
				return Heads{}, ErrHeads
			}
			h.Heads = append(h.Heads, head)
		case i > 0 && len(words) == 2:
			s := FileSum{Name: words[0]}
			if s.Sum.UnmarshalText([]byte(words[1])) != nil {
				return Heads{}, ErrHeads
			}
			h.Sums = append(h.Sums, s)
		default:
			return Heads{}, ErrHeads
		}
	}
	return h, nil
}

// SignedBy reports whether the verifier vouches for the note. It is the whole key that counts: the short hash by which
// a note names a key can be met by another key.
func SignedBy(msg []byte, who note.Verifier) bool {
	n, err := note.Open(msg, note.VerifierList(who))
	return err == nil && len(n.Sigs) > 0
}
