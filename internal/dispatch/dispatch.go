// Package dispatch says in which order waiting calibrations are taken, who may take which and why not, when a desk is
// open, and how long the wait will be.
//
// What always holds:
//
//   - The order is one key per request, its due time, which only the request itself changes: nobody's place moves because
//     time passes, and nothing waits for ever, since whatever is asked later is due later in the end.
//   - Every place and every "not you" comes with a reason, as a code for programs and as a sentence for people.
//   - A wait is a range with the chance that it holds, taken from what earlier waits turned out to be; or it is
//     "nobody on duty", with the next opening.
//
// Everything here is a pure function of its arguments: no clock, no store. Values are never kept.
package dispatch

// Reason is a reason as a code, which is published and never given another meaning, and in plain words.
type Reason struct {
	Code  string `json:"code"`
	Words string `json:"words"`
}
