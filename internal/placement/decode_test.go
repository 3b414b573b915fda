package placement_test

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/placement"
)

func TestDecodesTheWorkedCases(t *testing.T) {
	t.Parallel()
	files, err := filepath.Glob("../../testdata/placement/*.case.json")
	require.NoError(t, err)
	require.Len(t, files, 60)
	for _, file := range files {
		raw, err := os.ReadFile(file)
		require.NoError(t, err)
		_, err = placement.DecodeCase(raw)
		require.NoError(t, err, file)
	}
}
