package cli

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"

	"readback/internal/fault"
	"readback/internal/placement"
)

// maxCase is the largest case file read, in bytes.
const maxCase = 4 << 20

var checkCommand = command{
	name:  "check",
	args:  "FILE…",
	short: "check where a target stands, from case files",
	long: "Reads case files (- is standard input) and prints one JSON result a line, in order: verdict, deviation,\n" +
		"uncertainty, likely wrong readings, moves. Lengths are in mm, angles in degrees, left as seen seated\n" +
		"facing forward. The exit status is 0 whatever the verdict, 2 if a file is not usable: the reason goes\n" +
		"to standard error with the file and the key, and the other files are still checked.",
	example: "readback check testdata/placement/001.case.json",
	setup: func(c *call) func(context.Context, []string) error {
		return eachCase(c, "check", func(cs placement.Case) (any, error) { return placement.Check(cs) })
	},
}

var planCommand = command{
	name:  "plan",
	args:  "FILE",
	short: "plan a set-up before anything is measured",
	long: "Reads a case file whose readings have no values (- is standard input) and prints one JSON object: for\n" +
		"every position the expected value of each reading, how to get there from the position before and from\n" +
		"the centre, the uncertainty to expect and the smallest error that each reading would show.",
	example: "readback plan testdata/placement/001.case.json",
	setup: func(c *call) func(context.Context, []string) error {
		return eachCase(c, "plan", func(cs placement.Case) (any, error) { return placement.Plan(cs) })
	},
}

// eachCase runs do over the case files.
func eachCase(c *call, name string, do func(placement.Case) (any, error)) func(context.Context, []string) error {
	return eachFile(c, name, maxCase, func(raw []byte) (any, error) {
		cs, err := placement.DecodeCase(raw)
		if err != nil {
			return nil, err
		}
		return do(cs)
	})
}

// eachFile runs do over the files, of at most so many bytes, and goes on after one that is not usable.
func eachFile(c *call, name string, most int, do func([]byte) (any, error)) func(context.Context, []string) error {
	return func(ctx context.Context, files []string) error {
		if len(files) == 0 {
			return errUsage{"name a file, or - for standard input"}
		}
		out := json.NewEncoder(c.Out)
		out.SetEscapeHTML(false)
		worst := 0
		for _, file := range files {
			if err := ctx.Err(); err != nil {
				return err
			}
			raw, err := c.read(file, most)
			var result any
			if err == nil {
				result, err = do(raw)
			}
			if err == nil {
				if err := out.Encode(result); err != nil {
					return fmt.Errorf("write the result of %s: %w", file, err)
				}
				continue
			}
			fmt.Fprintf(c.Err, "readback %s: %s\n", name, say(where(file, err)))
			worst = max(worst, fileStatus(err))
		}
		if worst > 0 {
			return errSaid{worst}
		}
		return nil
	}
}

// where names the file in front of what is wrong with it, unless that says so itself.
func where(file string, err error) error {
	var path *fs.PathError
	switch {
	case errors.As(err, &path):
		return err
	case file == "-":
		file = "standard input"
	}
	return fmt.Errorf("%s: %w", file, err)
}

// fileStatus is 2 for whatever the user can mend in a file, an unreadable one included.
func fileStatus(err error) int {
	var e *fault.Error
	if errors.As(err, &e) && e.Kind() == fault.Internal {
		return 3
	}
	return 2
}

// read reads a file, or standard input for -, of at most so many bytes.
func (c *call) read(file string, most int) ([]byte, error) {
	in := c.In
	if file != "-" {
		f, err := os.Open(file)
		if err != nil {
			return nil, err
		}
		defer f.Close()
		in = f
	}
	raw, err := io.ReadAll(io.LimitReader(in, int64(most)+1))
	if err != nil {
		return nil, err
	}
	if len(raw) > most {
		return nil, fault.New(fault.TooLarge, fmt.Sprintf("Such a file is at most %d KiB.", most>>10))
	}
	return raw, nil
}
