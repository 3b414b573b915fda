package cli

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"sync"

	"readback/api/client"
)

// maxLine is the longest line of readings, in bytes.
const maxLine = 64 << 10

var relayCommand = command{
	name:  "relay",
	short: "show what a bay's instruments read, for instrument gateways",
	long: "Reads lines from standard input and shows them on a server as what a bay's instruments read now, with the token of\n" +
		"an instrument gateway, which an owner had made. A line is a JSON list of readings in the form of report-readings, or\n" +
		"an object of \"readings\" and \"moved\". They go to the calibration that is being placed in the gateway's bay, and are\n" +
		"captured by nobody but its technician. The newest line counts: lines that come faster than ten a second, or while the\n" +
		"server cannot be reached, take each other's place, and none is sent that is older than a second. Prints one JSON\n" +
		"object each time the calibration is another one, and says on standard error what is in the way. It ends with its\n" +
		"input. The exit status is that of the last line: 1 if it was refused, 3 if nobody answered; and 1 as soon as the\n" +
		"token is refused.",
	example: "laser-lines | readback relay --url https://bay.example --token-file gateway.token",
	setup: func(c *call) func(context.Context, []string) error {
		at := c.flags.String("url", "", "`URL` of the server: https, or http on this machine")
		file := c.flags.String("token-file", "", "`FILE` with the gateway's token")
		return func(ctx context.Context, args []string) error {
			if len(args) != 0 {
				return errUsage{"readings come from standard input"}
			}
			if err := guarded(*at); err != nil {
				return err
			}
			if *file == "" || *file == "-" {
				return errUsage{"--token-file: name the file with the gateway's token; standard input is for readings"}
			}
			token, err := c.token(*file)
			if err != nil {
				return err
			}
			cl, err := client.New(client.Config{URL: *at, Name: "readback-relay/" + Version})
			if err != nil {
				return errUsage{err.Error()}
			}
			defer cl.Close()
			return c.relay(ctx, cl, token)
		}
	},
}

// relay passes on the lines of standard input.
func (c *call) relay(ctx context.Context, cl *client.Client, token string) error {
	says := &changes{to: c.Err}
	calibration := ""
	r := cl.NewRelay(token, func(s client.Shown, err error) {
		if err != nil {
			says.once(say(err))
			return
		}
		says.once("")
		if s.Calibration != calibration {
			calibration = s.Calibration
			json.NewEncoder(c.Out).Encode(map[string]string{"calibration": calibration})
		}
	})
	var usable int
	var broken error
	go func() { // ends with the input, or with the program; its results are there once Run has seen the End
		defer r.End()
		usable, broken = feed(c.In, r, says)
	}()
	err := r.Run(ctx)
	switch {
	case ctx.Err() != nil:
		return nil // told to stop
	case err != nil:
		return err
	case broken != nil:
		return errUsage{"standard input: " + broken.Error()}
	case usable == 0:
		return errUsage{"standard input: no line held readings"}
	}
	return nil
}

// feed shows each line that holds readings, and tells how many these were.
func feed(in io.Reader, r *client.Relay, says *changes) (usable int, err error) {
	lines := bufio.NewScanner(in)
	lines.Buffer(nil, maxLine)
	for n := uint64(1); lines.Scan(); n++ {
		line := bytes.TrimSpace(lines.Bytes())
		if len(line) == 0 {
			continue
		}
		now, err := readingsIn(line)
		if err != nil {
			says.once(fmt.Sprintf("line %d: %v", n, err))
			continue
		}
		now.N = n
		usable++
		r.Show(now)
	}
	return usable, lines.Err()
}

// readingsIn reads one line. What the readings have to be the server says.
func readingsIn(line []byte) (now client.Reading, err error) {
	if line[0] == '[' {
		err = json.Unmarshal(line, &now.Readings)
	} else {
		d := json.NewDecoder(bytes.NewReader(line))
		d.DisallowUnknownFields()
		err = d.Decode(&now)
	}
	if err != nil || len(now.Readings) == 0 {
		return now, fmt.Errorf("want a JSON list of readings, or an object with \"readings\"")
	}
	return now, nil
}

// changes says what is in the way once, until it is something else.
type changes struct {
	to io.Writer

	mu   sync.Mutex // guards what follows
	last string
}

func (s *changes) once(text string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if text != s.last && text != "" {
		fmt.Fprintf(s.to, "readback relay: %s\n", text)
	}
	s.last = text
}
