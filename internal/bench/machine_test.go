package bench

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// tick is the unit of processor times in /proc (proc(5)): USER_HZ, which is 100 on every architecture Go runs on.
const tick = 10 * time.Millisecond

// moment is the state of the machine.
type moment struct {
	at   time.Time
	load string        // of 1, 5 and 15 minutes
	busy time.Duration // of all processors since the machine began
	own  time.Duration // of this process and of those of its children that have ended
}

func look(t *testing.T) moment {
	t.Helper()
	m := moment{at: time.Now()}
	text, err := os.ReadFile("/proc/loadavg")
	require.NoError(t, err)
	m.load = strings.Join(strings.Fields(string(text))[:3], " ")
	text, err = os.ReadFile("/proc/stat")
	require.NoError(t, err)
	line, _, _ := strings.Cut(string(text), "\n")
	for i, field := range strings.Fields(line)[1:9] { // user nice system idle iowait irq softirq steal
		n, err := strconv.ParseInt(field, 10, 64)
		require.NoError(t, err)
		if i != 3 && i != 4 {
			m.busy += time.Duration(n) * tick
		}
	}
	for _, who := range []int{syscall.RUSAGE_SELF, syscall.RUSAGE_CHILDREN} {
		var u syscall.Rusage
		require.NoError(t, syscall.Getrusage(who, &u))
		m.own += time.Duration(u.Utime.Nano() + u.Stime.Nano())
	}
	return m
}

// busyShare is what of the processors others may have taken without making the figures doubtful.
const busyShare = 0.05

func (m moment) since(before moment) string {
	took := m.at.Sub(before.at)
	others := max(0, (m.busy-before.busy)-(m.own-before.own))
	share := float64(others) / (float64(took) * float64(runtime.NumCPU()))
	s := fmt.Sprintf("%d processors, %s; load average %s at the start, %s at the end.\n", runtime.NumCPU(), took.Round(time.Second),
		before.load, m.load)
	s += fmt.Sprintf("Other programs took %.0f %% of the processors meanwhile.", 100*share)
	if share > busyShare {
		s += " THE MACHINE WAS BUSY: goals that are not met may be met on an idle one, and the other way round."
	}
	return s + "\n"
}

// serverCPU is the processor time that the server's processes have used, those that ended included: fields 14 to 17 of
// /proc/PID/stat.
func serverCPU(t *testing.T, postmaster int) time.Duration {
	t.Helper()
	stats, err := filepath.Glob("/proc/[0-9]*/stat")
	require.NoError(t, err)
	var ticks int64
	for _, path := range stats {
		text, err := os.ReadFile(path)
		if err != nil {
			continue // it ended
		}
		_, after, _ := bytes.Cut(text, []byte(") "))
		f := strings.Fields(string(after)) // from field 3 on
		parent, _ := strconv.Atoi(f[1])
		pid, _ := strconv.Atoi(filepath.Base(filepath.Dir(path)))
		if pid != postmaster && parent != postmaster {
			continue
		}
		for _, field := range f[11:15] {
			n, err := strconv.ParseInt(field, 10, 64)
			require.NoError(t, err)
			ticks += n
		}
	}
	return time.Duration(ticks) * tick
}
