package live

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"io"
	"log/slog"
	"time"

	"readback/internal/stream"
)

// Config is what a Hub is made of. Store, Keys and Rules are needed; the zero value of everything else means the
// default named beside it.
type Config struct {
	Store Store
	Bus   Bus // none: this node is alone
	Keys  Keys
	Rules map[stream.Kind]stream.Rules

	// Photos keeps photos. Without it there are none, and commands that name one are taken at their word.
	Photos Photos

	// Opening names the command that makes a stream of the kind. Any other is answered as if nothing were there.
	Opening map[stream.Kind]string // open-organisation, open-job, open

	// Belonging gives the streams that belong to one, as a job's calibrations do. Who is something to one of those is the
	// same to the one that they belong to. Without it only a stream's own people see it.
	Belonging func(ctx context.Context, owner stream.Ref) ([]stream.Ref, error)

	// Clues, if set, gives what the stream of an admitted command is to be found by because of it: sealed values, each with its
	// name before it. See trail.Clue.
	Clues func(kind stream.Kind, cmd stream.Command) []string

	// Fit, if set, is asked before each command; its error is the refusal. It must be quick.
	Fit func() error

	// Changed, if set, is called with the organisation whose register has a new entry, as far as its register is open here. It
	// must not block.
	Changed func(org stream.ID)

	// Urgent names the commands that end or stop work. Neither Fit nor a clock that is off refuses them, and they go ahead
	// of the commands that wait for their stream.
	Urgent map[string]bool

	// Adds names commands that the server completes with what it knows and no stream gives, under a key at the top of the
	// data that senders may not use. It is called for a command that was admitted, with its data as they are without that, by
	// the stream's goroutine, so it must be quick and may ask the hub for Peek only. Nothing to add is an empty key.
	Adds map[string]func(ctx context.Context, state stream.State, data json.RawMessage) (key string, value any)

	Now    func() time.Time // time.Now
	Random io.Reader        // crypto/rand.Reader
	NewID  func() stream.ID // of new keys and photos; stream.NewID
	Log    *slog.Logger     // slog.Default()

	MostOpen      int           // streams open at once; 20,000
	MostFollowers int           // of one stream; 64; see share
	MostWaiting   int           // commands and followers that wait for one stream, and urgent commands beside them; 32; see share
	MostEntries   int           // of one job or calibration; 20,000
	MostBytes     int           // of these entries together; 48 MiB
	MostRecent    int           // entries of an open stream kept at hand for followers that come back; 16
	IdleAfter     time.Duration // a stream that nobody used so long, up to twice as long, closes; 1 minute
	Patience      time.Duration // with the Store, for one command; 15 s
	KeyAge        time.Duration // how long an unwrapped key is kept; destroying it works everywhere by then; 1 minute
	ClockEvery    time.Duration // how often the clock is compared with the Store's; 30 s
}

func (c *Config) defaults() {
	if c.Opening == nil {
		c.Opening = map[stream.Kind]string{stream.Register: "open-organisation", stream.Job: "open-job", stream.Calibration: "open"}
	}
	if c.Now == nil {
		c.Now = time.Now
	}
	if c.Random == nil {
		c.Random = rand.Reader
	}
	if c.NewID == nil {
		c.NewID = stream.NewID
	}
	if c.Log == nil {
		c.Log = slog.Default()
	}
	c.MostOpen = orDefault(c.MostOpen, 20_000)
	c.MostFollowers = orDefault(c.MostFollowers, 64)
	c.MostWaiting = orDefault(c.MostWaiting, 32)
	c.MostEntries = orDefault(c.MostEntries, 20_000)
	c.MostBytes = orDefault(c.MostBytes, 48<<20)
	c.MostRecent = orDefault(c.MostRecent, 16)
	c.IdleAfter = orDefault(c.IdleAfter, time.Minute)
	c.Patience = orDefault(c.Patience, 15*time.Second)
	c.KeyAge = orDefault(c.KeyAge, time.Minute)
	c.ClockEvery = orDefault(c.ClockEvery, 30*time.Second)
}

func orDefault[T int | time.Duration](v, d T) T {
	if v == 0 {
		return d
	}
	return v
}
