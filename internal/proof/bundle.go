package proof

import (
	"crypto/sha256"
	"fmt"
	"slices"
	"strings"

	"golang.org/x/mod/sumdb/note"

	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/trail"
)

// Bundle verifies a bundle. An error means that it could not be read as one at all; what is wrong with one that could
// is in the Report.
func Bundle(data []byte, o Options) (Report, error) {
	b, err := trail.ReadBundle(data)
	if err != nil {
		return Report{}, err
	}
	key, hasKey, errKey := b.JobKey()
	o.Key = func(id stream.ID) (trail.Key, bool) { return key, hasKey && errKey == nil && id == key.ID() }
	photos := b.Photos()
	o.Photo = func(_, _ stream.Ref, id stream.ID) Photo {
		p := Photo{Sealed: photos[id], Must: hasKey || len(photos) > 0} // a key taken out is missed by the signed heads
		if hasKey && errKey == nil {
			p.Key = &key
		}
		return p
	}
	v := New(o)
	var rest []Finding // listed after the bad entries
	file := func(name string, reason Reason, why string, args ...any) {
		rest = append(rest, Finding{File: name, Reason: reason, Why: fmt.Sprintf(why, args...)})
	}

	signed, _ := b.File(trail.HeadsFile)
	heads, errHeads := trail.ReadHeads(signed)
	if errHeads == nil && !ours(heads) {
		errHeads = trail.ErrHeads
	}
	var calibrationHead, jobHead *trail.Head
	if errHeads != nil {
		file(trail.HeadsFile, BadSignature, "The signed heads are not in the form they are written in: they were changed.")
	} else {
		calibrationHead, jobHead = &heads.Heads[0], &heads.Heads[1]
		v.signature(signed, heads, file)
		sums(b, heads, file)
	}

	calibration := v.file(b, trail.CalibrationFile, stream.Calibration, calibrationHead)
	job := v.file(b, trail.JobFile, stream.Job, jobHead)
	if calibration.keyOf != (stream.Ref{}) && calibration.keyOf != job.ref {
		calibration.refuse(1, OtherStream, "It belongs to %s, whose trail is not in this bundle.", calibration.keyOf)
	}
	if !calibration.bad {
		for _, id := range strange(photos, calibration.photos) {
			file(trail.PhotoFileName(id), BadFile, "It was put in: no entry of the calibration names it.")
		}
	}
	switch {
	case errKey != nil:
		file(trail.JobKeyFile, BadKey, "It is not in the form it is written in: it was changed.")
	case hasKey && job.opens.Rules > 0 && (job.opens.Key == nil || *job.opens.Key != key.ID() || *job.opens.Commitment != key.Commitment()):
		file(trail.JobKeyFile, BadKey, "It is not the key that the job's first entry commits to.")
	}
	if at, changed := b.Changed(); changed {
		file("", BadFile, "The archive itself was changed, first at byte %d.", at)
	}
	r := v.Report()
	r.Findings = append(r.Findings, rest...)
	return r, nil
}

// ours reports whether heads are of the streams a bundle has.
func ours(h trail.Heads) bool {
	return len(h.Heads) == 2 && h.Heads[0].Ref.Kind == stream.Calibration && h.Heads[1].Ref.Kind == stream.Job
}

// signature checks who signed.
func (v *Verifier) signature(signed []byte, heads trail.Heads, file func(string, Reason, string, ...any)) {
	own, err := note.NewVerifier(heads.Signer)
	if err != nil || !trail.SignedBy(signed, own) {
		file(trail.HeadsFile, BadSignature, "The signature does not fit the signed heads: they were changed.")
		return
	}
	v.report.Signer = &Signer{Name: own.Name(), Key: heads.Signer}
	if len(v.o.Trusted) == 0 {
		return
	}
	v.report.Signer.Trusted = slices.ContainsFunc(v.o.Trusted, func(t note.Verifier) bool { return trail.SignedBy(signed, t) })
	if !v.report.Signer.Trusted {
		file(trail.HeadsFile, OtherSigner, "It is signed with the key %s, which is not one of those you trust.", heads.Signer)
	}
}

// sums checks the files that are neither trail nor heads.
func sums(b *trail.Bundle, heads trail.Heads, file func(string, Reason, string, ...any)) {
	for _, name := range []string{trail.ReadmeFile, trail.JobKeyFile} {
		data, have := b.File(name)
		at := slices.IndexFunc(heads.Sums, func(s trail.FileSum) bool { return s.Name == name })
		switch {
		case have && at < 0:
			file(name, BadFile, "It was put in: the signed heads do not list it.")
		case !have && at >= 0:
			file(name, BadFile, "It is missing: the signed heads list it.")
		case have && heads.Sums[at].Sum != sha256.Sum256(data):
			file(name, BadFile, "It was changed: the signed heads list another check sum.")
		}
	}
	for _, s := range heads.Sums {
		if s.Name != trail.ReadmeFile && s.Name != trail.JobKeyFile {
			file(s.Name, BadFile, "The signed heads list it, and no bundle has such a file.")
		}
	}
}

// file walks one trail of the bundle.
func (v *Verifier) file(b *trail.Bundle, name string, kind stream.Kind, head *trail.Head) *walk {
	ref := stream.Ref{Kind: kind}
	if head != nil {
		ref = head.Ref
	} else { // no head to name the stream: the first entry must
		for r := range b.Records(name, ref) {
			if e, err := trail.DecodeBody(r.Body); err == nil && e.Stream.Kind == kind {
				ref = e.Stream
			}
			break
		}
	}
	w := v.walk(ref)
	for r, err := range b.Records(name, ref) {
		if err != nil {
			w.refuse(r.Seq, BadForm, "Its line in %s is not a hash, a space and a body.", name)
			break
		}
		if !w.step(r) {
			break
		}
	}
	w.end(head)
	return w
}

// ParseKeys reads a file of verifier keys: one a line, empty lines and lines that begin with # left out.
func ParseKeys(text []byte) ([]note.Verifier, error) {
	var keys []note.Verifier
	for i, line := range strings.Split(string(text), "\n") {
		if line = strings.TrimSpace(line); line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		if strings.HasPrefix(line, "PRIVATE+KEY+") {
			return nil, fault.Badly(fmt.Sprintf("line %d", i+1), "a verifier key; this is a secret signing key: do not hand it out")
		}
		v, err := note.NewVerifier(line)
		if err != nil {
			return nil, fault.Badly(fmt.Sprintf("line %d", i+1), "a verifier key such as name+1a2b3c4d+base64")
		}
		keys = append(keys, v)
	}
	if len(keys) == 0 {
		return nil, fault.Badly("the key file", "a verifier key such as name+1a2b3c4d+base64, on a line of its own")
	}
	return keys, nil
}
