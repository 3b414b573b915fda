package calibration

import (
	"encoding/hex"
	"fmt"
	"time"

	"readback/internal/stream"
	"readback/internal/strict"
)

// HandOver records that the notice of a calibration that was not completed reached the customer, or was refused. The
// notice itself is made from the state and can be made again; SHA256 says which text it was.
type HandOver struct {
	To       string    `json:"to"`
	How      string    `json:"how"`
	Language string    `json:"language"`
	SHA256   string    `json:"sha256"` // of the text that was handed over, lower-case hexadecimal
	Refused  bool      `json:"refused,omitempty"`
	By       stream.By `json:"by"`
	At       time.Time `json:"at"`
}

// NoticeLanguages are the languages the notice is made in.
var NoticeLanguages = []string{"en", "de"}

// ShopNamed is what the shop's register said of it when the calibration last relied on that.
func (s *State) ShopNamed() (name, phone string) {
	o, _ := fact[struct {
		Name  string `json:"name"`
		Phone string `json:"phone"`
	}](s.held, organisationKey(s.shop))
	return o.Name, o.Phone
}

// Notice is the hand-over of the notice; false before it.
func (s *State) Notice() (HandOver, bool) {
	if s.notice == nil {
		return HandOver{}, false
	}
	return *s.notice, true
}

// NoticeDue reports whether the calibration may not be closed before the customer has the notice: the car leaves with a
// sensor that is affected and was not calibrated.
func (s *State) NoticeDue() bool {
	return s.result != nil && (s.result.Outcome == NotCompleted || s.result.Outcome == Interrupted)
}

type handOverOrder struct {
	To       string `json:"to"`
	How      string `json:"how"`
	Language string `json:"language"`
	SHA256   string `json:"sha256"`
	Refused  bool   `json:"refused"`
}

func readHandOver(o *strict.Object, _ bool) any {
	h := handOverOrder{
		To: o.Enum("to", "customer", "keeper", "work-provider"), How: o.Enum("how", "in-hand", "message", "post"),
		Language: o.Enum("language", NoticeLanguages...), SHA256: o.String("sha256", 64), Refused: o.OptBool("refused", false),
	}
	raw, err := hex.DecodeString(h.SHA256)
	if h.SHA256 != "" && (err != nil || len(raw) != 32 || hex.EncodeToString(raw) != h.SHA256) {
		o.Reject("sha256", "the SHA-256 of the notice as it was handed over: 64 hexadecimal digits in lower case")
	}
	return h
}

func decideHandOver(a *asked) (stream.Decision, error) { return a.entry(nil) }

func applyHandedOver(s *State, e stream.Entry) error {
	var o handOverOrder
	if err := parse(e, &o, nil); err != nil {
		return err
	}
	s.notice = &HandOver{To: o.To, How: o.How, Language: o.Language, SHA256: o.SHA256, Refused: o.Refused, By: e.By, At: e.At}
	return nil
}

var notCompletedHere = guard{"not-completed", "the outcome is another than completed", func(a *asked) string {
	if a.state.result.Outcome == Completed {
		return "The calibration was completed: there is no notice to hand over."
	}
	return ""
}}

var noticeHanded = guard{"notice-handed", "for not completed and interrupted: the handing over of the customer's notice is recorded", func(a *asked) string {
	if !a.state.NoticeDue() || a.state.notice != nil {
		return ""
	}
	return fmt.Sprintf("The calibration was declared %s: hand the written notice to the customer and record it first.", a.state.result.Outcome)
}}
