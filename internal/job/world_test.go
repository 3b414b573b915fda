package job_test

import (
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/job"
	"readback/internal/stream"
	"readback/internal/trail"
)

// now is the moment at which everything in these tests happens.
var now = time.Date(2026, 11, 25, 10, 20, 30, 0, time.UTC)

// id makes a fixed id that ends in a number.
func id(n int) stream.ID {
	return stream.ID{0: 0x01, 1: 0x94, 6: 0x70, 8: 0x80, 14: byte(n >> 8), 15: byte(n)}
}

// The ids and actors used all over these tests. Everyone in them is invented.
var (
	visit, shop, desk, sheet = id(100), id(1), id(2), id(51)

	technician = stream.Actor{Member: id(12), Org: shop, Roles: []stream.Role{stream.Technician}}
	reader     = stream.Actor{Member: id(81), Org: shop, Roles: []stream.Role{stream.Interface}}
	owner      = stream.Actor{Member: id(11), Org: shop, Roles: []stream.Role{stream.Owner}}
)

func registerKey(org stream.ID, name string) stream.FactKey {
	return stream.FactKey{Stream: stream.Ref{Kind: stream.Register, ID: org}, Name: name}
}

// facts are those of a register in which everything is as it must be.
func facts() stream.Facts {
	all := stream.Facts{}
	add := func(name, value string) {
		key := registerKey(shop, name)
		all[key] = stream.Fact{Key: key, Seq: uint64(len(all) + 1), Hash: stream.Hash{byte(len(all) + 1)}, Value: json.RawMessage(value)}
	}
	add("organisation", `{"name":"Demo Workshop North (invented)","sort":"shop","phone":""}`)
	add("member/"+technician.Member.String(), `{"roles":["technician"],"competences":[],"active":true}`)
	add("member/"+owner.Member.String(), `{"roles":["owner"],"competences":[],"active":true}`)
	add("interface/"+reader.Member.String(), `{"name":"Reader 1","active":true}`)
	add("dimensions/"+sheet.String(), `{"type":"Invented Hatchback","vehicle":{},"source":"measured","active":true}`)
	return all
}

// with is the facts with one of the shop's register's changed.
func with(name, value string) stream.Facts {
	all := facts()
	key := registerKey(shop, name)
	all[key] = stream.Fact{Key: key, Seq: 9, Value: json.RawMessage(value)}
	return all
}

// without is the facts with one of the shop's register's left out.
func without(name string) stream.Facts {
	all := facts()
	delete(all, registerKey(shop, name))
	return all
}

// world is a job with the shell around it: it admits, seals, decides and folds.
type world struct {
	t     *testing.T
	fold  *stream.Fold
	facts stream.Facts
	count int
}

func newWorld(t *testing.T) *world {
	t.Helper()
	return &world{t: t, fold: stream.NewFold(job.Rules{}, visit), facts: facts()}
}

func (w *world) state() *job.State { return w.fold.State.(*job.State) }

// do gives one command as the sender would.
func (w *world) do(actor stream.Actor, command, data string) (stream.Entry, error) {
	w.t.Helper()
	w.count++
	cmd := stream.Command{ID: id(1000 + w.count), Base: w.fold.Seq, Type: command, Data: json.RawMessage(data)}
	admitted, keys, err := w.fold.Rules.Admit(cmd)
	if err != nil {
		return stream.Entry{}, err
	}
	cmd.Data = seal(w.t, admitted, keys)
	_, err = trail.Canonical(cmd.Data)
	require.NoError(w.t, err)
	needs, err := w.fold.Rules.Needs(w.fold.State, actor, cmd)
	require.NoError(w.t, err)
	given := stream.Facts{}
	for _, key := range needs {
		if f, ok := w.facts[key]; ok {
			given[key] = f
		}
	}
	e, _, err := w.fold.Draft(actor, cmd, nil, needs, given, now)
	if err != nil {
		return stream.Entry{}, err
	}
	if e.Seq == 1 {
		e.Opens = &stream.Opens{Rules: stream.RulesVersion}
	}
	e.Hash = stream.Hash{byte(e.Seq)}
	require.NoError(w.t, w.fold.Apply(e))
	return e, nil
}

func (w *world) must(actor stream.Actor, command, data string) stream.Entry {
	w.t.Helper()
	e, err := w.do(actor, command, data)
	require.NoError(w.t, err, command)
	return e
}

// seal stands for the shell: it puts sealed values where the plain ones were.
func seal(t require.TestingT, raw json.RawMessage, keys []string) json.RawMessage {
	var d map[string]json.RawMessage
	require.NoError(t, json.Unmarshal(raw, &d))
	for _, key := range keys {
		require.Contains(t, d, key)
		if _, asked := d[key+"_mark"]; asked {
			mark, err := json.Marshal(fmt.Sprintf("%x", sha256.Sum256(d[key])))
			require.NoError(t, err)
			d[key+"_mark"] = mark
		}
		d[key] = sealed(string(d[key]))
	}
	out, err := json.Marshal(d)
	require.NoError(t, err)
	return out
}

func sealed(plain string) json.RawMessage {
	raw, _ := json.Marshal(stream.Sealed{Sealed: stream.SealedValue{K: visit, V: fmt.Sprintf("c2VhbGVk%x", plain)}})
	return raw
}

// sampleVIN is the sample of 49 CFR 565.
const sampleVIN = "1G4AH59H45G118341"

var opening = `{"vin":"` + sampleVIN + `","plate":"INV 100","mileage_km":48210,"steering":"left","dimensions":"` + sheet.String() + `",
	"causes":["glass","alignment"],"sensors":{"affected":["front-camera"],"not_affected":["rear-camera"],"none_fitted":false},
	"customer_reference":"order 7","customer_told":true}`

// good is data that makes each command possible in an opened job, or, for the opening one, in a new one.
var good = map[string]string{
	"open-job": opening,
	"attach-alignment": `{"when":"before","wheels":{"front_left":{"toe_udeg":50000,"camber_udeg":-500000,"caster_udeg":6000000},
		"rear_left":{"toe_udeg":200000},"rear_right":{"toe_udeg":-100000}},"steering_zero_done":false}`,
	"record-scan":      `{"when":"before","codes":[{"code":"P0805-11","status":47,"blocking":true},{"code":"C0051","status":8,"blocking":false}],"source":"pasted"}`,
	"describe-vehicle": `{"vin":"WP0ZZZ99ZTS392124","mileage_km":48212,"dimensions":"` + sheet.String() + `"}`,
	"describe-work":    `{"causes":["bumper"],"customer_told":false}`,
	"announce-vehicle": `{"vin":"5YJ3E1EA7HF000337"}`,
	"tie-interface":    `{"interface":"` + reader.Member.String() + `"}`,
	"untie-interface":  `{}`,
	"settle-vin":       `{"right":"typed","reason":"Another car was on the lead."}`,
	"withdraw-job":     `{"cause":"wrong-car","reason":"It is the red one."}`,
	"note":             `{"text":"Customer waits.\nCalls at four."}`,
}

func opened(t *testing.T) *world {
	t.Helper()
	w := newWorld(t)
	w.must(technician, "open-job", opening)
	return w
}
