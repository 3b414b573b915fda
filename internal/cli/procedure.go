package cli

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"

	"readback/internal/procedure"
	"readback/internal/yamljson"
)

var procedureCommand = command{
	name:  "procedure",
	args:  "check FILE…",
	short: "check procedures as they are written, in YAML or JSON",
	long: "Reads procedures (docs/procedures.md; - is standard input) and says in plain words what each holds, to be\n" +
		"read against its source; with --json it prints, a line for each, the document in whole numbers, as the\n" +
		"commands add-procedure and revise-procedure take it. The exit status is 2 if a file is not usable: every\n" +
		"fault goes to standard error, with its key and line, and the other files are still checked.",
	example: "readback procedure check testdata/procedures/front-camera.yaml",
	setup: func(c *call) func(context.Context, []string) error {
		asJSON := c.flags.Bool("json", false, "print the form that commands carry")
		return func(ctx context.Context, args []string) error {
			if len(args) == 0 || args[0] != "check" {
				return errUsage{"say check, and name a file"}
			}
			return c.checkProcedures(ctx, args[1:], *asJSON)
		}
	},
}

func (c *call) checkProcedures(ctx context.Context, files []string, asJSON bool) error {
	if len(files) == 0 {
		return errUsage{"name a file, or - for standard input"}
	}
	worst := 0
	for _, file := range files {
		if err := ctx.Err(); err != nil {
			return err
		}
		raw, err := c.read(file, yamljson.MaxBytes)
		var text string
		if err == nil {
			text, err = sayProcedure(raw, asJSON)
		}
		if err != nil {
			complain(c.Err, "procedure", where(file, err), 1)
			worst = max(worst, fileStatus(err))
			continue
		}
		if _, err := fmt.Fprint(c.Out, text); err != nil {
			return fmt.Errorf("write what %s holds: %w", file, err)
		}
	}
	if worst > 0 {
		return errSaid{worst}
	}
	return nil
}

func sayProcedure(raw []byte, asJSON bool) (string, error) {
	p, err := readProcedure(raw)
	if err != nil {
		return "", err
	}
	if !asJSON {
		return p.Describe(), nil
	}
	whole, err := p.Whole()
	return string(whole) + "\n", err
}

// readProcedure reads a document in YAML or, as it stands, in JSON.
func readProcedure(raw []byte) (procedure.Procedure, error) {
	if trimmed := bytes.TrimSpace(raw); json.Valid(trimmed) {
		return procedure.Decode(trimmed, "")
	}
	doc, err := yamljson.Convert(raw)
	if err != nil {
		return procedure.Procedure{}, err
	}
	p, err := procedure.Decode(doc.JSON, "")
	return p, doc.Locate(err)
}
