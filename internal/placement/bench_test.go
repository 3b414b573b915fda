package placement_test

import (
	"os"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/placement"
)

// Case 001 has eleven readings of a board at one of three positions. Moves are tried at every position and suspects
// need one more solution for each reading, so those verdicts cost more.
func BenchmarkCheck(b *testing.B) {
	within := placement.ReadAt(worked(b)["001"], "2", placement.Offset{3: 1})
	off := placement.ReadAt(within, "2", placement.Offset{0: 0.6, 3: 9, 4: -7})
	wrong := placement.ReadAt(within, "2", placement.Offset{3: 1})
	v, _ := wrong.Readings[6].Value()
	wrong.Readings[6] = wrong.Readings[6].With(v + 30)
	for _, c := range []placement.Case{within, off, wrong} {
		r, err := placement.Check(c)
		require.NoError(b, err)
		b.Run(string(r.Verdict), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := placement.Check(c); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkDecodeCase(b *testing.B) {
	raw, err := os.ReadFile("../../testdata/placement/001.case.json")
	require.NoError(b, err)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := placement.DecodeCase(raw); err != nil {
			b.Fatal(err)
		}
	}
}
