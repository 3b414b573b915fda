package register_test

import (
	"encoding/json"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/procedure"
	"readback/internal/register"
)

// A revision is a version of its own: the fact is the newest, the older ones stay where they were said to be.
func TestRevisions(t *testing.T) {
	t.Parallel()
	w := full(t)
	name := "procedure/" + method.String()
	was, seq := fact(t, w, name)
	first := w.state()
	e := w.must(theOwner, "revise-procedure", good()["revise-procedure"])
	value, newest := fact(t, w, name)
	require.Equal(t, e.Seq, newest)

	type version struct {
		Version   int
		Digest    string
		Procedure json.RawMessage
		Active    bool
	}
	var one, two version
	require.NoError(t, json.Unmarshal([]byte(was), &one))
	require.NoError(t, json.Unmarshal([]byte(value), &two))
	require.Equal(t, []int{1, 2}, []int{one.Version, two.Version})
	require.Equal(t, procedure.Digest(one.Procedure), one.Digest)
	require.NotEqual(t, one.Digest, two.Digest)
	p, err := procedure.DecodeWhole(two.Procedure, "")
	require.NoError(t, err)
	require.Equal(t, "2", p.Source.Version)
	require.Equal(t, 600.5, *p.SetUps[0].Placement().HeightMM)

	still, _, _ := register.Rules{}.Fact(first, name)
	require.Equal(t, was, string(still), "the earlier state is as it was")
	raw, err := json.Marshal(w.state().View(now))
	require.NoError(t, err)
	var v struct {
		Procedures map[string]struct {
			Version  int
			Versions []struct {
				Version int
				Digest  string
				Entry   uint64
			}
		}
	}
	require.NoError(t, json.Unmarshal(raw, &v))
	got := v.Procedures[method.String()]
	require.Equal(t, 2, got.Version)
	require.Equal(t, []uint64{seq, newest}, []uint64{got.Versions[0].Entry, got.Versions[1].Entry})
	require.Equal(t, one.Digest, got.Versions[0].Digest)
}

// Every fault of a document comes back with the place in the command, in the units it was sent in.
func TestProcedureFaultsAreNamed(t *testing.T) {
	t.Parallel()
	w := full(t)
	bad := strings.NewReplacer(`"lower":12500`, `"lower":12.5`, `"distance_um":6000`, `"distance_um":0`, `"height_um":600500`, `"height_mm":600`).Replace(methodOf("Third", 1))
	_, err := w.do(theOwner, "add-procedure", data(`{"id":"%s","procedure":%s}`, id(79), bad))
	require.True(t, fault.Is(err, fault.InvalidInput))
	var names []string
	for _, f := range fault.Of(err).Fields {
		names = append(names, f.Name)
	}
	require.ElementsMatch(t, []string{"data.procedure.gates[0].value.lower", "data.procedure.set_ups[0].setup.height_mm"}, names)
}

func TestImportOfVersions(t *testing.T) {
	t.Parallel()
	w := full(t)
	w.must(theOwner, "revise-procedure", good()["revise-procedure"])
	w.must(theOwner, "retire", data(`{"kind":"procedure","id":"%s"}`, method))
	w.must(theOwner, "add-procedure", data(`{"id":"%s","procedure":%s}`, id(70), methodOf("Invented camera", 3))) // the retired one's title is free
	doc := export(t, w.state())
	got, err := register.Import([]byte(doc), counter())
	require.NoError(t, err)
	require.Equal(t, allFacts(t, w.state()), allFacts(t, give(t, got).state()))
	require.Contains(t, doc, `"lower": 12.5`, "in volts, as people write it")

	for _, c := range []struct{ from, to, field string }{
		{`"version": "2"`, `"version": "1"`, "procedures[1].versions[1]"},
		{`"lower": 12.5`, `"lower": "12.5"`, "procedures[0].versions[0].gates[0].value.lower"},
		{`"limits_by": "` + technician.String(), `"limits_by": "` + bay.String(), "procedures[0].versions[0].set_ups[0].limits_by"},
		{`"sensor": "front-camera"`, `"sensor": "rear-camera"`, "procedures[0].versions[0].set_ups[0].setup.sensor"},
	} {
		require.Contains(t, doc, c.from)
		_, err := register.Import([]byte(strings.Replace(doc, c.from, c.to, 1)), counter())
		require.True(t, fault.Is(err, fault.InvalidInput), c.to)
		require.Equal(t, c.field, fault.Of(err).Fields[0].Name, c.to)
	}
	const title = `"title": "Invented camera"`
	at := strings.LastIndex(doc, title)
	_, err = register.Import([]byte(doc[:at]+`"title": "Invented lens"`+doc[at+len(title):]), counter())
	require.Equal(t, "procedures[1].versions[1].title", fault.Of(err).Fields[0].Name)
}
