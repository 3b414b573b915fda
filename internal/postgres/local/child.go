package local

import (
	"os/exec"
	"runtime"
	"syscall"
)

// child is a process that dies with us.
type child struct {
	cmd  *exec.Cmd
	done chan struct{} // closed when the process has ended
	err  error         // what Wait said; to be read after done
}

// spawn starts cmd, whose SysProcAttr must carry the signal it gets when we die. Linux sends that signal when the
// thread that made the child ends, not the process, so the goroutine here keeps its thread until the child is gone.
func spawn(cmd *exec.Cmd) (*child, error) {
	c := &child{cmd: cmd, done: make(chan struct{})}
	started := make(chan error, 1)
	go func() {
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		err := cmd.Start()
		started <- err
		if err != nil {
			return
		}
		c.err = cmd.Wait()
		close(c.done)
	}()
	if err := <-started; err != nil {
		return nil, err
	}
	return c, nil
}

// signal sends to the child alone; one that has ended is not an error.
func (c *child) signal(sig syscall.Signal) { _ = c.cmd.Process.Signal(sig) }

// killGroup kills the child and what it started in its process group, and waits for the child.
func (c *child) killGroup() {
	_ = syscall.Kill(-c.cmd.Process.Pid, syscall.SIGKILL)
	<-c.done
}
