package local

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"sort"
	"strconv"
	"strings"
	"syscall"
	"time"

	"readback/internal/fault"
)

// How PostgreSQL's first process understands signals.
const (
	fastStop = syscall.SIGINT  // end the connections, write a checkpoint
	quitStop = syscall.SIGQUIT // end now, recover at the next start
)

// server is the running server of one start.
type server struct {
	*child
	done chan struct{} // closed when the server has ended and its last words are read
	said *serverLog
}

// startServer starts the server and returns when it takes connections.
func startServer(ctx context.Context, h *home, bins binaries, settings map[string]string, log *slog.Logger) (*server, error) {
	args := []string{"-D", h.data()}
	for _, name := range sortedKeys(settings) {
		args = append(args, "-c", name+"="+settings[name])
	}
	cmd := exec.Command(bins.path("postgres"), args...)
	cmd.Dir, cmd.Env = h.dir, environment()
	// With us gone nobody can ask for a slow, orderly end.
	cmd.SysProcAttr = h.owner.attr(quitStop)
	said, w, err := newServerLog(log)
	if err != nil {
		return nil, fmt.Errorf("start the database server: %w", err)
	}
	cmd.Stdout, cmd.Stderr = w, w
	c, err := spawn(cmd)
	w.Close()
	if err != nil {
		said.end()
		return nil, cannotRun(bins.path("postgres"), err)
	}
	s := &server{child: c, done: make(chan struct{}), said: said}
	go func() {
		<-c.done
		said.end()
		close(s.done)
	}()
	if err := s.awaitReady(ctx, filepath.Join(h.data(), "postmaster.pid")); err != nil {
		s.killWithin(stopPatience)
		return nil, err
	}
	return s, nil
}

// awaitReady returns when the server takes connections, has ended, or ctx has.
func (s *server) awaitReady(ctx context.Context, pidFile string) error {
	tick := time.NewTicker(pollEvery)
	defer tick.Stop()
	for {
		ready, err := saysReady(pidFile, s.cmd.Process.Pid)
		if err != nil {
			return err
		}
		if ready {
			return nil
		}
		select {
		case <-tick.C:
		case <-s.done:
			return s.failure()
		case <-ctx.Done():
			return fmt.Errorf("start the database server: %w; it last said: %s", context.Cause(ctx), s.said.lastLine())
		}
	}
}

// saysReady reads the server's own account of itself: line 1 of postmaster.pid is the process, line 8 its state. A
// file of another process is a predecessor's.
func saysReady(pidFile string, pid int) (bool, error) {
	text, err := os.ReadFile(pidFile)
	if errors.Is(err, os.ErrNotExist) {
		return false, nil
	}
	if err != nil {
		return false, unusable(pidFile, err)
	}
	lines := strings.Split(string(text), "\n")
	return len(lines) >= 8 && lines[0] == strconv.Itoa(pid) && strings.TrimSpace(lines[7]) == "ready", nil
}

// failure says why the server ended; it is to be called after done.
func (s *server) failure() error {
	why := s.said.lastFailure()
	said := fmt.Errorf("postgres: %s: %s", s.cmd.ProcessState, strings.Join(s.said.lines(), " | "))
	if saysNoRoom(why) {
		return fault.New(fault.NoRoom, "The database server has no room left on its disk: "+why).Because(said)
	}
	if why == "" {
		why = s.cmd.ProcessState.String()
	}
	return fault.New(fault.NoDatabase, "The database server did not run: "+why).Because(said)
}

// killWithin stops the server at once, with harder means after the time given, and waits for its end.
func (s *server) killWithin(patience time.Duration) {
	s.signal(quitStop)
	harder := time.NewTimer(patience)
	defer harder.Stop()
	select {
	case <-s.done:
	case <-harder.C:
		s.signal(syscall.SIGKILL)
		<-s.done
	}
}

func sortedKeys(m map[string]string) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	return keys
}
