package bench

import (
	"syscall"
	"testing"
	"time"

	"readback/internal/testkit/memstore"
)

// BenchmarkMessage is one command by a socket that becomes an entry at another, with the database taken out: what the
// program itself does for a message, and what both clients do. The processor time of the process is said beside the
// time, since the latter is the machine's as well.
func BenchmarkMessage(b *testing.B) {
	s := newSide(b, forgetful{memstore.New()}, nil, nil)
	s.found(b)
	s.connect(b, 1)
	p := s.pairs[0]
	b.ReportAllocs()
	before := ownCPU(b)
	for b.Loop() {
		if err := p.message(); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64((ownCPU(b)-before).Nanoseconds())/float64(b.N), "cpu-ns/op")
}

// ownCPU is the processor time this process has used.
func ownCPU(t testing.TB) time.Duration {
	t.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		t.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
