package register_test

import (
	"encoding/json"
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/access"
	"readback/internal/fault"
	"readback/internal/register"
	"readback/internal/stream"
)

// entries is what each command makes.
var entries = map[string]string{
	"open-organisation": "organisation-opened",
	"add-member":        "member-added",
	"grant-competence":  "competence-granted",
	"retire-member":     "member-retired",
	"make-agreement":    "agreement-made",
	"end-agreement":     "agreement-ended",
	"add-bay":           "bay-added",
	"survey-bay":        "bay-surveyed",
	"add-instrument":    "instrument-added",
	"renew-instrument":  "instrument-renewed",
	"add-fixture":       "fixture-added",
	"add-dimensions":    "dimensions-added",
	"add-webhook":       "webhook-added",
	"add-interface":     "interface-added",
	"retire":            "retired",
	"go-on-duty":        "went-on-duty",
	"go-off-duty":       "went-off-duty",
	"set-opening-hours": "opening-hours-set",

	"change-organisation": "organisation-changed",
	"change-member":       "member-changed",
	"revoke-competence":   "competence-revoked",
	"change-bay":          "bay-changed",
	"withdraw-survey":     "survey-withdrawn",
	"change-instrument":   "instrument-changed",
	"change-fixture":      "fixture-changed",
	"change-dimensions":   "dimensions-changed",
	"add-procedure":       "procedure-added",
	"revise-procedure":    "procedure-revised",
	"change-webhook":      "webhook-changed",
	"change-interface":    "interface-changed",
}

// takes is the command that gives what another takes away.
var takes = map[string]string{
	"end-agreement": "make-agreement", "revoke-competence": "grant-competence", "withdraw-survey": "survey-bay",
}

// ready is a register in which the command with its data of good is possible.
func ready(t *testing.T, command string) *world {
	t.Helper()
	if command == "open-organisation" {
		return newWorld(t)
	}
	w := full(t)
	if command == "go-on-duty" || command == "go-off-duty" {
		w.must(theOwner, "add-member", data(`{"id":"%s","name":"Invented Specialist","roles":["specialist"]}`, specialist))
	}
	if command == "go-off-duty" {
		w.must(theSpecialist, "go-on-duty", good()["go-on-duty"])
	}
	if first, ok := takes[command]; ok {
		w.must(theOwner, first, good()[first])
	}
	return w
}

// Every command by every role, of the organisation and of another, on a register that is open and on one that is not: it
// makes its entry or is refused with its reason.
func TestEveryPair(t *testing.T) {
	t.Parallel()
	require.Equal(t, register.Commands(), slices.Sorted(maps.Keys(entries)))
	require.Equal(t, register.Commands(), slices.Sorted(maps.Keys(good())))
	require.Equal(t, register.Entries(), slices.Sorted(maps.Values(entries)))
	pairs := 0
	for command, entry := range entries {
		for _, role := range []stream.Role{stream.Technician, stream.Specialist, stream.Owner, stream.System} {
			for _, org := range []stream.ID{shop, desk} {
				for _, open := range []bool{false, true} {
					pairs++
					name := []any{"%s by %s, own organisation %v, open %v", command, role, org == shop, open}
					opens := command == "open-organisation"
					w := newWorld(t)
					if open {
						w = ready(t, command)
						if opens {
							w = full(t)
						}
					}
					// Whatever the shell says of the actor: only the owner of this register is its owner.
					member := owner
					if role == stream.Technician {
						member = technician
					}
					themself := role == stream.Specialist && org == shop && open && (command == "go-on-duty" || command == "go-off-duty")
					if themself {
						member = specialist
					}
					related := org == shop || command == "end-agreement" && open // which needs the agreement to be in force
					before := w.fold.Seq
					e, err := w.do(stream.Actor{Member: member, Org: org, Roles: []stream.Role{role}}, command, good()[command])
					switch {
					case themself, role == stream.Owner && command == "go-on-duty" && related && open:
						if !themself {
							require.True(t, fault.Is(err, fault.NotYourRole), name...)
							break
						}
						require.NoError(t, err, name...)
						require.Equal(t, entry, e.Type)
						require.Equal(t, role, e.By.Role)
						continue
					case role != stream.System && !related, !opens && !open:
						require.Equal(t, access.NotHere(), err, name...)
					case opens && open:
						require.True(t, fault.Is(err, fault.AlreadyThere), name...)
					case opens && role != stream.System, role == stream.Technician, role == stream.Specialist, role == stream.Owner && org != shop:
						require.True(t, fault.Is(err, fault.NotYourRole), name...)
					default:
						require.NoError(t, err, name...)
						require.Equal(t, entry, e.Type)
						require.Equal(t, role, e.By.Role)
						continue
					}
					require.Equal(t, before, w.fold.Seq, "a refusal changes nothing")
				}
			}
		}
	}
	require.Equal(t, 30*4*2*2, pairs)
}

func TestOwnersAreWhoTheRegisterSaysTheyAre(t *testing.T) {
	t.Parallel()
	w := full(t)
	for _, member := range []stream.ID{technician, id(99)} {
		_, err := w.do(stream.Actor{Member: member, Org: shop, Roles: []stream.Role{stream.Owner}}, "add-bay", good()["add-bay"])
		require.True(t, fault.Is(err, fault.NotYourRole))
	}
	w.must(theOwner, "add-member", data(`{"id":"%s","name":"Second Owner","roles":["owner","specialist"]}`, id(14)))
	second := stream.Actor{Member: id(14), Org: shop, Roles: []stream.Role{stream.Owner, stream.Specialist}}
	w.must(second, "retire-member", data(`{"member":"%s"}`, owner))
	_, err := w.do(theOwner, "add-bay", good()["add-bay"])
	require.True(t, fault.Is(err, fault.NotYourRole), "a retired owner keeps the register no more")
}

// In each row everything holds but one guard: prepare breaks that one only, as the same command shows without it.
func TestEachGuardAloneRefuses(t *testing.T) {
	t.Parallel()
	retire := func(kind string, thing stream.ID) func(*world) {
		return func(w *world) { w.must(theOwner, "retire", data(`{"kind":"%s","id":"%s"}`, kind, thing)) }
	}
	leave := func(w *world) { w.must(theOwner, "retire-member", good()["retire-member"]) }
	nothing := func(*world) {}
	gateway := func(w *world) {
		w.must(theOwner, "add-interface", data(`{"id":"%s","name":"Gauges","bay":"%s","instruments":["%s"]}`, id(83), bay, instrument))
	}
	manyWebhooks := func(w *world) {
		for i := range 19 {
			w.must(theOwner, "add-webhook", data(`{"id":"%s","url":"https://hooks.example/","events":["job.*"]}`, id(200+i)))
		}
	}
	replace := func(command, from, to string) json.RawMessage {
		require.Contains(t, string(good()[command]), from)
		return json.RawMessage(strings.Replace(string(good()[command]), from, to, 1))
	}
	id13, id22, id32, id42, id52 := id(13).String(), id(22).String(), id(32).String(), id(42).String(), id(52).String()
	ghost := id(99).String()
	for _, c := range []struct {
		guard, command string
		prepare        func(*world)
		data           json.RawMessage // nil: that of good
		slug           fault.Slug
		field          fault.Field // Want empty: any
	}{
		{"id taken by a bay", "add-member", nothing, replace("add-member", id13, bay.String()), fault.AlreadyThere, fault.Field{Name: "data.id"}},
		{"id taken by a member", "add-bay", nothing, replace("add-bay", id22, owner.String()), fault.AlreadyThere, fault.Field{Name: "data.id"}},
		{"id taken by a webhook", "add-bay", nothing, replace("add-bay", id22, webhook.String()), fault.AlreadyThere, fault.Field{Name: "data.id"}},
		{"id taken by itself", "add-webhook", nothing, replace("add-webhook", id(62).String(), webhook.String()), fault.AlreadyThere, fault.Field{Name: "data.id"}},
		{"room for a webhook", "add-webhook", manyWebhooks, nil, fault.NotMet, fault.Field{Name: "data.id", Want: "at most 20 in use: retire one first"}},
		{"id taken by an interface", "add-bay", nothing, replace("add-bay", id22, device.String()), fault.AlreadyThere, fault.Field{Name: "data.id"}},
		{"name free", "add-interface", nothing, replace("add-interface", "Reader 2", "reader  1"), fault.AlreadyThere, fault.Field{Name: "data.name"}},
		{"bay known", "add-interface", nothing, replace("add-interface", bay.String(), ghost), fault.NotHere, fault.Field{Name: "data.bay"}},
		{"bay in use", "add-interface", retire("bay", bay), nil, fault.WrongPhase, fault.Field{Name: "data.bay"}},
		{"interface known", "change-interface", nothing, replace("change-interface", device.String(), ghost), fault.NotHere, fault.Field{Name: "data.id"}},
		{"interface in use", "change-interface", retire("interface", device), nil, fault.WrongPhase, fault.Field{Name: "data.id"}},
		{"bay known", "change-interface", nothing, data(`{"id":"%s","bay":"%s"}`, device, ghost), fault.NotHere, fault.Field{Name: "data.bay"}},
		{"something changes", "change-interface", nothing, data(`{"id":"%s","name":"Reader 1"}`, device), fault.AlreadyThere, fault.Field{Name: "data"}},
		{"instrument known", "add-interface", nothing, data(`{"id":"%s","name":"Gauges","bay":"%s","instruments":["%s","%s"]}`, id(82), bay, instrument, ghost), fault.NotHere, fault.Field{Name: "data.instruments[1]"}},
		{"instrument in use", "add-interface", retire("instrument", instrument), data(`{"id":"%s","name":"Gauges","bay":"%s","instruments":["%s"]}`, id(82), bay, instrument), fault.WrongPhase, fault.Field{Name: "data.instruments[0]"}},
		{"it stays what it is", "change-interface", nothing, data(`{"id":"%s","instruments":["%s"]}`, device, instrument), fault.WrongPhase, fault.Field{Name: "data.instruments"}},
		{"instrument known", "change-interface", gateway, data(`{"id":"%s","instruments":["%s"]}`, id(83), ghost), fault.NotHere, fault.Field{Name: "data.instruments[0]"}},
		{"something changes", "change-interface", gateway, data(`{"id":"%s","instruments":["%s"]}`, id(83), instrument), fault.AlreadyThere, fault.Field{Name: "data"}},
		{"interface known", "retire", nothing, data(`{"kind":"interface","id":"%s"}`, fixture), fault.NotHere, fault.Field{Name: "data.id"}},
		{"interface in use", "retire", retire("interface", device), data(`{"kind":"interface","id":"%s"}`, device), fault.WrongPhase, fault.Field{Name: "data.id"}},
		{"webhook known", "change-webhook", nothing, replace("change-webhook", webhook.String(), ghost), fault.NotHere, fault.Field{Name: "data.id"}},
		{"webhook in use", "change-webhook", retire("webhook", webhook), nil, fault.WrongPhase, fault.Field{Name: "data.id"}},
		{"something changes", "change-webhook", nothing, data(`{"id":"%s","url":"https://hooks.example/a"}`, webhook), fault.AlreadyThere, fault.Field{Name: "data"}},
		{"webhook known", "retire", nothing, data(`{"kind":"webhook","id":"%s"}`, fixture), fault.NotHere, fault.Field{Name: "data.id"}},
		{"webhook in use", "retire", retire("webhook", webhook), data(`{"kind":"webhook","id":"%s"}`, webhook), fault.WrongPhase, fault.Field{Name: "data.id"}},
		{"id taken by an instrument", "add-instrument", nothing, replace("add-instrument", id32, instrument.String()), fault.AlreadyThere, fault.Field{Name: "data.id"}},
		{"id taken by a fixture", "add-fixture", nothing, replace("add-fixture", id42, fixture.String()), fault.AlreadyThere, fault.Field{Name: "data.id"}},
		{"id taken by a sheet", "add-dimensions", nothing, replace("add-dimensions", id52, dimensions.String()), fault.AlreadyThere, fault.Field{Name: "data.id"}},
		{"id taken by a procedure", "add-bay", nothing, replace("add-bay", id22, method.String()), fault.AlreadyThere, fault.Field{Name: "data.id"}},
		{"id is the organisation's", "add-bay", nothing, replace("add-bay", id22, shop.String()), fault.AlreadyThere, fault.Field{Name: "data.id"}},
		{"id of a retired thing", "add-bay", retire("bay", bay), replace("add-bay", id22, bay.String()), fault.AlreadyThere, fault.Field{Name: "data.id"}},

		{"member known", "grant-competence", nothing, replace("grant-competence", technician.String(), ghost), fault.NotHere, fault.Field{Name: "data.member"}},
		{"member in use", "grant-competence", leave, nil, fault.WrongPhase, fault.Field{Name: "data.member"}},
		{"member known", "retire-member", nothing, replace("retire-member", technician.String(), ghost), fault.NotHere, fault.Field{Name: "data.member"}},
		{"member in use", "retire-member", leave, nil, fault.WrongPhase, fault.Field{Name: "data.member"}},
		{"another owner", "retire-member", nothing, replace("retire-member", technician.String(), owner.String()), fault.NotMet, fault.Field{Name: "guard", Want: "another-owner"}},

		{"no agreement in force", "make-agreement", func(w *world) { w.must(theOwner, "make-agreement", good()["make-agreement"]) }, nil,
			fault.AlreadyThere, fault.Field{Name: "data.desk"}},
		{"desk known", "make-agreement", func(w *world) { w.facts = nil }, nil, fault.NotMet, fault.Field{Name: "guard", Want: "desk-known"}},
		{"desk is one", "make-agreement", func(w *world) { w.facts = factsOf(`{"name":"x","sort":"shop","phone":""}`) }, nil,
			fault.NotMet, fault.Field{Name: "guard", Want: "desk-known"}},
		{"agreement known", "end-agreement", nothing, replace("end-agreement", desk.String(), ghost), fault.NotHere, fault.Field{Name: "data.desk"}},
		{"agreement in force", "end-agreement", func(w *world) { w.must(theOwner, "end-agreement", good()["end-agreement"]) }, nil,
			fault.WrongPhase, fault.Field{Name: "data.desk"}},

		{"bay known", "survey-bay", nothing, replace("survey-bay", bay.String(), ghost), fault.NotHere, fault.Field{Name: "data.bay"}},
		{"bay in use", "survey-bay", retire("bay", bay), nil, fault.WrongPhase, fault.Field{Name: "data.bay"}},
		{"survey has been", "survey-bay", nothing, replace("survey-bay", "2026-06-01", "2026-11-27"), fault.InvalidInput, fault.Field{Name: "data.surveyed"}},

		{"certificate has come", "add-instrument", nothing, replace("add-instrument", "2026-02-01", "2026-11-27"), fault.InvalidInput, fault.Field{Name: "data.certificate.dated"}},
		{"instrument known", "renew-instrument", nothing, replace("renew-instrument", instrument.String(), ghost), fault.NotHere, fault.Field{Name: "data.instrument"}},
		{"instrument in use", "renew-instrument", retire("instrument", instrument), nil, fault.WrongPhase, fault.Field{Name: "data.instrument"}},
		{"certificate has come", "renew-instrument", nothing, replace("renew-instrument", "2026-11-20", "2026-11-27"), fault.InvalidInput, fault.Field{Name: "data.certificate.dated"}},

		{"name free", "add-bay", nothing, replace("add-bay", "Bay 2", " bay  1"), fault.AlreadyThere, fault.Field{Name: "data.name"}},
		{"name free", "add-instrument", nothing, replace("add-instrument", "Tape 2", "LASER"), fault.AlreadyThere, fault.Field{Name: "data.name"}},
		{"name free", "add-fixture", nothing, replace("add-fixture", "Stand 2", "Stand 1"), fault.AlreadyThere, fault.Field{Name: "data.name"}},
		{"name free", "add-dimensions", nothing, replace("add-dimensions", "Invented Estate", "Invented Hatchback"), fault.AlreadyThere, fault.Field{Name: "data.type"}},

		{"something changes", "change-organisation", func(w *world) { w.must(theOwner, "change-organisation", good()["change-organisation"]) }, nil,
			fault.AlreadyThere, fault.Field{Name: "data"}},
		{"member known", "change-member", nothing, replace("change-member", technician.String(), ghost), fault.NotHere, fault.Field{Name: "data.id"}},
		{"member in use", "change-member", leave, nil, fault.WrongPhase, fault.Field{Name: "data.id"}},
		{"something changes", "change-member", nothing, data(`{"id":"%s","roles":["technician"]}`, technician), fault.AlreadyThere, fault.Field{Name: "data"}},
		{"another owner", "change-member", nothing, data(`{"id":"%s","roles":["technician"]}`, owner), fault.NotMet, fault.Field{Name: "guard", Want: "another-owner"}},
		{"member known", "revoke-competence", nothing, replace("revoke-competence", technician.String(), ghost), fault.NotHere, fault.Field{Name: "data.member"}},
		{"member in use", "revoke-competence", leave, nil, fault.WrongPhase, fault.Field{Name: "data.member"}},
		{"competence held", "revoke-competence", nothing, replace("revoke-competence", "front-camera", "front-radar"), fault.NotHere, fault.Field{Name: "data.sensor"}},

		{"bay known", "change-bay", nothing, replace("change-bay", bay.String(), ghost), fault.NotHere, fault.Field{Name: "data.id"}},
		{"bay in use", "change-bay", retire("bay", bay), nil, fault.WrongPhase, fault.Field{Name: "data.id"}},
		{"something changes", "change-bay", nothing, data(`{"id":"%s","name":"Bay 1"}`, bay), fault.AlreadyThere, fault.Field{Name: "data"}},
		{"name free", "change-bay", func(w *world) { w.must(theOwner, "add-bay", good()["add-bay"]) }, data(`{"id":"%s","name":"BAY 2"}`, bay),
			fault.AlreadyThere, fault.Field{Name: "data.name"}},
		{"bay known", "withdraw-survey", nothing, replace("withdraw-survey", bay.String(), ghost), fault.NotHere, fault.Field{Name: "data.bay"}},
		{"bay in use", "withdraw-survey", retire("bay", bay), nil, fault.WrongPhase, fault.Field{Name: "data.bay"}},
		{"floor surveyed", "withdraw-survey", func(w *world) { w.must(theOwner, "withdraw-survey", good()["withdraw-survey"]) }, nil,
			fault.WrongPhase, fault.Field{Name: "data.bay"}},

		{"instrument known", "change-instrument", nothing, replace("change-instrument", instrument.String(), ghost), fault.NotHere, fault.Field{Name: "data.id"}},
		{"instrument in use", "change-instrument", retire("instrument", instrument), nil, fault.WrongPhase, fault.Field{Name: "data.id"}},
		{"something changes", "change-instrument", func(w *world) { w.must(theOwner, "change-instrument", good()["change-instrument"]) }, nil,
			fault.AlreadyThere, fault.Field{Name: "data"}},
		{"name free", "change-instrument", func(w *world) { w.must(theOwner, "add-instrument", good()["add-instrument"]) },
			replace("change-instrument", "Laser old", "tape 2"), fault.AlreadyThere, fault.Field{Name: "data.name"}},

		{"fixture known", "change-fixture", nothing, replace("change-fixture", fixture.String(), ghost), fault.NotHere, fault.Field{Name: "data.id"}},
		{"fixture in use", "change-fixture", retire("fixture", fixture), nil, fault.WrongPhase, fault.Field{Name: "data.id"}},
		{"something changes", "change-fixture", nothing, data(`{"id":"%s","target":"T-CAM-07"}`, fixture), fault.AlreadyThere, fault.Field{Name: "data"}},
		{"name free", "change-fixture", func(w *world) { w.must(theOwner, "add-fixture", good()["add-fixture"]) },
			replace("change-fixture", "Stand 1 left", "Stand 2"), fault.AlreadyThere, fault.Field{Name: "data.name"}},

		{"sheet known", "change-dimensions", nothing, replace("change-dimensions", dimensions.String(), ghost), fault.NotHere, fault.Field{Name: "data.id"}},
		{"sheet in use", "change-dimensions", retire("dimensions", dimensions), nil, fault.WrongPhase, fault.Field{Name: "data.id"}},
		{"something changes", "change-dimensions", nothing, data(`{"id":"%s","vehicle":%s,"source":"measured on one car"}`, dimensions, vehicleUM),
			fault.AlreadyThere, fault.Field{Name: "data"}},
		{"name free", "change-dimensions", func(w *world) { w.must(theOwner, "add-dimensions", good()["add-dimensions"]) },
			data(`{"id":"%s","type":"Invented Estate"}`, dimensions), fault.AlreadyThere, fault.Field{Name: "data.type"}},

		{"id taken", "add-procedure", nothing, replace("add-procedure", id(72).String(), bay.String()), fault.AlreadyThere, fault.Field{Name: "data.id"}},
		{"title free", "add-procedure", nothing, replace("add-procedure", "Invented radar", "INVENTED  camera"), fault.AlreadyThere, fault.Field{Name: "data.procedure.title"}},
		{"limits answered for", "add-procedure", nothing, data(`{"id":"%s","procedure":%s}`, id(72), answered(ghost)), fault.NotHere,
			fault.Field{Name: "data.procedure.set_ups[0].limits_by"}},
		{"procedure known", "revise-procedure", nothing, replace("revise-procedure", method.String(), ghost), fault.NotHere, fault.Field{Name: "data.id"}},
		{"procedure in use", "revise-procedure", retire("procedure", method), nil, fault.WrongPhase, fault.Field{Name: "data.id"}},
		{"something changes", "revise-procedure", func(w *world) { w.must(theOwner, "revise-procedure", good()["revise-procedure"]) }, nil,
			fault.AlreadyThere, fault.Field{Name: "data"}},
		{"sensor stays", "revise-procedure", nothing, data(`{"id":"%s","procedure":%s}`, method, strings.ReplaceAll(methodOf("Invented camera", 2), "front-camera", "rear-camera")),
			fault.InvalidInput, fault.Field{Name: "data.procedure.sensor"}},
		{"title stays", "revise-procedure", nothing, replace("revise-procedure", "Invented camera", "Invented lens"), fault.InvalidInput, fault.Field{Name: "data.procedure.title"}},
		{"limits answered for", "revise-procedure", nothing, data(`{"id":"%s","procedure":%s}`, method, strings.Replace(answered(ghost), "Invented radar", "Invented camera", 1)),
			fault.NotHere, fault.Field{Name: "data.procedure.set_ups[0].limits_by"}},

		{"bay known", "retire", nothing, data(`{"kind":"bay","id":"%s"}`, fixture), fault.NotHere, fault.Field{Name: "data.id"}},
		{"bay in use", "retire", retire("bay", bay), data(`{"kind":"bay","id":"%s"}`, bay), fault.WrongPhase, fault.Field{Name: "data.id"}},
		{"instrument in use", "retire", retire("instrument", instrument), data(`{"kind":"instrument","id":"%s"}`, instrument), fault.WrongPhase, fault.Field{Name: "data.id"}},
		{"fixture in use", "retire", retire("fixture", fixture), nil, fault.WrongPhase, fault.Field{Name: "data.id"}},
		{"procedure in use", "retire", retire("procedure", method), data(`{"kind":"procedure","id":"%s"}`, method), fault.WrongPhase, fault.Field{Name: "data.id"}},
		{"sheet in use", "retire", retire("dimensions", dimensions), data(`{"kind":"dimensions","id":"%s"}`, dimensions), fault.WrongPhase, fault.Field{Name: "data.id"}},
	} {
		w := ready(t, c.command)
		c.prepare(w)
		before := w.fold.Seq
		d := c.data
		if d == nil {
			d = good()[c.command]
		}
		_, err := w.do(theOwner, c.command, d)
		require.True(t, fault.Is(err, c.slug), "%s: %s: %v", c.command, c.guard, err)
		require.Equal(t, c.field.Name, fault.Of(err).Fields[0].Name, c.guard)
		if c.field.Want != "" {
			require.Equal(t, c.field.Want, fault.Of(err).Fields[0].Want)
		}
		require.Equal(t, before, w.fold.Seq)
		_, err = ready(t, c.command).do(theOwner, c.command, good()[c.command])
		require.NoError(t, err, "%s without what breaks %q", c.command, c.guard)
	}
}

func TestADeskMakesNoAgreements(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.must(server, "open-organisation", data(`{"name":"Demo Desk South (invented)","sort":"desk"}`))
	_, err := w.do(server, "make-agreement", good()["make-agreement"])
	require.True(t, fault.Is(err, fault.NotMet))
	require.Equal(t, "is-shop", fault.Of(err).Fields[0].Want)
}

// Somewhere it is tomorrow already: the day after the server's is no day to come, the one after that is.
func TestTomorrowIsTodaySomewhere(t *testing.T) {
	t.Parallel()
	w := full(t)
	w.must(theOwner, "survey-bay", data(`{"bay":"%s","floor":%s,"surveyed":"2026-11-26","expires":"2027-06-01"}`, bay, floorUM))
}

func TestRetiredThingsKeepTheirFacts(t *testing.T) {
	t.Parallel()
	w := full(t)
	for kind, thing := range map[string]stream.ID{"bay": bay, "instrument": instrument, "fixture": fixture, "dimensions": dimensions, "procedure": method} {
		w.must(theOwner, "retire", data(`{"kind":"%s","id":"%s"}`, kind, thing))
		value, seq := fact(t, w, kind+"/"+thing.String())
		require.Contains(t, value, `"active":false`)
		require.Equal(t, w.fold.Seq, seq)
	}
}

func TestStale(t *testing.T) {
	t.Parallel()
	want := map[string][]string{
		"grant-competence": {"competence-granted", "competence-revoked", "member-retired"},
		"retire-member":    {"member-retired"},
		"make-agreement":   {"agreement-ended"},
		"end-agreement":    {"agreement-made"},
		"survey-bay":       {"bay-surveyed", "survey-withdrawn", "retired"},
		"renew-instrument": {"instrument-renewed", "retired"},
		"retire":           {"retired"},
		"go-on-duty":       {"went-on-duty", "went-off-duty", "member-retired"},
		"go-off-duty":      {"went-on-duty", "went-off-duty", "member-retired"},

		"set-opening-hours": {"opening-hours-set"},

		"change-organisation": {"organisation-changed"},
		"change-member":       {"member-changed", "member-retired"},
		"revoke-competence":   {"competence-granted", "competence-revoked", "member-retired"},
		"change-bay":          {"bay-changed", "retired"},
		"withdraw-survey":     {"bay-surveyed", "survey-withdrawn", "retired"},
		"change-instrument":   {"instrument-changed", "retired"},
		"change-fixture":      {"fixture-changed", "retired"},
		"change-dimensions":   {"dimensions-changed", "retired"},
		"revise-procedure":    {"procedure-revised", "retired"},
		"change-webhook":      {"webhook-changed", "retired"},
		"change-interface":    {"interface-changed", "retired"},
	}
	for command := range entries {
		for _, entry := range entries {
			require.Equal(t, slices.Contains(want[command], entry), register.Rules{}.Stale(command, entry), "%s after %s", command, entry)
		}
	}
}

// A plain personal value never becomes an entry, even if whoever drives the rules forgets to seal it.
func TestNothingPersonalPassesUnsealed(t *testing.T) {
	t.Parallel()
	w := full(t)
	plain, keys, err := w.fold.Rules.Admit(stream.Command{Type: "add-member", Data: good()["add-member"]})
	require.NoError(t, err)
	require.Equal(t, []string{"name"}, keys)
	_, err = w.fold.Rules.Decide(w.fold.State, theOwner, stream.Command{Type: "add-member", Data: plain}, nil, now)
	require.ErrorContains(t, err, "not sealed")
	plain, keys, err = w.fold.Rules.Admit(stream.Command{Type: "change-member", Data: good()["change-member"]})
	require.NoError(t, err)
	require.Equal(t, []string{"name"}, keys)
	_, err = w.fold.Rules.Decide(w.fold.State, theOwner, stream.Command{Type: "change-member", Data: plain}, nil, now)
	require.ErrorContains(t, err, "not sealed")
}

func TestApplyRefusesWhatTheseRulesNeverWrite(t *testing.T) {
	t.Parallel()
	w := full(t)
	e := w.must(theOwner, "add-member", good()["add-member"])
	for _, change := range []func(*stream.Entry){
		func(e *stream.Entry) { e.V = 2 },
		func(e *stream.Entry) { e.Type = "bay-added" },
		func(e *stream.Entry) { e.Command.Type = "forget" },
		func(e *stream.Entry) { e.Command.Data = good()["add-member"] },
		func(e *stream.Entry) { e.Command.Data = json.RawMessage(`[]`) },
	} {
		bad := e
		change(&bad)
		_, err := w.fold.Rules.Apply(w.fold.State, bad)
		require.Error(t, err)
	}
}
