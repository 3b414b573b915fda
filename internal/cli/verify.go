package cli

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"os"
	"strings"

	"golang.org/x/mod/sumdb/note"

	"readback/internal/app"
	"readback/internal/fault"
	"readback/internal/proof"
	"readback/internal/trail"
)

var verifyCommand = command{
	name:  "verify",
	args:  "BUNDLE",
	short: "prove a trail, from a bundle or the whole database",
	long: "Verifies a bundle off-line, or with --database every stream of the database (DATABASE_URL, or the private\n" +
		"cluster): the chain of hashes, every entry decided again from the state before it, every verdict computed\n" +
		"again, photos, signed heads. It names the first bad entry and why. Without --key the signer of a bundle is unproven: take\n" +
		"the key from somewhere the server that made the bundle cannot change.\n" +
		"The exit status is 0 if it is proven, 1 if not, 2 if it cannot be read.",
	example: "readback verify --key signer.txt calibration.zip",
	setup: func(c *call) func(context.Context, []string) error {
		keyFile := c.flags.String("key", "", "`FILE` with the verifier keys that are trusted, one a line")
		database := c.flags.Bool("database", false, "verify the database")
		asJSON := c.flags.Bool("json", false, "print the report as JSON")
		return func(ctx context.Context, args []string) error {
			if *database == (len(args) == 1) || len(args) > 1 {
				return errUsage{"name one bundle, or give --database"}
			}
			report, err := c.verify(ctx, args, *keyFile)
			if err != nil {
				return err
			}
			if *asJSON {
				err = json.NewEncoder(c.Out).Encode(report)
			} else {
				_, err = fmt.Fprint(c.Out, inColumns(report.String()))
			}
			if err == nil && !report.Proven() {
				return errSaid{1}
			}
			return err
		}
	},
}

// inColumns breaks the lines of a report that are too long; what goes on of one stands two columns further in.
func inColumns(text string) string {
	var b strings.Builder
	for line := range strings.Lines(text) {
		body := strings.TrimLeft(line, " ")
		indent := len(line) - len(body)
		b.WriteString(line[:indent] + fill(body, indent+2) + "\n")
	}
	return b.String()
}

func (c *call) verify(ctx context.Context, args []string, keyFile string) (proof.Report, error) {
	var trusted []note.Verifier
	if keyFile != "" {
		text, err := os.ReadFile(keyFile)
		if err != nil {
			return proof.Report{}, errUsage{err.Error()}
		}
		if trusted, err = proof.ParseKeys(text); err != nil {
			return proof.Report{}, fmt.Errorf("%s: %w", keyFile, err)
		}
	}
	if len(args) == 0 {
		cfg, log, err := c.settings(slog.LevelWarn)
		if err != nil {
			return proof.Report{}, err
		}
		return app.VerifyDatabase(ctx, cfg, log)
	}
	info, err := os.Stat(args[0])
	if err != nil {
		return proof.Report{}, errUsage{err.Error()}
	}
	if info.Size() > trail.MaxBundle {
		return proof.Report{}, fmt.Errorf("%s: %w", args[0], fault.New(fault.TooLarge, fmt.Sprintf("A bundle is at most %d MiB.", trail.MaxBundle>>20)))
	}
	data, err := os.ReadFile(args[0])
	if err != nil {
		return proof.Report{}, errUsage{err.Error()}
	}
	report, err := proof.Bundle(data, app.ProofOptions(trusted))
	if err != nil {
		return proof.Report{}, fmt.Errorf("%s: %w", args[0], err)
	}
	return report, nil
}
