package calibration

import (
	"slices"
	"time"

	"readback/internal/dispatch"
	"readback/internal/procedure"
	"readback/internal/stream"
)

// View is the state as clients get it: integers only, nothing personal but what is sealed.
type View struct {
	Calibration stream.ID       `json:"calibration"`
	Seq         uint64          `json:"seq"`
	Shop        stream.ID       `json:"shop"`
	Job         stream.ID       `json:"job"`
	Sensor      string          `json:"sensor"`
	Phase       Phase           `json:"phase"`
	Procedure   *MethodView     `json:"procedure,omitempty"`
	Turn        Turn            `json:"turn"`
	Waits       *Waits          `json:"waits,omitempty"` // the open step, as of now
	Gates       []Gate          `json:"gates"`
	Request     *Request        `json:"request,omitempty"`
	Declined    []Decline       `json:"declined"`
	Claim       *Claim          `json:"claim,omitempty"`
	Technician  *Hand           `json:"technician,omitempty"` // who took over on the shop's side last
	Handovers   []Offer         `json:"handovers"`            // offered and not taken
	Sheet       *SheetView      `json:"sheet,omitempty"`
	Positions   []PositionView  `json:"positions"`
	Place       PlaceView       `json:"place"`
	Steps       []Step          `json:"steps"`
	NextStep    *procedure.Step `json:"next_step,omitempty"` // of the procedure, for the specialist to send
	Word        *WordView       `json:"word,omitempty"`
	Attempts    []Attempt       `json:"attempts"`
	Stop        *Stop           `json:"stop,omitempty"`
	Result      *Result         `json:"result,omitempty"`
	Signs       []Sign          `json:"signs"`
	Notice      *HandOver       `json:"notice,omitempty"`
	Photos      []Photo         `json:"photos"`
	Earlier     []Earlier       `json:"earlier"` // outcomes that were reopened
}

// SheetView is the newest sheet, and whether the specialist has adopted it.
type SheetView struct {
	Sheet
	Adopted bool `json:"adopted"`
}

// PositionView is one position of the newest sheet: where the target shall be, and how far the work has come there.
// Stage and verdict are known where the fixture stands.
type PositionView struct {
	Name    string `json:"name"`
	Here    bool   `json:"here"`
	Stage   Stage  `json:"stage"`
	Verdict string `json:"verdict,omitempty"`
	Run     bool   `json:"run"` // has a completed leg in the open attempt
}

// PlaceView is Place for clients.
type PlaceView struct {
	Position string     `json:"position,omitempty"`
	Stage    Stage      `json:"stage"`
	Standing []Standing `json:"stands"`
	Verdict  *Verdict   `json:"verdict,omitempty"`
	Waived   *Waiver    `json:"waived,omitempty"`
	Closing  []Standing `json:"closing"`
	Closed   *Closing   `json:"closing_verdict,omitempty"`
	ReadAt   *time.Time `json:"read_at,omitempty"`
	Void     string     `json:"void,omitempty"`
}

// WordView is the word that waits for the other side.
type WordView struct {
	Word
	SecondsLeft int `json:"seconds_left"`
}

// Positions lists the newest sheet's positions in order.
func (s *State) Positions() []PositionView {
	out := []PositionView{}
	sheet := s.sheet()
	if sheet == nil {
		return out
	}
	for _, name := range sheet.Positions() {
		p := PositionView{Name: name, Stage: None, Run: s.completed(name)}
		if name == s.place.Position {
			p.Here, p.Stage = true, s.place.Stage
			if s.place.Verdict != nil {
				p.Verdict = s.place.Verdict.Verdict
			}
		}
		out = append(out, p)
	}
	return out
}

// View is the state at a moment.
func (s *State) View(now time.Time) View {
	v := View{
		Calibration: s.id, Seq: s.seq, Shop: s.shop, Job: s.job, Sensor: s.sensor, Phase: s.phase, Turn: s.shownTurn(now), Waits: s.Waits(now),
		Procedure: s.methodView(), Gates: s.gatesAt(now), Request: s.request, Declined: filled(s.declined), Claim: s.claim, Technician: s.hand, Handovers: filled(s.offers),
		Positions: s.Positions(), Steps: filled(s.steps),
		Attempts: filled(s.attempts), Result: s.result, Signs: filled(s.signs),
		Notice: s.notice, Photos: filled(s.photos), Earlier: filled(s.earlier),
		Place: PlaceView{
			Position: s.place.Position, Stage: s.place.Stage, Standing: filled(s.place.Standing), Verdict: s.place.Verdict,
			Waived: s.place.Waived, Closing: filled(s.place.Closing), Closed: s.place.Closed, Void: s.place.Void,
		},
	}
	if !s.place.ReadAt.IsZero() {
		v.Place.ReadAt = &s.place.ReadAt
	}
	if sheet, adopted, ok := s.Sheet(); ok {
		v.Sheet = &SheetView{Sheet: sheet, Adopted: adopted}
	}
	if next, ok := s.NextStep(); ok {
		v.NextStep = &next
	}
	if w, left, ok := s.Words(now); ok {
		v.Word = &WordView{Word: w, SecondsLeft: int(left / time.Second)}
	}
	if stop, ok := s.Stop(); ok {
		v.Stop = &stop
	}
	return v
}

// filled is the list as JSON shows it: empty rather than null.
func filled[T any](list []T) []T {
	if list == nil {
		return []T{}
	}
	return slices.Clone(list)
}

// Row is what lists show of a calibration.
type Row struct {
	Sensor   string     `json:"sensor"`
	Bay      *stream.ID `json:"bay,omitempty"` // of the newest sheet
	Position string     `json:"position,omitempty"`
	Stage    Stage      `json:"stage"`
	Verdict  string     `json:"verdict,omitempty"`
	Attempt  int        `json:"attempt"`
	Drive    string     `json:"drive,omitempty"` // of the open attempt: met or not-met; empty while none is recorded
	Outcome  string     `json:"outcome,omitempty"`
	Turn     Turn       `json:"turn"`
	Queue    *Queue     `json:"queue,omitempty"` // from the request on
}

// Queue is what the queue goes by, and what became of the wait.
type Queue struct {
	Request
	Held     bool       `json:"held,omitempty"`  // the vehicle is held
	Ready    bool       `json:"ready,omitempty"` // the set-up is frozen
	Declined []Decliner `json:"declined_by,omitempty"`
	Desk     *stream.ID `json:"desk,omitempty"`
	Member   *stream.ID `json:"member,omitempty"` // who has claimed it
	Since    *time.Time `json:"since,omitempty"`  // of the claim
	Over     *time.Time `json:"over,omitempty"`   // its outcome stands
}

// Decliner is a specialist who declined the request.
type Decliner struct {
	Desk   stream.ID `json:"desk"`
	Member stream.ID `json:"member"`
}

// DeclinedBy lists who declined the request.
func (q *Queue) DeclinedBy() []stream.Person {
	var all []stream.Person
	for _, d := range q.Declined {
		all = append(all, stream.Person{Org: d.Desk, Member: d.Member})
	}
	return all
}

// Holder is who has claimed it; false while nobody has.
func (q *Queue) Holder() (stream.Person, bool) {
	if q.Desk == nil || q.Member == nil {
		return stream.Person{}, false
	}
	return stream.Person{Org: *q.Desk, Member: *q.Member}, true
}

// Waiting is the request as the order of the queue sees it.
func (q *Queue) Waiting(id stream.ID) dispatch.Waiting {
	w := dispatch.Waiting{Calibration: id, Requested: q.At, Held: q.Held, Ready: q.Ready, Advice: q.Advice}
	if q.Promised != nil {
		w.Promised = *q.Promised
	}
	if q.With != nil {
		w.Lead = *q.With
	}
	return w
}

// Queue is the request with what the queue goes by; nil before guidance was asked for.
func (s *State) Queue() *Queue { return s.queue() }

func (s *State) queue() *Queue {
	if s.request == nil {
		return nil
	}
	q := &Queue{Request: *s.request, Held: s.vehicleHeld(), Ready: s.place.Stage.still()}
	for _, d := range s.declined {
		q.Declined = append(q.Declined, Decliner{d.Desk, d.Member})
	}
	if s.claim != nil {
		q.Desk, q.Member, q.Since = &s.claim.Desk, &s.claim.Member, &s.claim.At
	}
	if s.result != nil {
		q.Over = &s.result.At
	}
	return q
}

// Summary is the row in lists. Its turn is as of the last entry. It names the desk only as long as the claim stands: the row
// goes on changing, and whoever gave the calibration back sees no more than was there until then.
func (Rules) Summary(state stream.State) stream.Summary {
	s := state.(*State)
	row := Row{
		Sensor: s.sensor, Position: s.place.Position, Stage: s.place.Stage, Attempt: len(s.attempts), Turn: s.shownTurn(s.at), Queue: s.queue(),
	}
	if sheet := s.sheet(); sheet != nil {
		row.Bay = &sheet.Bay
	}
	if s.place.Verdict != nil {
		row.Verdict = s.place.Verdict.Verdict
	}
	if s.result != nil {
		row.Outcome = s.result.Outcome
	}
	if open := s.attempt(); open != nil && len(open.Drives) > 0 {
		if row.Drive = "not-met"; s.driven() != nil {
			row.Drive = "met"
		}
	}
	sum := stream.Summary{Org: s.shop, Phase: string(s.phase), Data: row}
	if s.phase != Unopened {
		sum.Job = &s.job
	}
	if s.claim != nil {
		desk := s.claim.Desk
		sum.Desk = &desk
	}
	if s.phase == Waiting {
		due := row.Queue.Waiting(s.id).Due()
		sum.QueuedAt, sum.DueAt = &s.request.At, &due
	}
	return sum
}
