package app_test

import (
	"crypto/rand"
	"log/slog"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/app"
	"readback/internal/fault"
	"readback/internal/keyfile"
	"readback/internal/testkit/apptest"
)

// TestOtherKeyFile: a whole and well-formed key file of another installation neither starts over the entries nor adds
// any, and takes nothing away.
func TestOtherKeyFile(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	cfg := s.Config
	cfg.KeyFile = filepath.Join(t.TempDir(), "keys")
	other, err := keyfile.New("", rand.Reader, time.Now())
	require.NoError(t, err)
	require.NoError(t, keyfile.Create(cfg.KeyFile, other))
	quiet := slog.New(slog.DiscardHandler)
	before := s.Stored()

	_, err = app.Open(t.Context(), cfg, quiet)
	require.True(t, fault.Is(err, fault.NotReady), "%v", err)
	require.ErrorContains(t, err, cfg.KeyFile+" does not open the newest key")
	_, err = app.Init(t.Context(), cfg, quiet, []app.Document{{File: "desk.json", Raw: []byte(document(t, "desk.json"))}})
	require.True(t, fault.Is(err, fault.NotReady), "%v", err)
	require.Equal(t, before, s.Stored())

	report, err := app.VerifyDatabase(t.Context(), cfg, quiet)
	require.NoError(t, err)
	require.Len(t, report.Findings, 3, "the three registers: %s", report)
}
