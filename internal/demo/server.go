package demo

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"time"
)

// server is a child process: the program's own `serve` with a state directory of its own. It stops by itself when this
// process ends, however it ends, because its standard input closes then.
type server struct {
	exe   string
	state string // state directory
	addr  string // host:port; of the first start, then kept
	cmd   *exec.Cmd
	stdin io.Closer
	log   *os.File
}

// newServer prepares a server in dir, which must be empty and is the caller's to remove.
func newServer(exe, dir string) (*server, error) {
	log, err := os.Create(filepath.Join(dir, "server.log"))
	if err != nil {
		return nil, err
	}
	return &server{exe: exe, state: filepath.Join(dir, "state"), addr: "127.0.0.1:0", log: log}, nil
}

// environ is ours without the settings that would lead the child to another database or another state.
func (s *server) environ() []string {
	var env []string
	for _, kv := range os.Environ() {
		if !strings.HasPrefix(kv, "READBACK_") && !strings.HasPrefix(kv, "DATABASE_URL=") && !strings.HasPrefix(kv, "PG") {
			env = append(env, kv)
		}
	}
	return append(env, "READBACK_STATE_DIR="+s.state, "READBACK_LISTEN="+s.addr, "READBACK_LOG=warn")
}

// run runs one command of the program to its end and gives what it printed.
func (s *server) run(ctx context.Context, args ...string) (string, error) {
	cmd := exec.CommandContext(ctx, s.exe, args...)
	cmd.Env = s.environ()
	out, err := cmd.Output()
	var exit *exec.ExitError
	if errors.As(err, &exit) {
		return string(out), fmt.Errorf("readback %s: %w: %s", args[0], err, strings.TrimSpace(string(exit.Stderr)))
	}
	return string(out), err
}

// start starts serving and returns once the address is known, which is when commands are taken.
func (s *server) start(ctx context.Context) error {
	cmd := exec.Command(s.exe, "serve", "--while-stdin-open")
	cmd.Env = s.environ()
	cmd.Stderr = s.log
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true} // Ctrl-C is ours to pass on
	stdin, err := cmd.StdinPipe()
	if err != nil {
		return err
	}
	stdout, err := cmd.StdoutPipe()
	if err != nil {
		return err
	}
	if err := cmd.Start(); err != nil {
		return fmt.Errorf("start the server: %w", err)
	}
	s.cmd, s.stdin = cmd, stdin
	where := make(chan string, 1)
	go func() {
		lines := bufio.NewScanner(stdout)
		for lines.Scan() {
			if _, at, ok := strings.Cut(lines.Text(), "http://"); ok {
				where <- at
				break
			}
		}
		close(where)
		io.Copy(io.Discard, stdout)
	}()
	select {
	case at, ok := <-where:
		if !ok {
			cmd.Wait()
			return fmt.Errorf("the server did not start; it said: %s", s.said())
		}
		s.addr = strings.TrimSuffix(at, "/")
		return nil
	case <-ctx.Done():
		s.kill()
		return ctx.Err()
	}
}

// said is the end of the server's log.
func (s *server) said() string {
	b, _ := os.ReadFile(s.log.Name())
	if len(b) > 2000 {
		b = b[len(b)-2000:]
	}
	return strings.TrimSpace(string(b))
}

// kill ends the server as a power cut does, and waits until it is gone.
func (s *server) kill() {
	s.cmd.Process.Kill()
	s.cmd.Wait()
}

// stop lets the server end by itself.
func (s *server) stop() error {
	s.stdin.Close()
	done := make(chan error, 1)
	go func() { done <- s.cmd.Wait() }()
	select {
	case err := <-done:
		return err
	case <-time.After(20 * time.Second):
		s.cmd.Process.Kill()
		<-done
		return errors.New("the server did not stop within 20 s")
	}
}

func (s *server) url() string { return "http://" + s.addr }
