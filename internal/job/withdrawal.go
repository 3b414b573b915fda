package job

import (
	"encoding/json"
	"strings"
	"time"

	"readback/internal/stream"
	"readback/internal/strict"
)

// Withdrawal ends a job without its work: its calibrations learn of it with their next command, and are withdrawn.
type Withdrawal struct {
	Seq    uint64        `json:"seq"` // of its entry
	At     time.Time     `json:"at"`
	By     stream.By     `json:"by"`
	Cause  string        `json:"cause"`
	Reason stream.Sealed `json:"reason"`
}

// withdrawals are why a job is given up.
var withdrawals = []string{"wrong-car", "car-left", "opened-twice", "not-wanted", "other"}

type withdrawing struct {
	Cause  string          `json:"cause"`
	Reason json.RawMessage `json:"reason"` // plain until it is sealed
}

func readWithdrawal(o *strict.Object) any {
	return withdrawing{Cause: o.Enum("cause", withdrawals...), Reason: readReason(o, "reason")}
}

// readReason reads a required text in people's own words.
func readReason(o *strict.Object, key string) json.RawMessage {
	text := o.Text(key, 2000)
	if given := text != "" || string(o.OptRaw(key)) == `""`; given && strings.TrimSpace(text) == "" {
		o.Reject(key, "a text of 1 to 2000 characters")
	}
	return personal(text)
}

func withdraw(s *State, e stream.Entry) error {
	d, err := stream.DecodeData[withdrawing](e.Command)
	if err != nil {
		return err
	}
	reason, err := stream.ReadSealed(d.Reason)
	if err != nil {
		return err
	}
	s.withdrawn, s.describedAt = &Withdrawal{Seq: e.Seq, At: e.At, By: e.By, Cause: d.Cause, Reason: reason}, e.Seq
	return nil
}
