package stream

import (
	"encoding/json"
	"time"
)

// LiveRules are the Rules of a kind of stream on which instruments show what they read now. A live value is what a
// command with the same readings would come to if it were given now. It makes no entry and changes no state. Like all
// rules these are pure.
type LiveRules interface {
	Rules

	// ReadLive takes a live message's data apart, as strictly as a command's.
	ReadLive(data json.RawMessage) (order any, err error)

	// AdmitLive refuses those who show no readings here, or not now, whatever they read.
	AdmitLive(s State, actor Actor) error

	// LiveNeeds lists the facts that the value may rely on.
	LiveNeeds(s State, actor Actor, order any) []FactKey

	// Live gives the value as JSON shows it, an object; or refuses with a *fault.Error where the command would be refused.
	Live(s State, actor Actor, order any, facts Facts, now time.Time) (any, error)
}
