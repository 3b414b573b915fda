package faults

import (
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"go.uber.org/goleak"
)

var (
	points = flag.Int("points", 20, "how often the series kills something; one half the server, one half PostgreSQL")
	seed   = flag.Uint64("seed", 1, "where the points of the series lie")
)

// program is the built program.
var program string

// TestMain builds the program once: what is killed must be a process of its own.
func TestMain(m *testing.M) {
	flag.Parse()
	dir, err := os.MkdirTemp("", "readback-faults-")
	if err == nil {
		program = filepath.Join(dir, "readback")
		build := exec.Command("go", "build", "-o", program, "readback/cmd/readback")
		build.Stderr = os.Stderr
		err = build.Run()
	}
	if err != nil {
		os.RemoveAll(dir)
		fmt.Fprintln(os.Stderr, "build the program:", err)
		os.Exit(1)
	}
	goleak.VerifyTestMain(m, goleak.Cleanup(func(status int) {
		os.RemoveAll(dir)
		os.Exit(status)
	}))
}
