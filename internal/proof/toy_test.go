package proof_test

import (
	"crypto/rand"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/mod/sumdb/note"

	"readback/internal/fault"
	"readback/internal/proof"
	"readback/internal/stream"
	"readback/internal/trail"
)

// The toy rules are small streams with everything that proof has to look at: sealed values, facts from a register and
// from a job, a computed verdict, refusals, and a start that needs the words of two people.

type toyState struct {
	level, levelSeq uint64 // job
	sum             int64  // calibration
	job             stream.ID
	said            map[stream.Role]bool
	open            bool
}

type toy struct{ kind stream.Kind }

type toyData struct {
	Job   stream.ID       `json:"job"`
	Org   stream.ID       `json:"org"`
	N     int64           `json:"n"`
	Level uint64          `json:"level"`
	Name  json.RawMessage `json:"name"`
	Text  json.RawMessage `json:"text"`
}

func dataOf(cmd stream.Command) (d toyData) {
	if err := json.Unmarshal(cmd.Data, &d); err != nil {
		panic(err) // Admit would have refused it
	}
	return d
}

func (r toy) Kind() stream.Kind          { return r.kind }
func (r toy) New(stream.ID) stream.State { return toyState{} }
func (r toy) Admit(cmd stream.Command) (json.RawMessage, []string, error) {
	return cmd.Data, []string{"text", "name"}, nil
}
func (r toy) Summary(stream.State) stream.Summary                               { return stream.Summary{} }
func (r toy) Stale(command, entry string) bool                                  { return command == "add" && entry == "added" }
func (r toy) RelationNeeds(stream.State, stream.Actor) []stream.FactKey         { return nil }
func (r toy) Relation(stream.State, stream.Actor, stream.Facts) stream.Relation { return stream.Own }

func memberKey(a stream.Actor) stream.FactKey {
	return stream.FactKey{Stream: stream.Ref{Kind: stream.Register, ID: a.Org}, Name: "member/" + a.Member.String()}
}

func (r toy) Needs(s stream.State, a stream.Actor, cmd stream.Command) ([]stream.FactKey, error) {
	st := s.(toyState)
	switch {
	case r.kind == stream.Register:
		return nil, nil
	case r.kind == stream.Calibration && cmd.Type == "add":
		level := stream.FactKey{Stream: stream.Ref{Kind: stream.Job, ID: st.job}, Name: "level"}
		return []stream.FactKey{memberKey(a), level, level}, nil
	}
	return []stream.FactKey{memberKey(a)}, nil
}

func (r toy) Decide(s stream.State, a stream.Actor, cmd stream.Command, facts stream.Facts, now time.Time) (stream.Decision, error) {
	st, d := s.(toyState), dataOf(cmd)
	role := a.Roles[0]
	if _, ok := facts[memberKey(a)]; !ok && r.kind != stream.Register {
		return stream.Decision{}, fault.New(fault.NotYourRole, "Only members may.")
	}
	if st.open == (cmd.Type == "open") {
		return stream.Decision{}, fault.New(fault.WrongPhase, "Not now.")
	}
	decision := stream.Decision{V: 1, Role: role}
	switch cmd.Type {
	case "open":
		decision.Type = "opened"
	case "add-member":
		decision.Type = "member-added"
	case "set":
		decision.Type = "level-set"
	case "note":
		decision.Type = "noted"
	case "add":
		f := facts[stream.FactKey{Stream: stream.Ref{Kind: stream.Job, ID: st.job}, Name: "level"}]
		var level struct{ Level int64 }
		if json.Unmarshal(f.Value, &level) != nil {
			return stream.Decision{}, fault.New(fault.NotMet, "No level yet.")
		}
		if d.N < 0 {
			return stream.Decision{}, fault.New(fault.NotMet, "Only upwards.")
		}
		decision.Type = "added"
		decision.Decided = map[string]any{"count": st.sum + d.N, "verdict": map[string]any{"gap_um": level.Level - st.sum - d.N, "says": "within"}}
	case "go":
		if st.said[role] {
			return stream.Decision{}, fault.New(fault.NotMet, "Said already.")
		}
		decision.Type = "word-given"
		if len(st.said) == 1 {
			decision.Type = "leg-started"
		}
	default:
		return stream.Decision{}, fault.New(fault.UnknownType, "No such command.")
	}
	return decision, nil
}

func (r toy) Apply(s stream.State, e stream.Entry) (stream.State, error) {
	st, d := s.(toyState), dataOf(e.Command)
	switch e.Type {
	case "opened":
		st.open, st.job = true, d.Job
	case "level-set":
		st.level, st.levelSeq = d.Level, e.Seq
	case "added":
		st.sum += d.N
	case "word-given":
		st.said = map[stream.Role]bool{e.By.Role: true}
	case "leg-started":
		st.said = nil
	case "member-added":
		st.levelSeq = e.Seq
	case "noted":
	default:
		return nil, fmt.Errorf("no entry %s", e.Type)
	}
	return st, nil
}

func (r toy) Fact(s stream.State, name string) (json.RawMessage, uint64, bool) {
	st := s.(toyState)
	if r.kind == stream.Register {
		return json.RawMessage(`{"name":{"sealed":{"k":"01900000-0000-7000-8000-000000000001","v":"x"}},"active":true}`), 2, st.levelSeq == 2 && len(name) > 7
	}
	if name == "panic" {
		panic("no such name")
	}
	return json.RawMessage(fmt.Sprintf(`{"level":%d}`, st.level)), st.levelSeq, name == "level" && st.levelSeq > 0
}

func (r toy) Key(s stream.State, cmd stream.Command) (stream.Ref, error) {
	if r.kind == stream.Calibration {
		if st := s.(toyState); st.open {
			return stream.Ref{Kind: stream.Job, ID: st.job}, nil
		}
		return stream.Ref{Kind: stream.Job, ID: dataOf(cmd).Job}, nil
	}
	if r.kind == stream.Job {
		return stream.Ref{Kind: stream.Job, ID: jobID}, nil
	}
	return stream.Ref{Kind: stream.Register, ID: orgID}, nil
}

var toyRules = map[int]map[stream.Kind]stream.Rules{1: {
	stream.Register: toy{stream.Register}, stream.Job: toy{stream.Job}, stream.Calibration: toy{stream.Calibration},
}}

var (
	orgID, jobID, calibrationID = idOf(1), idOf(2), idOf(3)
	tess, otto                  = idOf(4), idOf(5) // a technician and a specialist
)

func idOf(n byte) stream.ID {
	return stream.ID{0x01, 0x90, 0, 0, 0, 0, 0x70, 0, 0x80, 0, 0, 0, 0, 0, 0, n}
}

// world is three streams of one shop, told by hubs that work as they should.
type world struct {
	forger
	register    *stream.Fold
	job         *stream.Fold
	calibration *stream.Fold
	shopKey     trail.Key
	clock       time.Time
	commands    uint16
}

func newSigner(t testing.TB, name string) trail.Signer {
	skey, vkey, err := note.GenerateKey(rand.Reader, name)
	require.NoError(t, err)
	s, err := note.NewSigner(skey)
	require.NoError(t, err)
	return trail.Signer{Signer: s, Key: vkey}
}

func verifierOf(t testing.TB, s trail.Signer) note.Verifier {
	v, err := note.NewVerifier(s.Key)
	require.NoError(t, err)
	return v
}

// newWorld tells the story: 2 entries of the register, 3 of the job, 7 of the calibration.
func newWorld(t testing.TB) *world {
	w := &world{
		forger:   forger{t: t, records: map[stream.Kind][]trail.Record{}, signer: newSigner(t, "shop.example")},
		register: stream.NewFold(toyRules[1][stream.Register], orgID), job: stream.NewFold(toyRules[1][stream.Job], jobID),
		calibration: stream.NewFold(toyRules[1][stream.Calibration], calibrationID),
		clock:       time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC),
	}
	var err error
	w.shopKey, err = trail.NewKey(idOf(8), rand.Reader)
	require.NoError(t, err)
	w.jobKey, err = trail.NewKey(idOf(9), rand.Reader)
	require.NoError(t, err)

	w.tell(w.register, tess, stream.Owner, "open", map[string]any{"org": orgID})
	w.tell(w.register, tess, stream.Owner, "add-member", map[string]any{"name": w.seal(w.shopKey, orgID, "name", "Tess Example")})
	w.tell(w.job, tess, stream.Technician, "open", map[string]any{"text": w.seal(w.jobKey, jobID, "text", "EXAMPLE0000000017")})
	w.tell(w.job, tess, stream.Technician, "set", map[string]any{"level": 10})
	w.tell(w.calibration, tess, stream.Technician, "open", map[string]any{"job": jobID})
	w.tell(w.calibration, tess, stream.Technician, "add", map[string]any{"n": 3})
	w.tell(w.calibration, otto, stream.Specialist, "note", map[string]any{"text": w.seal(w.jobKey, calibrationID, "text", "looks right")})
	w.tell(w.job, tess, stream.Technician, "set", map[string]any{"level": 12})
	w.tell(w.calibration, tess, stream.Technician, "add", map[string]any{"n": 4})
	w.tell(w.calibration, tess, stream.Technician, "go", map[string]any{})
	w.tell(w.calibration, otto, stream.Specialist, "go", map[string]any{})
	w.tell(w.calibration, tess, stream.Technician, "note", map[string]any{"text": w.seal(w.jobKey, calibrationID, "text", "done")})
	return w
}

func (w *world) seal(k trail.Key, owner stream.ID, path, plain string) stream.Sealed {
	s, err := k.Seal(rand.Reader, owner, path, plain)
	require.NoError(w.t, err)
	return s
}

// tell does what a hub does with a command.
func (w *world) tell(f *stream.Fold, who stream.ID, role stream.Role, typ string, data any) {
	raw, err := json.Marshal(data)
	require.NoError(w.t, err)
	w.commands++
	w.clock = w.clock.Add(1234 * time.Millisecond)
	id := idOf(0)
	binary.BigEndian.PutUint16(id[10:], w.commands)
	cmd := stream.Command{ID: id, Base: f.Seq, Type: typ, Data: raw}
	actor := stream.Actor{Member: who, Org: orgID, Roles: []stream.Role{role}}
	keys, err := f.Rules.Needs(f.State, actor, cmd)
	require.NoError(w.t, err)
	facts := stream.Facts{}
	for _, k := range keys {
		from := map[stream.Kind]*stream.Fold{stream.Register: w.register, stream.Job: w.job}[k.Stream.Kind]
		fact, ok := from.Fact(k.Name)
		require.True(w.t, ok, k.Name)
		if k.Stream.Kind == stream.Register { // names are sealed anew under the job's key
			fact.Value, err = trail.EachSealed(fact.Value, func(path string, _ stream.Sealed) (any, error) {
				return w.jobKey.Seal(rand.Reader, f.Ref.ID, trail.FactPath(k.Name, path), "Tess Example")
			})
			require.NoError(w.t, err)
		}
		fact.Key = k
		facts[k] = fact
	}
	mac, err := w.jobKey.MAC(actor, cmd)
	require.NoError(w.t, err)
	e, _, err := f.Draft(actor, cmd, mac, keys, facts, trail.Moment(w.clock))
	require.NoError(w.t, err)
	if f.Seq == 0 {
		e.Opens = &stream.Opens{Rules: 1}
		if key, own := map[stream.Kind]trail.Key{stream.Register: w.shopKey, stream.Job: w.jobKey}[f.Ref.Kind]; own {
			id, sum := key.ID(), key.Commitment()
			e.Opens.Key, e.Opens.Commitment = &id, &sum
		}
	}
	r, err := trail.Encode(e)
	require.NoError(w.t, err)
	e, err = trail.Decode(r)
	require.NoError(w.t, err)
	require.NoError(w.t, f.Apply(e))
	w.records[f.Ref.Kind] = append(w.records[f.Ref.Kind], r)
}

func (w *world) options(trusted ...trail.Signer) proof.Options {
	o := proof.Options{Rules: toyRules, Computed: []string{"verdict", "closing"}}
	for _, s := range trusted {
		o.Trusted = append(o.Trusted, verifierOf(w.t, s))
	}
	return o
}
