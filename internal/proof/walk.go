package proof

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"

	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/trail"
)

// walk follows one stream.
type walk struct {
	v       *Verifier
	ref     stream.Ref
	at      int  // in the report's streams
	columns bool // records have their columns filled and Prev as stored

	seq   uint64
	head  stream.Hash
	fold  *stream.Fold // nil while the rules are not known
	opens stream.Opens
	keyOf stream.Ref // whose key seals this stream; zero if the rules are not known
	bad   bool

	photos []stream.ID // that its entries name
}

func (v *Verifier) walk(ref stream.Ref) *walk {
	v.report.Streams = append(v.report.Streams, Stream{Ref: ref})
	return &walk{v: v, ref: ref, at: len(v.report.Streams) - 1}
}

// refuse notes the stream's bad entry and ends the walk.
func (w *walk) refuse(seq uint64, reason Reason, why string, args ...any) bool {
	w.bad = true
	w.v.report.Findings = append(w.v.report.Findings, Finding{Stream: w.ref, Seq: seq, Reason: reason, Why: fmt.Sprintf(why, args...)})
	return false
}

// step takes the next record and reports whether the walk goes on.
func (w *walk) step(r trail.Record) bool {
	n := w.seq + 1
	e, err := trail.DecodeBody(r.Body)
	hashed := trail.Sum(w.head, r.Body) == r.Hash

	// Where a body came from says more than that its hash is wrong, and holds whatever the hash is.
	switch {
	case err == nil && e.Stream != w.ref:
		return w.refuse(n, OtherStream, "It is an entry of %s.", e.Stream)
	case err == nil && e.Seq != n:
		return w.refuse(n, BadOrder, "It calls itself entry %d; entry %d belongs here.", e.Seq, n)
	case w.columns && r.Prev != w.head:
		return w.refuse(n, BadHash, "The hash it names as the one before it is not that of the entry before it.")
	case !hashed:
		return w.refuse(n, BadHash, "Its bytes, after the entry before it, do not give the hash recorded for it: it was changed.")
	case err != nil:
		return w.refuse(n, BadForm, "It is not in the form of an entry: %v.", err)
	}
	if w.columns {
		if err := trail.Agree(r, e); err != nil {
			return w.refuse(n, BadColumn, "%s.", sentence(err))
		}
	}
	e.Prev, e.Hash = w.head, r.Hash
	report := &w.v.report.Streams[w.at]
	if n == 1 {
		w.opens = *e.Opens
		report.Rules = e.Opens.Rules
		if rules := w.v.o.Rules[e.Opens.Rules][w.ref.Kind]; rules != nil {
			w.fold = stream.NewFold(rules, w.ref.ID)
		}
	}
	if w.fold != nil {
		if f := w.decide(e); f != nil {
			return w.refuse(n, f.Reason, "%s", f.Why)
		}
	}
	if path, err := w.openSealed(e); errors.Is(err, errMark) {
		return w.refuse(n, BadSeal, "The mark beside the sealed value at %s is not of that value: what was compared by it was not this.", path)
	} else if err != nil {
		return w.refuse(n, BadSeal, "The sealed value at %s does not open with the key of this stream in that place.", path)
	}
	w.photo(e)
	w.v.claim(w.ref, e)
	w.seq, w.head = n, r.Hash
	report.Entries, report.Head = n, r.Hash
	if w.fold != nil {
		report.Decided = n
	}
	w.v.settle(w.ref, e, w.fold)
	return true
}

// end compares with what is recorded elsewhere as the last entry, and settles what others say of entries that are not
// there.
func (w *walk) end(head *trail.Head) {
	if !w.bad {
		w.v.settleRest(w.ref, w.seq)
		switch {
		case head != nil && head.Seq > w.seq:
			w.refuse(w.seq+1, MissingTail, "It is missing: the trail ends with entry %d, and entry %d was the last one.", w.seq, head.Seq)
		case head != nil && head.Seq < w.seq:
			w.refuse(head.Seq+1, BadHead, "It was put in behind the last entry: that is entry %d by the head.", head.Seq)
		case head != nil && head.Hash != w.head:
			w.refuse(0, BadHead, "The head records another hash for entry %d: an entry was changed and the chain hashed again.", w.seq)
		case head == nil && w.seq == 0:
			w.refuse(0, MissingTail, "There are no entries.")
		}
	}
	if w.seq > 0 && w.fold == nil {
		w.v.report.Findings = append(w.v.report.Findings, Finding{Stream: w.ref, Reason: UnknownRules, Why: fmt.Sprintf(
			"Its first entry names rules %d, which are not known here, so only hashes were checked. Verify it with a newer release.", w.opens.Rules)})
	}
	w.v.drop(w.ref)
}

// decide makes the entry again from the state before it and folds it.
func (w *walk) decide(e stream.Entry) (found *Finding) {
	fold := w.fold
	finding := func(reason Reason, why string, args ...any) *Finding {
		return &Finding{Reason: reason, Why: fmt.Sprintf(why, args...)}
	}
	// Rules may rely on Admit having checked a command's data. Forged data was never admitted.
	defer func() {
		if r := recover(); r != nil {
			found = finding(NotDecided, "The rules cannot make sense of it: %v.", r)
		}
	}()
	if seen, ok := fold.Seen[e.Command.ID]; ok {
		return finding(Repeated, "Its command was answered by entry %d already.", seen.Seq)
	}
	if e.At.Before(fold.At) {
		return finding(BadTime, "It is earlier than the entry before it.")
	}
	if err := fold.CheckBase(e.Command); err != nil {
		return finding(NotDecided, "The rules refuse its command: %s", sentence(err))
	}
	if e.Seq == 1 {
		owner, err := fold.Rules.Key(fold.State, e.Command)
		if err != nil {
			return finding(NotDecided, "The rules cannot tell whose key it is under: %s", sentence(err))
		}
		if own := owner == w.ref; own != (e.Opens.Key != nil) {
			return finding(BadKey, "The key it opens with is not the one the rules give it.")
		}
		w.keyOf = owner
	}
	actor := e.By.Actor()
	keys, err := fold.Rules.Needs(fold.State, actor, e.Command)
	if err != nil {
		return finding(NotDecided, "The rules refuse its command: %s", sentence(err))
	}
	facts := known(fold, e, keys)
	again, _, err := fold.Draft(actor, e.Command, e.MAC, keys, facts, e.At)
	if err != nil {
		return finding(NotDecided, "The rules refuse its command in that state: %s", sentence(err))
	}
	if why := differentFacts(e.Facts, again.Facts); why != "" {
		return finding(BadFacts, "%s", why)
	}
	if name := notOwn(fold, e.Facts); name != "" {
		return finding(NotGiven, "It relies on a value that this stream itself did not give by then: %s.", name)
	}
	if again.Type != e.Type || again.V != e.V {
		return finding(Otherwise, "It says %s (version %d); by the rules it would be %s (version %d).", e.Type, e.V, again.Type, again.V)
	}
	if again.By.Role != e.By.Role {
		return finding(Otherwise, "It says %s; by the rules it is done as %s.", e.By.Role, again.By.Role)
	}
	canonical, err := trail.Canonical(again.Decided)
	if err != nil {
		return finding(NotDecided, "What the rules decide cannot be kept: %s", sentence(err))
	}
	if why := different(e.Decided, canonical, w.v.computed); why != "" {
		return finding(Otherwise, "By the rules something else is decided: %s.", why)
	}
	if err := fold.Apply(e); err != nil {
		return finding(NotDecided, "The rules cannot go on from it: %s.", sentence(err))
	}
	w.v.rely(w.ref, e, keys, facts)
	return nil
}

// sentence is an error's text for a finding; a fault's fields are kept.
func sentence(err error) string {
	if f := fault.Of(err); f.Slug != fault.InternalFault {
		return f.Error()
	}
	return err.Error()
}

// errMark says that a mark is not that of the value it stands beside.
var errMark = errors.New("another value's mark")

// openSealed tries every sealed value of the entry and gives the path of the first that does not open, or whose mark is not
// its own: the rules compare marks and cannot see that.
func (w *walk) openSealed(e stream.Entry) (string, error) {
	var beside map[string]json.RawMessage
	if bytes.Contains(e.Command.Data, []byte(trail.MarkSuffix+`":`)) {
		if err := json.Unmarshal(e.Command.Data, &beside); err != nil {
			return "", err
		}
	}
	try := func(raw []byte, at func(string) string) (where string, err error) {
		if !bytes.Contains(raw, []byte(`"sealed"`)) {
			return "", nil
		}
		_, err = trail.EachSealed(raw, func(path string, s stream.Sealed) (any, error) {
			where = at(path)
			key, ok := trail.Key{}, false
			if w.v.o.Key != nil {
				key, ok = w.v.o.Key(s.Sealed.K)
			}
			if !ok {
				w.v.report.Sealed.Closed++
				return s, nil
			}
			w.v.report.Sealed.Opened++
			plain, err := key.Open(w.ref.ID, where, s)
			if mark, there := beside[where+trail.MarkSuffix]; err == nil && there {
				err = marks(key, where, plain, mark)
			}
			return s, err
		})
		return where, err
	}
	if path, err := try(e.Command.Data, func(path string) string { return path }); err != nil {
		return path, err
	}
	for _, f := range e.Facts {
		if path, err := try(f.Value, func(path string) string { return trail.FactPath(f.Key.Name, path) }); err != nil {
			return path, err
		}
	}
	return "", nil
}

// marks computes the mark of an opened value anew.
func marks(key trail.Key, name, plain string, mark json.RawMessage) error {
	want, err := key.Same(name, plain)
	if err != nil {
		return err
	}
	var is string
	if json.Unmarshal(mark, &is) != nil || is != want {
		return errMark
	}
	return nil
}
