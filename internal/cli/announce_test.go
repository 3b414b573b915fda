package cli_test

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/api/client"
	"readback/internal/cli"
	"readback/internal/stream"
	"readback/internal/testkit/apptest"
)

// TestAnnounce: a gateway that has nothing but this program announces a car.
func TestAnnounce(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	owner := s.As(apptest.ShopOwner)
	device, _ := s.Device(owner, "Gateway")
	file := filepath.Join(t.TempDir(), "gateway.token")
	require.NoError(t, os.WriteFile(file, []byte(device.Token+"\n"), 0o600))
	run := func(in string, args ...string) (status int, out, said string) {
		var stdout, stderr bytes.Buffer
		args = append([]string{"announce", "--url", s.URL}, args...)
		status = cli.Run(t.Context(), args, cli.Streams{In: strings.NewReader(in), Out: &stdout, Err: &stderr}, nil)
		return status, stdout.String(), stderr.String()
	}
	taken := func(in string, args ...string) (a client.Announced) {
		t.Helper()
		status, out, said := run(in, args...)
		require.Zero(t, status, said)
		require.NoError(t, json.Unmarshal([]byte(out), &a))
		return a
	}
	id := stream.NewID().String()
	first := taken("", "--token-file", file, "--plate", "DEMO 1", "--mileage-km", "0", "--id", id, "ZZZDEM0A4CR000017")
	require.Equal(t, client.Announced{Job: first.Job, Seq: 1}, first)
	view := owner.Get("/v1/jobs/" + first.Job).Body
	for _, want := range []string{`"mileage_km":0`, `DEMO 1`, `ZZZDEM0A4CR000017`} {
		require.Contains(t, view, want)
	}
	first.Repeated = true
	require.Equal(t, first, taken(device.Token, "--token-file", "-", "--plate", "DEMO 1", "--mileage-km", "0", "--id", id, "ZZZDEM0A4CR000017"))

	for want, c := range map[string]struct {
		status int
		args   []string
	}{
		`vin: capital letters and digits`: {2, []string{"--token-file", file, "zzzdem0a4cr000017"}},
		`[id-reused]`:                     {1, []string{"--token-file", file, "--id", id, "ZZZDEM0A4CR000018"}},
		`[sign-in-needed]`:                {1, []string{"--token-file", "-", "ZZZDEM0A4CR000017"}},
		`connection refused`:              {3, []string{"--url", "http://127.0.0.1:1", "--for", "50ms", "--token-file", file, "ZZZDEM0A4CR000017"}},
	} {
		status, out, said := run("nobodys", c.args...)
		require.Equal(t, c.status, status, said)
		require.Empty(t, out)
		require.Contains(t, said, want)
		require.NotContains(t, said, device.Token)
	}
}
