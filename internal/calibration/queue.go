package calibration

import (
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"time"

	"readback/internal/dispatch"
	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/strict"
)

// Request is what guidance was asked for, and how.
type Request struct {
	At        time.Time  `json:"at"`                   // of the first request; one that comes back keeps it
	Promised  *time.Time `json:"promised,omitempty"`   // the car is promised for
	Languages []string   `json:"languages,omitempty"`  // any of these; none: any language
	With      *stream.ID `json:"with,omitempty"`       // the calibration of the same job that it was asked for with, and that leads
	Advice    bool       `json:"advice,omitempty"`     // a question: no car stands still for it
	Estimate  *Estimate  `json:"estimate,omitempty"`   // what was said of the wait then
	Claimed   *time.Time `json:"claimed,omitempty"`    // what then happened: first claimed at
	WaitedS   *int64     `json:"waited_s,omitempty"`   // the real wait until then, in whole seconds
	RangeHeld *bool      `json:"range_held,omitempty"` // whether it was in the stated range, where one was stated
}

// Estimate is what the server said of the wait when guidance was asked for, in whole seconds. It is no part of what the
// sender gives: the server adds it to the command.
type Estimate struct {
	Nobody  bool              `json:"nobody,omitempty"` // on duty who may take it: then there are no figures
	Opens   *time.Time        `json:"opens,omitempty"`  // the next opening then, as far as it is known
	Why     []dispatch.Reason `json:"why,omitempty"`    // nobody
	LowS    int64             `json:"low_s"`            // from here …
	MiddleS int64             `json:"middle_s"`
	HighS   int64             `json:"high_s"`  // … to here, in four waits of five
	ModelS  int64             `json:"model_s"` // by the line alone
	OnDuty  int               `json:"on_duty"`
	Ahead   int               `json:"ahead"`
	From    int               `json:"from"` // how many earlier waits it comes from
}

// held reports whether a wait was in the stated range; nil where none was stated.
func (e *Estimate) held(waitedS int64) *bool {
	if e == nil || e.Nobody {
		return nil
	}
	held := e.LowS <= waitedS && waitedS <= e.HighS
	return &held
}

type requestOrder struct {
	Promised  *time.Time `json:"promised"`
	Languages []string   `json:"languages"`
	With      *stream.ID `json:"with"`
	Advice    bool       `json:"advice"`
	Estimate  *Estimate  `json:"estimate"`
}

// readRequest reads the estimate only once the server may have added it.
func readRequest(o *strict.Object, admitted bool) any {
	r := requestOrder{Promised: optMoment(o, "promised"), Advice: o.OptBool("advice", false), Languages: o.OptStrings("languages", 1, 8, 3)}
	for i := range r.Languages {
		if !dispatch.IsLanguage(r.Languages, i) {
			o.Reject("languages["+strconv.Itoa(i)+"]", dispatch.LanguageWanted)
		}
	}
	if o.Has("with") {
		id := readID(o, "with")
		r.With = &id
	}
	if admitted && o.Has("estimate") {
		r.Estimate = readEstimate(o.Object("estimate"))
	}
	return r
}

// mostWaitS bounds seconds of waiting: over a year.
const mostWaitS = 40_000_000

func readEstimate(o *strict.Object) *Estimate {
	e := &Estimate{Nobody: o.OptBool("nobody", false), Opens: optMoment(o, "opens")}
	e.LowS, e.MiddleS, e.HighS = o.Int("low_s", 0, mostWaitS), o.Int("middle_s", 0, mostWaitS), o.Int("high_s", 0, mostWaitS)
	e.ModelS = o.Int("model_s", 0, mostWaitS)
	for _, why := range o.OptObjects("why", 1, 4) {
		e.Why = append(e.Why, dispatch.Reason{Code: why.String("code", 40), Words: why.String("words", 1000)})
	}
	e.OnDuty, e.Ahead, e.From = int(o.Int("on_duty", 0, 1e6)), int(o.Int("ahead", 0, 1e6)), int(o.Int("from", 0, 1e6))
	return e
}

// optMoment reads a time in UTC, to the millisecond at the finest, that may be absent.
func optMoment(o *strict.Object, key string) *time.Time {
	if !o.Has(key) {
		return nil
	}
	text := o.String(key, 24)
	at, err := time.Parse(time.RFC3339, text)
	if err != nil || at.Location() != time.UTC || at.Year() < 2000 || at.Year() > 2199 {
		o.Reject(key, "a time in UTC, such as 2026-11-25T14:30:00Z")
		return nil
	}
	return &at
}

func needsRequest(s *State, _ stream.Actor, data any) []stream.FactKey {
	keys := []stream.FactKey{organisationKey(s.shop), s.vehicleKey()}
	if with := data.(requestOrder).With; with != nil {
		keys = append(keys, pairingKey(*with))
	}
	return keys
}

// promiseLate is how long ago a promise may have been: the shop's clock is not the server's, and a form takes a while to fill in.
const promiseLate = 5 * time.Minute

// decideRequest takes no promise that has passed: it is a slip, and would lift the request.
func decideRequest(a *asked) (stream.Decision, error) {
	if p := a.data.(requestOrder).Promised; p != nil && p.Before(a.now.Add(-promiseLate)) {
		return stream.Decision{}, fault.Badly("data.promised", fmt.Sprintf(
			"a time still to come: it is %s now. Leave it out if the car is not promised for a time", a.now.UTC().Format("2006-01-02T15:04Z")))
	}
	return a.entry(nil)
}

func applyRequested(s *State, e stream.Entry) error {
	var o requestOrder
	if err := parse(e, &o, nil); err != nil {
		return err
	}
	s.phase = Waiting
	s.request = &Request{
		At: e.At, Promised: o.Promised, Languages: o.Languages, With: o.With, Advice: o.Advice, Estimate: o.Estimate,
	}
	return nil
}

// Asking is what the queue would go by if guidance were asked for now with the data of the command.
func (s *State) Asking(now time.Time, data json.RawMessage) (*Queue, error) {
	var o requestOrder
	if err := json.Unmarshal(data, &o); err != nil {
		return nil, fmt.Errorf("data of request: %w", err)
	}
	next := *s
	next.request = &Request{At: now, Promised: o.Promised, Languages: o.Languages, With: o.With, Advice: o.Advice}
	return next.queue(), nil
}

func needsClaim(s *State, actor stream.Actor, _ any) []stream.FactKey {
	keys := []stream.FactKey{s.agreementKey(actor.Org), organisationKey(actor.Org), s.vehicleKey(), dutyKey(actor.Org, actor.Member)}
	if s.request != nil && s.request.With != nil {
		keys = append(keys, pairingKey(*s.request.With))
	}
	return keys
}

type claimedDecided struct {
	Cautions []string `json:"cautions,omitempty"`
}

func decideClaim(a *asked) (stream.Decision, error) {
	return a.entry(claimedDecided{Cautions: a.competenceCautions()})
}

func applyClaimed(s *State, e stream.Entry) error {
	s.claim = &Claim{Desk: e.By.Org, Member: e.By.Member, At: e.At}
	earlier := slices.DeleteFunc(slices.Clone(s.desks), func(d stream.ID) bool { return d == e.By.Org })
	s.desks = append(earlier, e.By.Org)
	s.phase = Guided
	if s.owed {
		s.phase, s.owed = Stopped, false
		s.stop = &Stop{Member: s.stop.Member, At: s.stop.At, Resume: Guided}
	}
	if s.request.Claimed == nil {
		r := *s.request
		waited := int64(e.At.Sub(r.At) / time.Second)
		r.Claimed, r.WaitedS, r.RangeHeld = &e.At, &waited, r.Estimate.held(waited)
		s.request = &r
	}
	return nil
}

// returnOrder gives the reason why a specialist hands the calibration back, or declines it.
type returnOrder struct {
	Reason stream.Sealed `json:"reason"`
}

func readReturn(o *strict.Object, sealed bool) any {
	return returnOrder{Reason: freeText(o, "reason", sealed)}
}

func decideReturn(a *asked) (stream.Decision, error) { return a.entry(nil) }

// lapseOrder is the server's: UnheardS is how long nothing had been heard of the specialist.
type lapseOrder struct {
	UnheardS int64 `json:"unheard_s"`
}

func readLapse(o *strict.Object, _ bool) any {
	unheard, _ := o.OptInt("unheard_s", 0, mostWaitS)
	return lapseOrder{unheard}
}

func decideLapse(a *asked) (stream.Decision, error) { return a.entry(nil) }

// applyUnclaimed puts the calibration back into the queue, in the place it had by its request. An attempt that is open
// stays open; a stop that is not lifted stays owed to the next specialist.
func applyUnclaimed(s *State, _ stream.Entry) error {
	s.owed = s.phase == Stopped
	if s.owed {
		s.stop = &Stop{Member: s.stop.Member, At: s.stop.At, Resume: Guided}
	}
	s.claim, s.phase = nil, Waiting
	s.offers = withoutOffer(s.offers, stream.Specialist)
	s.vouchAnew()
	return nil
}

// vouchAnew makes whoever comes next vouch for everything: sheet, target, waivers of the verdict, closing readings.
func (s *State) vouchAnew() {
	s.adopted, s.fitted, s.place.Waived = 0, "", nil
	s.reopen()
}

// Decline is a specialist's no to a request, which stays in the queue and is not offered to that member any more.
type Decline struct {
	Desk   stream.ID     `json:"desk"`
	Member stream.ID     `json:"member"`
	At     time.Time     `json:"at"`
	Reason stream.Sealed `json:"reason"`
}

// Person is who declined.
func (d Decline) Person() stream.Person { return stream.Person{Org: d.Desk, Member: d.Member} }

func needsDecline(s *State, actor stream.Actor, _ any) []stream.FactKey {
	return []stream.FactKey{s.agreementKey(actor.Org)}
}

func decideDecline(a *asked) (stream.Decision, error) { return a.entry(nil) }

func applyDeclined(s *State, e stream.Entry) error {
	var o returnOrder
	if err := parse(e, &o, nil); err != nil {
		return err
	}
	s.declined = appended(s.declined, Decline{Desk: e.By.Org, Member: e.By.Member, At: e.At, Reason: o.Reason})
	return nil
}

// Requested is when guidance was first asked for; zero before that.
func (s *State) Requested() time.Time {
	if s.request == nil {
		return time.Time{}
	}
	return s.request.At
}

// Request is how guidance was asked for; false before that.
func (s *State) Request() (Request, bool) {
	if s.request == nil {
		return Request{}, false
	}
	return *s.request, true
}

// Declined lists who declined the request, the first first.
func (s *State) Declined() []Decline { return slices.Clone(s.declined) }

// vehicleHeld reports whether the vehicle is held: in the middle of an attempt, or stopped.
func (s *State) vehicleHeld() bool { return s.attempt() != nil || s.owed || s.phase == Stopped }
