package calibration

import "strings"

// Phase is how far the calibration as a whole has come.
type Phase string

// The phases. Stopped stands beside the others: work goes on from there only when both sides agree to restart.
const (
	Unopened  Phase = "unopened"  // no entry yet
	Preparing Phase = "preparing" // the technician readies car and bay, and may place already
	Waiting   Phase = "waiting"   // guidance is requested and nobody has claimed it
	Guided    Phase = "guided"    // a specialist has claimed it; no routine runs
	Running   Phase = "running"   // a leg of the routine runs: only stop, void, status and its end pass
	Stopped   Phase = "stopped"   // somebody said stop
	Declared  Phase = "declared"  // the outcome stands, signatures are due
	Closed    Phase = "closed"    // until somebody of the shop reopens it
)

// Phases lists every phase in the order a calibration goes through them.
func Phases() []Phase {
	return []Phase{Unopened, Preparing, Waiting, Guided, Running, Stopped, Declared, Closed}
}

// Stage is how far the set-up at the current position has come. Each stage rests on the one before; a void, a new
// sheet and a move to another position drop it to None.
type Stage string

// The stages.
const (
	None   Stage = "none"   // nothing is known of where the target stands
	Placed Stage = "placed" // readings stand, with their verdict
	Locked Stage = "locked" // within limits or waived, and the clamps are tight
	Frozen Stage = "frozen" // fixture and car are not moved from here on; measuring is allowed
	Held   Stage = "held"   // closing readings say that nothing moved
)

// still reports whether the fixture and the car must not be moved.
func (s Stage) still() bool { return s == Frozen || s == Held }

// list writes phases for a sentence.
func list(phases []Phase) string {
	names := make([]string, len(phases))
	for i, p := range phases {
		names[i] = string(p)
	}
	return enumerate(names)
}

// enumerate writes names as a, b or c.
func enumerate(names []string) string {
	if len(names) < 2 {
		return strings.Join(names, "")
	}
	last := len(names) - 1
	return strings.Join(names[:last], ", ") + " or " + names[last]
}
