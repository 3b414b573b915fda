package cli

import (
	"context"
	"encoding/json"
	"fmt"

	"readback/internal/vehicle"
)

var alignmentCommand = command{
	name:  "alignment",
	args:  "check FILE…",
	short: "read wheel alignments from CSV or JSON",
	long: "Reads wheel alignment files (- is standard input) and prints one JSON object a line, in order: toe, camber\n" +
		"and caster of each wheel in microdegrees, and the thrust angle that the rear toes give, positive to the\n" +
		"right. Degrees, minutes and toe in mm at a stated diameter are taken; docs/job.md describes the columns.\n" +
		"A stated thrust angle that contradicts the rear toes is refused with both. The exit status is 2 if a\n" +
		"file is not usable, and the other files are still read.",
	example: "readback alignment check testdata/alignment/degrees.csv",
	setup: func(c *call) func(context.Context, []string) error {
		read := func(raw []byte) (any, error) {
			got, err := vehicle.ReadAlignmentFile(raw)
			return map[string]any{"alignments": got}, err
		}
		each := eachFile(c, "alignment", vehicle.MostAlignmentBytes, read)
		return func(ctx context.Context, args []string) error {
			if len(args) == 0 || args[0] != "check" {
				return errUsage{"say what to do: check FILE…"}
			}
			return each(ctx, args[1:])
		}
	},
}

// maxScan is the largest pasted scan read, in bytes.
const maxScan = 256 << 10

var codesCommand = command{
	name:  "codes",
	args:  "FILE [AFTER]",
	short: "read pasted trouble codes, or compare two scans",
	long: "Reads a scan in the forms people have it (- is standard input): codes as P0805-11, with a status byte or\n" +
		"without, codes and status as bytes, or a control unit's answer 59 02 …. Prints one JSON object: the codes\n" +
		"with failure type and status in words, and each line that was not understood, with its number. With a\n" +
		"second file it prints what is gone, what is still there and what is new in that one; lines that were not\n" +
		"understood then go to standard error, and the exit status is 1, because the comparison may lack a code.",
	example: "readback codes before.txt after.txt",
	setup: func(c *call) func(context.Context, []string) error {
		return func(_ context.Context, files []string) error {
			out := json.NewEncoder(c.Out)
			out.SetEscapeHTML(false)
			switch len(files) {
			case 1:
				l, err := c.listing(files[0])
				if err != nil {
					return err
				}
				return out.Encode(l)
			case 2:
				return c.compare(out, files[0], files[1])
			}
			return errUsage{"name one scan, or one before and one after"}
		}
	},
}

// listing reads one file of codes.
func (c *call) listing(file string) (vehicle.Listing, error) {
	raw, err := c.read(file, maxScan)
	if err != nil {
		fmt.Fprintf(c.Err, "readback codes: %s\n", say(where(file, err)))
		return vehicle.Listing{}, errSaid{fileStatus(err)}
	}
	return vehicle.ReadListing(string(raw)), nil
}

func (c *call) compare(out *json.Encoder, before, after string) error {
	var scans [2][]vehicle.Reported
	lacking := false
	for i, file := range []string{before, after} {
		l, err := c.listing(file)
		if err != nil {
			return err
		}
		for _, n := range l.NotRead {
			fmt.Fprintf(c.Err, "readback codes: %s: line %d is not understood: %s: %q\n", file, n.Line, n.Why, n.Text)
		}
		lacking = lacking || len(l.NotRead) > 0 || l.Incomplete
		scans[i] = l.Reported()
	}
	if err := out.Encode(vehicle.Differ(scans[0], scans[1])); err != nil {
		return fmt.Errorf("write the comparison: %w", err)
	}
	if lacking {
		return errSaid{1}
	}
	return nil
}
