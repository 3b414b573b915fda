package calibration

import (
	"slices"
	"time"

	"readback/internal/procedure"
	"readback/internal/stream"
)

// State is a calibration as folded from its entries. It is never changed after Apply returned it: Apply copies the
// struct and every list it changes, so any goroutine may read any State.
type State struct {
	id     stream.ID
	seq    uint64
	at     time.Time
	opened time.Time
	shop   stream.ID
	job    stream.ID
	sensor string
	phase  Phase
	held   stream.Facts // newest version of each fact stored so far

	who   stream.Role // of whom something was expected as of the last entry,
	do    string      // what,
	since time.Time   // and since when

	method    *Method              // nil: opened without a procedure
	procedure *procedure.Procedure // the document of method; never changed

	gates    []Gate
	request  *Request    // nil before the first request
	declined []Decline   // in order
	claim    *Claim      // nil while nobody has claimed
	desks    []stream.ID // that claimed it, the last one last
	offers   []Offer     // of hand-overs that wait; one per side at the most
	hand     *Hand       // the technician who took over last; nil while none has
	pairedAt uint64      // number of the entry that last changed the fact "pairing"

	sheets  []Sheet
	adopted int    // number of the sheet the specialist adopted; 0: none
	fitted  string // id of the target that was read back as fitted; "": none
	steps   []Step
	listed  int // number of steps when the newest sheet was issued, or the last attempt ended: the procedure's steps count from there

	place    Place
	words    []Word
	attempts []Attempt

	stop *Stop
	owed bool // a stop was not lifted when its specialist left: the next claim leads back to it

	result  *Result
	signs   []Sign
	notice  *HandOver
	photos  []Photo
	earlier []Earlier // outcomes that were reopened
}

// Place is the set-up at the position where the fixture stands.
type Place struct {
	Position string // name in the newest sheet; "" before there is one
	Stage    Stage
	Standing []Standing // readings that stand, in order of report
	Verdict  *Verdict   // over Standing; nil while nothing stands
	Relied   []Reliance // facts the verdict was computed with
	Waived   *Waiver    // the specialist lets the verdict pass
	Closing  []Standing // closing readings that stand
	Closed   *Closing   // their verdict
	ReadAt   time.Time  // of the last reading, closing ones included
	Void     string     // cause, if a void was the last thing that happened to the set-up
}

// Claim is the specialist who answers for the remote side.
type Claim struct {
	Desk   stream.ID `json:"desk"`
	Member stream.ID `json:"member"`
	At     time.Time `json:"at"`
}

// Person is the specialist.
func (c Claim) Person() stream.Person { return stream.Person{Org: c.Desk, Member: c.Member} }

// ID is the stream's id.
func (s *State) ID() stream.ID { return s.id }

// Seq is the number of the last entry folded.
func (s *State) Seq() uint64 { return s.seq }

// Shop is the organisation whose calibration this is.
func (s *State) Shop() stream.ID { return s.shop }

// Job is the job it belongs to.
func (s *State) Job() stream.ID { return s.job }

// Sensor is the kind of sensor that is calibrated.
func (s *State) Sensor() string { return s.sensor }

// Phase is how far the calibration has come.
func (s *State) Phase() Phase { return s.phase }

// Gates lists the conditions in the order in which they are asked.
func (s *State) Gates() []Gate { return slices.Clone(s.gates) }

// Claim is who claimed it; false while nobody has.
func (s *State) Claim() (Claim, bool) {
	if s.claim == nil {
		return Claim{}, false
	}
	return *s.claim, true
}

// InHand reports whether a specialist works on it.
func (s *State) InHand() bool {
	return s.claim != nil && (s.phase == Guided || s.phase == Running || s.phase == Stopped)
}

// Place is the set-up where the fixture stands now.
func (s *State) Place() Place { return s.place }

// Sheet is the newest set-up sheet and whether the specialist adopted it; false before the first one.
func (s *State) Sheet() (sheet Sheet, adopted, ok bool) {
	if len(s.sheets) == 0 {
		return Sheet{}, false, false
	}
	newest := s.sheets[len(s.sheets)-1]
	return newest, s.adopted == newest.Number, true
}

// OpenStep is the step that is not done yet; false if there is none.
func (s *State) OpenStep() (Step, bool) {
	if n := len(s.steps); n > 0 && s.steps[n-1].Open() {
		return s.steps[n-1], true
	}
	return Step{}, false
}

// Steps lists all steps, withdrawn ones included, numbered from 1.
func (s *State) Steps() []Step { return slices.Clone(s.steps) }

// Attempts lists all attempts, numbered from 1; none is ever overwritten.
func (s *State) Attempts() []Attempt { return slices.Clone(s.attempts) }

// attempt is the attempt still open, or nil.
func (s *State) attempt() *Attempt {
	if n := len(s.attempts); n > 0 && !s.attempts[n-1].Over {
		return &s.attempts[n-1]
	}
	return nil
}

// changeAttempt gives the last attempt to change, in a list of its own.
func (s *State) changeAttempt() *Attempt {
	s.attempts = slices.Clone(s.attempts)
	last := &s.attempts[len(s.attempts)-1]
	last.Legs, last.Drives = slices.Clone(last.Legs), slices.Clone(last.Drives)
	return last
}

// sheet is the newest sheet, or nil.
func (s *State) sheet() *Sheet {
	if len(s.sheets) == 0 {
		return nil
	}
	return &s.sheets[len(s.sheets)-1]
}

// appended adds to a list without touching the backing array that earlier states share.
func appended[T any](list []T, more ...T) []T {
	return append(slices.Clip(list), more...)
}
