package cli

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"

	"readback/internal/app"
	"readback/internal/config"
)

// settings loads the configuration and a log that writes to standard error: text for a terminal, JSON otherwise.
// quiet is the level if none is set.
func (c *call) settings(quiet slog.Level) (config.Config, *slog.Logger, error) {
	cfg, err := config.Load(c.environ, quiet)
	if err != nil {
		return cfg, nil, errUsage{"settings: " + err.Error()}
	}
	options := &slog.HandlerOptions{Level: cfg.LogLevel}
	var h slog.Handler = slog.NewJSONHandler(c.Err, options)
	if f, ok := c.Err.(*os.File); ok && isTerminal(f) {
		h = slog.NewTextHandler(c.Err, options)
	}
	return cfg, slog.New(h), nil
}

func isTerminal(f *os.File) bool {
	st, err := f.Stat()
	return err == nil && st.Mode()&os.ModeCharDevice != 0
}

var serveCommand = command{
	name:  "serve",
	short: "serve bays and desks",
	long: "Serves the HTTP interface and the websocket until it is stopped (Ctrl-C or SIGTERM); then it lets running\n" +
		"commands finish and tells the clients to come back. Settings are environment variables, listed in\n" +
		"docs/operations.md. There are no accounts before readback init.",
	example: "READBACK_LISTEN=127.0.0.1:8420 readback serve",
	setup: func(c *call) func(context.Context, []string) error {
		tied := c.flags.Bool("while-stdin-open", false, "stop when standard input closes, as it does when the parent ends")
		return func(ctx context.Context, args []string) error {
			if len(args) > 0 {
				return errUsage{"serve takes no arguments; settings are environment variables"}
			}
			cfg, log, err := c.settings(slog.LevelInfo)
			if err != nil {
				return err
			}
			if *tied {
				var stop context.CancelFunc
				ctx, stop = context.WithCancel(ctx)
				go func() {
					io.Copy(io.Discard, c.In)
					stop()
				}()
			}
			return app.Serve(ctx, cfg, log, Version, func(url string) {
				fmt.Fprintf(c.Out, "Readback serves on %s\n", url)
			})
		}
	},
}

var migrateCommand = command{
	name:  "migrate",
	short: "bring the database's tables up to date",
	long: "Makes or updates the roles and tables in the database of DATABASE_URL, whose user must be allowed to; otherwise\n" +
		"it prints what an administrator has to run. Several may run it at once. The private cluster needs no migrate.",
	example: "DATABASE_URL=postgres://admin@db.example/readback readback migrate",
	setup: func(c *call) func(context.Context, []string) error {
		login := c.flags.String("login", "", "`ROLE` that the server will connect as, if another one")
		return func(ctx context.Context, args []string) error {
			if len(args) > 0 {
				return errUsage{"migrate takes no arguments"}
			}
			cfg, _, err := c.settings(slog.LevelWarn)
			if err != nil {
				return err
			}
			if cfg.DatabaseURL == "" {
				return errUsage{"set DATABASE_URL; the private cluster migrates itself"}
			}
			applied, err := app.Migrate(ctx, cfg, *login)
			if err != nil {
				return err
			}
			if len(applied) == 0 {
				fmt.Fprintln(c.Out, "up to date, nothing to do")
			}
			for _, file := range applied {
				fmt.Fprintln(c.Out, "applied", file)
			}
			return nil
		}
	},
}

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// many is a flag that may be given several times.
type many []string

func (m *many) String() string     { return "" }
func (m *many) Set(v string) error { *m = append(*m, v); return nil }

var initCommand = command{
	name:  "init",
	short: "set up the first organisation, or import some",
	long: "Sets up organisations from import documents (docs/import.md): register, members, bays, instruments, and an\n" +
		"account for every member whose document gives a sign-in. Without --import it sets up one organisation with\n" +
		"its first owner and prints the password it made. The same again does nothing, or what an earlier run left undone.\n" +
		"With --new-password it gives the member who signs in as --sign-in a new password and prints that.\n" +
		"With DATABASE_URL it may run while others serve; with the private cluster run it before serve.",
	example: "readback init --import shop.json --import desk.json\n" +
		"readback init --organisation \"Demo Workshop (invented)\" --sort shop \\\n" +
		"  --owner \"A. Owner\" --sign-in owner@shop.example\n" +
		"readback init --organisation \"Demo Workshop (invented)\" \\\n  --sign-in owner@shop.example --new-password",
	setup: func(c *call) func(context.Context, []string) error {
		var files many
		c.flags.Var(&files, "import", "`FILE` to import; may be given several times")
		first := app.FirstOwner{}
		c.flags.StringVar(&first.Organisation, "organisation", "", "`NAME` of the organisation")
		c.flags.StringVar(&first.Sort, "sort", "shop", "`SORT`: shop or desk")
		c.flags.StringVar(&first.Owner, "owner", "", "`NAME` of the first owner")
		c.flags.StringVar(&first.Login, "sign-in", "", "`NAME` the owner signs in with")
		again := c.flags.Bool("new-password", false, "make a new password for the sign-in that is there")
		return func(ctx context.Context, args []string) error {
			if len(args) > 0 {
				return errUsage{"init takes no arguments; import documents are given with --import"}
			}
			if *again && (len(files) > 0 || first.Organisation == "" || first.Login == "") {
				return errUsage{"--new-password goes with --organisation and --sign-in, without --import"}
			}
			if !*again && len(files) == 0 && (first.Organisation == "" || first.Owner == "" || first.Login == "") {
				return errUsage{"give --import FILE, or --organisation, --owner and --sign-in"}
			}
			cfg, log, err := c.settings(slog.LevelWarn)
			if err != nil {
				return err
			}
			if *again {
				return app.NewPassword(ctx, cfg, log, first.Organisation, first.Login, func(password string) {
					fmt.Fprintf(c.Out, "%s signs in with %s from now on\n", first.Login, password)
				})
			}
			var docs []app.Document
			for _, f := range files {
				raw, err := os.ReadFile(f)
				if err != nil {
					return errUsage{err.Error()}
				}
				docs = append(docs, app.Document{File: f, Raw: raw})
			}
			if len(docs) == 0 {
				doc, password, err := first.Document()
				if err != nil {
					return err
				}
				doc.Made = func(login string) { fmt.Fprintf(c.Out, "the owner signs in as %s with %s\n", login, password) }
				docs = append(docs, doc)
			}
			done, err := app.Init(ctx, cfg, log, docs)
			for _, o := range done {
				if o.Entries == 0 && o.Accounts == 0 {
					fmt.Fprintf(c.Out, "%s %q (%s) was set up before; nothing to do\n", o.Sort, o.Name, o.ID)
					continue
				}
				fmt.Fprintf(c.Out, "set up %s %q (%s): %s, %s\n", o.Sort, o.Name, o.ID,
					count(o.Entries, "entry", "entries"), count(o.Accounts, "account", "accounts"))
			}
			return err
		}
	},
}
