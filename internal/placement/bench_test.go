package placement_test

import (
	"os"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/placement"
)

// Case 001 has eleven readings of a board at one of three positions.
func BenchmarkCheck(b *testing.B) {
	for name, number := range map[string]string{"within": "001"} {
		c := worked(b)[number]
		b.Run(name, func(b *testing.B) {
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
