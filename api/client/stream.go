package client

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/url"
	"time"

	"github.com/google/uuid"
)

// Ref names a stream: a register, a job or a calibration.
type Ref struct {
	Kind string `json:"kind"`
	ID   string `json:"id"`
}

func (r Ref) String() string { return r.Kind + "/" + r.ID }

// path is where HTTP has the stream.
func (r Ref) path() string { return "/v1/" + r.Kind + "s/" + r.ID }

// NewID makes an id for a stream or a command: a UUIDv7 in lower case.
func NewID() string { return uuid.Must(uuid.NewV7()).String() }

// Command asks for one change of a stream.
type Command struct {
	ID   string `json:"id"`   // chosen by the sender; Do makes one if it is empty
	Base uint64 `json:"base"` // number of the last entry the sender has seen
	Type string `json:"type"`
	Data any    `json:"data"` // encodes as a JSON object; nil stands for {}
}

// Receipt answers an accepted command: the entry it made.
type Receipt struct {
	Seq      uint64    `json:"seq"`
	Hash     string    `json:"hash"`
	Type     string    `json:"type"`
	At       time.Time `json:"at"`
	Repeated bool      `json:"repeated"` // the command had been accepted before; this is its first answer
}

// Entry is one entry of a stream's trail.
type Entry struct {
	Seq    uint64            `json:"seq"`
	Hash   string            `json:"hash"`
	Body   json.RawMessage   `json:"body"`   // the very bytes that were hashed
	Opened map[string]string `json:"opened"` // personal values in plain text, by JSON pointer into Body
}

// Person is somebody who takes part in a stream now.
type Person struct {
	Member   string   `json:"member"`
	Org      string   `json:"org"`
	Roles    []string `json:"roles"`
	Relation string   `json:"relation"`
}

// filled is the command as it is sent: every time the same bytes.
func (cmd Command) filled() (Command, error) {
	if cmd.ID == "" {
		cmd.ID = NewID()
	}
	if cmd.Data == nil {
		cmd.Data = struct{}{}
	}
	raw, err := json.Marshal(cmd.Data)
	if err != nil {
		return cmd, fmt.Errorf("command %s: %w", cmd.Type, err)
	}
	cmd.Data = json.RawMessage(raw)
	return cmd, nil
}

// Command gives a command by HTTP. A lost answer is the caller's to ask for again, with the same ID.
func (c *Client) Command(ctx context.Context, ref Ref, cmd Command) (Receipt, error) {
	cmd, err := cmd.filled()
	if err != nil {
		return Receipt{}, err
	}
	var r Receipt
	return r, c.Post(ctx, ref.path()+"/commands", cmd, &r)
}

// Entries gives at most limit entries after the given one, fewer where they are long, and the number of the last one there is.
func (c *Client) Entries(ctx context.Context, ref Ref, after uint64, limit int) (entries []Entry, head uint64, err error) {
	var page struct {
		Entries []Entry
		Head    uint64
	}
	err = c.Get(ctx, fmt.Sprintf("%s/entries?after=%d&limit=%d", ref.path(), after, limit), &page)
	return page.Entries, page.Head, err
}

// View decodes the stream's present state into out.
func (c *Client) View(ctx context.Context, ref Ref, out any) error {
	return c.Get(ctx, ref.path(), out)
}

// Words are a step or a move in words, as the server composes them: the same for every client. The fields up to Limit are
// the parts of the short form.
type Words struct {
	Verb, Position, Figure, Unit, Side, Aid, Datum, Limit string
	Long, Spoken                                          string
	ReadBack                                              string `json:"read_back"` // what to say back
}

// Said is what there is to show and say of a calibration. Step is nil while no step is open.
type Said struct {
	Turn, Verdict string
	Step          *struct {
		Number int
		State  string
		Words
	}
	Moves []Words
}

// Words gives a calibration's present words in a language, such as en, and a unit of length, mm or in.
func (c *Client) Words(ctx context.Context, calibration, language, unit string) (Said, error) {
	var answer struct{ Words Said }
	query := url.Values{"lang": {language}, "unit": {unit}}
	err := c.Get(ctx, "/v1/calibrations/"+calibration+"/words?"+query.Encode(), &answer)
	return answer.Words, err
}

// Bundle writes a calibration's bundle, which verifies off-line, to w.
func (c *Client) Bundle(ctx context.Context, calibration string, w io.Writer) error {
	return c.Download(ctx, "/v1/calibrations/"+calibration+"/bundle", w)
}

// Procedure is a procedure that a calibration can be opened with, in its newest version.
type Procedure struct {
	Register     string `json:"register"`     // whose it is
	Organisation string `json:"organisation"` // the name of that shop or desk
	ID           string `json:"id"`
	Version      int    `json:"version"`
	Digest       string `json:"digest"`
	Title        string `json:"title"`
	Sensor       string `json:"sensor"`
	Source       struct {
		Title, Dated, Version string
	} `json:"source"`
	SetUps []string `json:"set_ups"`
	Drive  bool     `json:"drive"`
	Gates  int      `json:"gates"`

	Document json.RawMessage `json:"procedure"` // whole; Procedures leaves it out
}

// Procedures lists what a calibration of the signed-in member's organisation can be opened with: its own procedures, then
// those of the desks it has an agreement with. sensor may be empty: any.
func (c *Client) Procedures(ctx context.Context, sensor string) ([]Procedure, error) {
	query := url.Values{}
	if sensor != "" {
		query.Set("sensor", sensor)
	}
	var answer struct{ Procedures []Procedure }
	err := c.Get(ctx, "/v1/procedures?"+query.Encode(), &answer)
	return answer.Procedures, err
}

// Procedure gives one of them with its document.
func (c *Client) Procedure(ctx context.Context, register, id string) (p Procedure, err error) {
	query := url.Values{"register": {register}}
	return p, c.Get(ctx, "/v1/procedures/"+url.PathEscape(id)+"?"+query.Encode(), &p)
}
