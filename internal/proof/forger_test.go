package proof_test

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"fmt"
	"maps"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/mod/sumdb/note"

	"readback/internal/app"
	"readback/internal/proof"
	"readback/internal/stream"
	"readback/internal/trail"
)

// forger holds the trails of one calibration and does with them what a dishonest keeper could: one who knows the rules
// and has the job's key, and who signs with the server's key or with another.
type forger struct {
	t       testing.TB
	records map[stream.Kind][]trail.Record // the calibration, its job, the shop's register
	jobKey  trail.Key
	signer  trail.Signer

	desk   []trail.Record       // the desk's register
	radar  []trail.Record       // another calibration of the same job
	photos map[stream.ID][]byte // of that one, sealed
}

// clone is a forger whose changes the first one does not see.
func (f *forger) clone(t testing.TB) *forger {
	next := *f
	next.t, next.records, next.photos = t, maps.Clone(f.records), maps.Clone(f.photos)
	for kind, records := range next.records {
		next.records[kind] = slices.Clone(records)
	}
	return &next
}

// bundle packs the trails as they stand.
func (f *forger) bundle() []byte { return f.bundleUnder(&f.jobKey) }

// bundleUnder packs them with another key, or with none.
func (f *forger) bundleUnder(key *trail.Key) []byte {
	var b bytes.Buffer
	require.NoError(f.t, trail.WriteBundle(&b, f.records[stream.Calibration], f.records[stream.Job], nil, key, f.signer))
	return b.Bytes()
}

// radarBundle packs the other calibration, which has photos, with a key or none.
func (f *forger) radarBundle(key *trail.Key) []byte {
	var b bytes.Buffer
	require.NoError(f.t, trail.WriteBundle(&b, f.radar, f.records[stream.Job], f.photoFiles(), key, f.signer))
	return b.Bytes()
}

func (f *forger) photoFiles() (files []trail.PhotoFile) {
	for id, sealed := range f.photos {
		files = append(files, trail.PhotoFile{ID: id, Sealed: sealed})
	}
	return files
}

// entry is one entry as it stands.
func (f *forger) entry(kind stream.Kind, seq int) stream.Entry {
	e, err := trail.DecodeBody(f.records[kind][seq-1].Body)
	require.NoError(f.t, err)
	return e
}

// change decodes entry seq of a stream, lets edit change it and encodes it again, without mending the chain.
func (f *forger) change(kind stream.Kind, seq int, edit func(e *stream.Entry)) {
	r := &f.records[kind][seq-1]
	e, err := trail.Decode(*r)
	require.NoError(f.t, err)
	edit(&e)
	changed, err := trail.Encode(e)
	require.NoError(f.t, err)
	changed.Hash = r.Hash
	*r = changed
}

// rehash mends the chain of a stream from its first entry on.
func (f *forger) rehash(kind stream.Kind) {
	var head stream.Hash
	for i := range f.records[kind] {
		r := &f.records[kind][i]
		r.Prev, r.Hash = head, trail.Sum(head, r.Body)
		head = r.Hash
	}
}

// remove takes an entry out, moves the later ones down by one and mends the chain.
func (f *forger) remove(kind stream.Kind, seq int) {
	f.records[kind] = slices.Delete(f.records[kind], seq-1, seq)
	for i := seq - 1; i < len(f.records[kind]); i++ {
		e, err := trail.DecodeBody(f.records[kind][i].Body)
		require.NoError(f.t, err)
		e.Seq, e.Prev = uint64(i+1), stream.Hash{1}
		if e.Command.Base >= uint64(seq) {
			e.Command.Base--
		}
		f.records[kind][i], err = trail.Encode(e)
		require.NoError(f.t, err)
	}
	f.rehash(kind)
}

// redecide goes through a stream as an honest hub would have that was given the same commands and the facts that stand
// in the entries now: everything that follows from them is decided anew, and the chain mended. What the rules refuse
// stays as it is, and what comes after it too.
func (f *forger) redecide(rules stream.Rules, kind stream.Kind) {
	fold := stream.NewFold(rules, f.records[kind][0].Stream)
	for i := range f.records[kind] {
		e := f.entry(kind, i+1)
		e.Prev = fold.Head
		keys, err := rules.Needs(fold.State, e.By.Actor(), e.Command)
		if err != nil {
			break
		}
		facts := stream.Facts{}
		for _, k := range keys {
			if held, ok := fold.Held[k]; ok {
				facts[k] = held
			}
		}
		for _, fact := range e.Facts {
			facts[fact.Key] = fact
		}
		again, _, err := fold.Draft(e.By.Actor(), e.Command, e.MAC, keys, facts, e.At)
		if err != nil {
			break
		}
		again.Opens = e.Opens
		r, err := trail.Encode(again)
		require.NoError(f.t, err)
		again, err = trail.Decode(r)
		require.NoError(f.t, err)
		require.NoError(f.t, fold.Apply(again))
		f.records[kind][i] = r
	}
	f.rehash(kind)
}

// repoint gives the facts that a stream took from another one the hashes that the other has now.
func (f *forger) repoint(kind, other stream.Kind) {
	from := f.records[other]
	for i := range f.records[kind] {
		f.change(kind, i+1, func(e *stream.Entry) {
			e.Facts = slices.Clone(e.Facts)
			for j := range e.Facts {
				if fact := &e.Facts[j]; fact.Key.Stream == from[0].Ref() {
					fact.Hash = from[fact.Seq-1].Hash
				}
			}
		})
	}
	f.rehash(kind)
}

// storySeed makes the key that the golden trails are signed with. It is public and signs nothing else.
var storySeed = bytes.Repeat([]byte{0x5e}, ed25519.SeedSize)

// signerFrom makes note keys of an Ed25519 seed, as the package note spells them.
func signerFrom(t testing.TB, name string, seed []byte) trail.Signer {
	public := ed25519.NewKeyFromSeed(seed).Public().(ed25519.PublicKey)
	vkey, err := note.NewEd25519VerifierKey(name, public)
	require.NoError(t, err)
	sum := sha256.Sum256(append([]byte(name+"\n\x01"), public...))
	skey := fmt.Sprintf("PRIVATE+KEY+%s+%08x+%s", name, binary.BigEndian.Uint32(sum[:]), base64.StdEncoding.EncodeToString(append([]byte{1}, seed...)))
	s, err := note.NewSigner(skey)
	require.NoError(t, err)
	return trail.Signer{Signer: s, Key: vkey}
}

// options are those of the program, and trust the story's key.
func (f *forger) options() proof.Options {
	return app.ProofOptions([]note.Verifier{verifierOf(f.t, signerFrom(f.t, "north.example", storySeed))})
}

// database verifies all five streams as a database holds them, calibrations first, each against the head that the
// database has of it. heads gives those that are not of the entry that is the last now; nil: all are.
func (f *forger) database(heads map[stream.Ref]trail.Head) proof.Report {
	o := app.ProofOptions(nil)
	o.Key = func(id stream.ID) (trail.Key, bool) { return f.jobKey, id == f.jobKey.ID() }
	o.Photo = func(_, _ stream.Ref, id stream.ID) proof.Photo {
		return proof.Photo{Sealed: f.photos[id], Key: &f.jobKey, Must: true}
	}
	v := proof.New(o)
	for _, records := range [][]trail.Record{
		f.records[stream.Calibration], f.radar, f.records[stream.Job], f.records[stream.Register], f.desk,
	} {
		last := records[len(records)-1]
		head, ok := heads[last.Ref()]
		if !ok {
			head = trail.Head{Ref: last.Ref(), Seq: last.Seq, Hash: last.Hash}
		}
		require.NoError(f.t, v.Stream(f.t.Context(), last.Ref(), rows(records), &head))
	}
	return v.Report()
}
