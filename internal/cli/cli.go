// Package cli is the command line: one table of commands, one way of saying no, one set of exit statuses.
//
//	0  done: whatever a check's verdict was; a trail that is proven
//	1  refused: the thing asked for does not hold, or may not be done now
//	2  the input or the command line is not usable
//	3  our fault, or the machine's
package cli

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"readback/api/client"
	"readback/internal/fault"
)

// Streams are the program's standard streams.
type Streams struct {
	In  io.Reader
	Out io.Writer
	Err io.Writer
}

// Version is set by the linker.
var Version = "unreleased"

// call is one run of one command.
type call struct {
	Streams
	environ []string
	flags   *flag.FlagSet
}

type command struct {
	name    string
	args    string // after the flags, as usage shows them
	short   string // one line
	long    string // what a user must know, in whole sentences
	example string
	// setup declares flags and returns what runs the command with the arguments left after them.
	setup func(c *call) func(ctx context.Context, args []string) error
}

// commands in the order of the help.
func commands() []command {
	return []command{
		serveCommand, demoCommand, checkCommand, planCommand, procedureCommand, alignmentCommand, codesCommand, announceCommand, relayCommand, verifyCommand, initCommand, migrateCommand, rotateKeysCommand, versionCommand,
	}
}

// errUsage is a wrong command line: the reason was or is printed, exit status 2.
type errUsage struct{ reason string }

func (e errUsage) Error() string { return e.reason }

// errSaid ends a command that has already said what was wrong, with its exit status.
type errSaid struct{ status int }

func (e errSaid) Error() string { return fmt.Sprintf("exit status %d", e.status) }

// Run runs the program in an environment as os.Environ gives it and returns its exit status.
func Run(ctx context.Context, args []string, s Streams, environ []string) int {
	if len(args) == 0 {
		fmt.Fprint(s.Err, overview())
		return 2
	}
	name := args[0]
	switch name {
	case "help", "-h", "-help", "--help":
		if len(args) > 1 {
			name, args = args[1], []string{args[1], "--help"}
			break
		}
		fmt.Fprint(s.Out, overview())
		return 0
	case "--version":
		name = "version"
	}
	for _, cmd := range commands() {
		if cmd.name == name {
			return run(ctx, cmd, args[1:], s, environ)
		}
	}
	fmt.Fprintf(s.Err, "readback: there is no command %q; readback help lists them\n", name)
	return 2
}

func run(ctx context.Context, cmd command, args []string, s Streams, environ []string) int {
	fs := flag.NewFlagSet(cmd.name, flag.ContinueOnError)
	fs.SetOutput(io.Discard)
	do := cmd.setup(&call{Streams: s, environ: environ, flags: fs})
	switch err := parse(fs, &args); {
	case errors.Is(err, flag.ErrHelp):
		fmt.Fprint(s.Out, cmd.help(fs))
		return 0
	case err != nil:
		fmt.Fprintf(s.Err, "readback %s: %v\n", cmd.name, err)
		return 2
	}
	err := do(ctx, args)
	if err == nil {
		return 0
	}
	var said errSaid
	if errors.As(err, &said) {
		return said.status
	}
	var usage errUsage
	if errors.As(err, &usage) {
		fmt.Fprintf(s.Err, "readback %s: %s\n", cmd.name, usage.reason)
		return 2
	}
	complain(s.Err, cmd.name, err, 2)
	return status(err)
}

// complain says a refusal; from so many faults on, each has a line of its own.
func complain(w io.Writer, name string, err error, lines int) {
	var e *fault.Error
	if !errors.As(err, &e) || len(e.Fields) < lines {
		fmt.Fprintf(w, "readback %s: %s\n", name, say(err))
		return
	}
	fmt.Fprintf(w, "readback %s: %s%s [%s]\n", name, strings.TrimSuffix(err.Error(), e.Error()), e.Detail, e.Slug)
	for _, f := range e.Fields {
		fmt.Fprintf(w, "  %s: %s\n", f.Name, f.Want)
	}
}

// parse takes flags wherever they stand among the arguments, as people type them.
func parse(fs *flag.FlagSet, args *[]string) error {
	var rest []string
	left := *args
	for {
		if err := fs.Parse(left); err != nil {
			return err
		}
		if fs.NArg() == 0 {
			break
		}
		if n := len(left) - fs.NArg(); n > 0 && left[n-1] == "--" {
			rest = append(rest, fs.Args()...)
			break
		}
		rest = append(rest, fs.Arg(0))
		left = fs.Args()[1:]
	}
	*args = rest
	return nil
}

// say writes a refusal for a person: where, sentence, fields, and the slug a program may look for.
func say(err error) string {
	text := err.Error()
	var p *client.Problem
	if errors.As(err, &p) {
		return text + " [" + p.Slug() + "]"
	}
	var e *fault.Error
	if !errors.As(err, &e) {
		return text
	}
	if cause := e.Unwrap(); cause != nil {
		text += " (" + cause.Error() + ")"
	}
	return text + " [" + string(e.Slug) + "]"
}

func status(err error) int {
	var p *client.Problem
	if errors.As(err, &p) {
		return refusedStatus(p)
	}
	var e *fault.Error
	if !errors.As(err, &e) {
		return 3
	}
	switch e.Kind() {
	case fault.Invalid:
		return 2
	case fault.Internal:
		return 3
	default:
		return 1
	}
}

func overview() string {
	var b strings.Builder
	b.WriteString("Readback pairs a workshop bay with a remote specialist, checks from readings where a\n" +
		"calibration target really stands, and keeps a trail that proves it.\n\nCommands:\n")
	for _, c := range commands() {
		fmt.Fprintf(&b, "  %-11s %s\n", c.name, c.short)
	}
	b.WriteString("\nreadback COMMAND --help says more, with an example.\n")
	return b.String()
}

func (cmd command) help(fs *flag.FlagSet) string {
	var b bytes.Buffer
	usage := "readback " + cmd.name
	hasFlags := false
	fs.VisitAll(func(*flag.Flag) { hasFlags = true })
	if hasFlags {
		usage += " [FLAGS]"
	}
	if cmd.args != "" {
		usage += " " + cmd.args
	}
	fmt.Fprintf(&b, "Usage: %s\n\n%s\n", usage, fill(cmd.long, 0))
	if hasFlags {
		b.WriteString("\nFlags:\n")
		fs.VisitAll(func(f *flag.Flag) {
			kind, text := flag.UnquoteUsage(f)
			head := "--" + f.Name
			if kind != "" {
				head += " " + kind
			}
			if f.DefValue != "" && f.DefValue != "false" {
				text += " (default " + f.DefValue + ")"
			}
			if len(head) > 18 {
				head += "\n" + strings.Repeat(" ", 2+18)
			}
			fmt.Fprintf(&b, "  %-18s %s\n", head, fill(text, 21))
		})
	}
	fmt.Fprintf(&b, "\nExample:\n  %s\n", strings.ReplaceAll(cmd.example, "\n", "\n  "))
	return b.String()
}

// columns is the width of what is said in sentences: help and reports.
const columns = 80

// fill breaks a text at spaces so that it fits the columns behind an indent, which its further lines get.
func fill(text string, indent int) string {
	var b strings.Builder
	room := columns - indent
	for i, word := range strings.Fields(text) {
		n := utf8.RuneCountInString(word)
		switch {
		case i == 0:
		case room < n+1:
			b.WriteString("\n" + strings.Repeat(" ", indent))
			room = columns - indent
		default:
			b.WriteByte(' ')
			room--
		}
		b.WriteString(word)
		room -= n
	}
	return b.String()
}
