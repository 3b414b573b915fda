package faults

import (
	"context"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/api/client"
)

// place is an invented shop and desk, and the server that serves them: a process that is started, killed and started
// again at one address with one state directory.
type place struct {
	t      *testing.T
	state  string // directory
	addr   string // host:port
	people map[string]signIn
	back   chan struct{} // the server says that it has its private database back
	said   *saying

	mu      sync.Mutex // guards process
	process *process
}

type signIn struct{ login, password string }

// process is one life of the server.
type process struct {
	cmd  *exec.Cmd
	done chan struct{} // closed when it has ended; err is set before
	err  error
}

func (p *process) ended() bool {
	select {
	case <-p.done:
		return true
	default:
		return false
	}
}

// newPlace sets up the world: two technicians and an owner of the shop, two specialists of the desk.
func newPlace(t *testing.T) *place {
	dir, err := os.MkdirTemp("", "readback-faults-")
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, os.RemoveAll(dir)) })
	require.NoError(t, os.Chmod(dir, 0o711)) // the database's account passes through it
	p := &place{
		t: t, state: filepath.Join(dir, "state"), addr: freeAddress(t), people: map[string]signIn{},
		back: make(chan struct{}, 1),
	}
	p.said = &saying{word: "the private database is back", back: p.back}
	args := []string{"init"}
	for _, name := range []string{"desk.json", "shop.json"} {
		args = append(args, "--import", p.document(dir, name))
	}
	p.run(args...)
	t.Cleanup(func() {
		if one := p.serving(); one != nil && !one.ended() {
			p.killServer()
			<-one.done
		}
		left := p.postgres()
		for _, pid := range left {
			syscall.Kill(pid, syscall.SIGKILL)
		}
		awaitEnd(t, left)
		if t.Failed() {
			t.Logf("the server said last:\n%s", p.said.text())
		}
	})
	return p
}

// document copies an example document with a second person who signs in, and knows the passwords.
func (p *place) document(dir, name string) string {
	raw, err := os.ReadFile(filepath.Join("../../testdata/import", name))
	require.NoError(p.t, err)
	var doc map[string]any
	require.NoError(p.t, json.Unmarshal(raw, &doc))
	members := doc["members"].([]any)
	first := members[0].(map[string]any)
	second := map[string]any{
		"name": "Second Person (invented)", "roles": first["roles"], "competences": first["competences"],
		"sign_in": map[string]any{"login": "second@" + strings.TrimSuffix(name, ".json") + ".example", "password": "second of the two"},
	}
	doc["members"] = append(members, second)
	for key, m := range map[string]any{"first@" + name: first, "owner@" + name: members[1], "second@" + name: second} {
		in := m.(map[string]any)["sign_in"].(map[string]any)
		p.people[key] = signIn{in["login"].(string), in["password"].(string)}
	}
	raw, err = json.Marshal(doc)
	require.NoError(p.t, err)
	file := filepath.Join(dir, name)
	require.NoError(p.t, os.WriteFile(file, raw, 0o600))
	return file
}

// freeAddress is below the ports that the system gives to outgoing connections: while the server is down, a client that
// dials a port of that range on its own machine can be connected to itself, and hold it.
func freeAddress(t *testing.T) string {
	for range 50 {
		l, err := net.Listen("tcp", "127.0.0.1:"+strconv.Itoa(20_000+rand.IntN(12_000)))
		if err == nil {
			l.Close()
			return l.Addr().String()
		}
	}
	require.Fail(t, "no free port")
	return ""
}

func (p *place) command(args ...string) *exec.Cmd {
	cmd := exec.Command(program, args...)
	for _, kv := range os.Environ() {
		if !strings.HasPrefix(kv, "READBACK_") && !strings.HasPrefix(kv, "DATABASE_URL=") && !strings.HasPrefix(kv, "PG") {
			cmd.Env = append(cmd.Env, kv)
		}
	}
	cmd.Env = append(cmd.Env, "READBACK_STATE_DIR="+p.state, "READBACK_LISTEN="+p.addr)
	return cmd
}

// run runs the program to its end, which must be a success, and gives what it printed.
func (p *place) run(args ...string) string {
	p.t.Helper()
	cmd := p.command(args...)
	var out, errs strings.Builder
	cmd.Stdout, cmd.Stderr = &out, &errs
	err := cmd.Run()
	require.NoError(p.t, err, "readback %s\n%s\n%s", strings.Join(args, " "), out.String(), errs.String())
	return out.String()
}

// start starts the server and returns when it takes commands.
func (p *place) start(ctx context.Context) error {
	serves, err := p.launch()
	if err != nil {
		return err
	}
	select {
	case <-serves:
		return nil
	case <-p.serving().done:
		return fmt.Errorf("the server did not start: %w", p.serving().err)
	case <-ctx.Done():
		return ctx.Err()
	}
}

// launch starts the server, which tells when it takes commands.
func (p *place) launch() (serves <-chan struct{}, err error) {
	said := make(chan struct{}, 1)
	cmd := p.command("serve", "--while-stdin-open") // which it is no longer when this process ends, however it ends
	cmd.Env = append(cmd.Env, "READBACK_LOG=info")
	cmd.Stderr, cmd.Stdout = p.said, &saying{word: "Readback serves on ", back: said}
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	if _, err := cmd.StdinPipe(); err != nil {
		return nil, err
	}
	if err := cmd.Start(); err != nil {
		return nil, err
	}
	one := &process{cmd: cmd, done: make(chan struct{})}
	go func() {
		one.err = cmd.Wait()
		close(one.done)
	}()
	p.mu.Lock()
	defer p.mu.Unlock()
	p.process = one
	return said, nil
}

// stop stops the server in order and waits for its end.
func (p *place) stop() {
	p.t.Helper()
	require.NoError(p.t, p.askToStop())
	<-p.serving().done
	require.NoError(p.t, p.serving().err, "a server that was asked to stop")
}

func (p *place) askToStop() error { return p.serving().cmd.Process.Signal(syscall.SIGTERM) }

// serving is the newest life of the server.
func (p *place) serving() *process {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.process
}

// killServer kills the server as the kernel does when memory runs out: with everything in its process group.
func (p *place) killServer() error {
	return syscall.Kill(-p.serving().cmd.Process.Pid, syscall.SIGKILL)
}

// killPostgres kills the first process of the private cluster.
func (p *place) killPostgres() error {
	text, err := os.ReadFile(filepath.Join(p.data(), "postmaster.pid"))
	if err != nil {
		return err
	}
	first, _, _ := strings.Cut(string(text), "\n")
	pid, err := strconv.Atoi(first)
	if err != nil {
		return err
	}
	if cwd, err := os.Readlink(fmt.Sprintf("/proc/%d/cwd", pid)); err != nil || cwd != p.data() {
		return fmt.Errorf("process %d is not the cluster's: %s %w", pid, cwd, err)
	}
	return syscall.Kill(pid, syscall.SIGKILL)
}

func (p *place) data() string { return filepath.Join(p.state, "postgres/data") }

// postgres gives the cluster's processes: those that work in its data directory.
func (p *place) postgres() []int {
	all, err := filepath.Glob("/proc/[0-9]*/cwd")
	require.NoError(p.t, err)
	var pids []int
	for _, link := range all {
		if cwd, err := os.Readlink(link); err == nil && cwd == p.data() {
			pid, err := strconv.Atoi(strings.Split(link, "/")[2])
			require.NoError(p.t, err)
			pids = append(pids, pid)
		}
	}
	return pids
}

// client signs somebody in; the connections pass the tap.
func (p *place) client(ctx context.Context, who string, tap *tap) *client.Client {
	p.t.Helper()
	c, err := client.New(client.Config{
		URL: "http://" + p.addr, Name: "faults/1", Dial: tap.dial,
		Pause: func(int) time.Duration { return 10 * time.Millisecond }, // what is timed is the server
	})
	require.NoError(p.t, err)
	in, ok := p.people[who]
	require.True(p.t, ok, who)
	_, err = c.SignIn(ctx, in.login, in.password)
	require.NoError(p.t, err)
	p.t.Cleanup(c.Close)
	return c
}

// saying takes what a process says, keeps its end, and tells when it has said the word.
type saying struct {
	word string          // looked for in each line
	back chan<- struct{} // holds one

	mu   sync.Mutex
	last []string
	part string
}

const mostSaid = 200 // lines

func (s *saying) Write(b []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.part += string(b)
	for {
		line, rest, whole := strings.Cut(s.part, "\n")
		if !whole {
			return len(b), nil
		}
		s.part = rest
		s.last = append(s.last, line)
		if len(s.last) > mostSaid {
			s.last = s.last[1:]
		}
		if strings.Contains(line, s.word) {
			select {
			case s.back <- struct{}{}:
			default:
			}
		}
	}
}

func (s *saying) text() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return strings.Join(s.last, "\n")
}
