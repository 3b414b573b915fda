package demo

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
)

// World says where the invented world is served from.
type World struct {
	Exe    string
	State  string    // state directory; the world is set up in it the first time
	Listen string    // host:port
	Out    io.Writer // where to go and the sign-ins
	Log    io.Writer
}

// worldFile marks a state directory whose world is set up.
const worldFile = "demo-world.json"

// Serve serves the invented world until ctx ends. The same directory gives the same world again.
func Serve(ctx context.Context, o World) error {
	if err := os.MkdirAll(o.State, 0o711); err != nil {
		return err
	}
	w := newWorld(theFirst())
	s := &server{exe: o.Exe, state: o.State, addr: o.Listen}
	mark := filepath.Join(o.State, worldFile)
	if _, err := os.Stat(mark); errors.Is(err, os.ErrNotExist) {
		files, err := w.write(o.State)
		if err != nil {
			return err
		}
		args := []string{"init"}
		for _, f := range files {
			defer os.Remove(f)
			args = append(args, "--import", f)
		}
		if _, err := s.run(ctx, args...); err != nil {
			return err
		}
		if err := os.WriteFile(mark, []byte("{}\n"), 0o644); err != nil {
			return err
		}
	}
	fmt.Fprintf(o.Out, "The invented demo world, in %s. Sign in as\n", o.State)
	for _, p := range w.people {
		fmt.Fprintf(o.Out, "  %-10s  %-22s  password: %s\n", p.role, p.signIn.Login, p.signIn.Password)
	}
	cmd := exec.CommandContext(ctx, o.Exe, "serve")
	cmd.Env, cmd.Stdout, cmd.Stderr = s.environ(), o.Out, o.Log
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true} // it gets one signal, from here
	cmd.Cancel = func() error { return cmd.Process.Signal(syscall.SIGTERM) }
	err := cmd.Run()
	if ctx.Err() != nil {
		return nil
	}
	return err
}
