package cli_test

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/cli"
	"readback/internal/stream"
	"readback/internal/testkit/apptest"
)

// TestRelay: a box that has nothing but this program and lines of readings shows them, and is told what is in the way.
func TestRelay(t *testing.T) {
	t.Parallel()
	const bay, laser = "01940000-0000-7000-8000-0000000000b1", "01940000-0000-7000-8000-0000000000c1"
	s := apptest.Start(t)
	owner, tech := s.As(apptest.ShopOwner), s.As(apptest.Technician)
	gateway, id := s.Gateway(owner, "Gauges", bay, laser)
	file := filepath.Join(t.TempDir(), "gateway.token")
	require.NoError(t, os.WriteFile(file, []byte(gateway.Token+"\n"), 0o600))
	run := func(in io.Reader) (status int, out, said string) {
		var stdout, stderr bytes.Buffer
		status = cli.Run(t.Context(), []string{"relay", "--url", s.URL, "--token-file", file}, cli.Streams{In: in, Out: &stdout, Err: &stderr}, nil)
		require.NotContains(t, stderr.String(), gateway.Token)
		return status, stdout.String(), stderr.String()
	}
	reading := fmt.Sprintf(`{"quantity":"datum-distance","instrument":%q,"value_um":2012000}`, laser)

	status, out, said := run(strings.NewReader("[" + reading + "]\n"))
	require.Equal(t, 1, status, said)
	require.Empty(t, out)
	require.Contains(t, said, "Nothing is being placed")

	cal := tech.OpenCalibration(tech.OpenJob())
	tech.Do(cal, "issue-sheet", `{"setup":{"sensor":"front-camera","datum":"front-bumper","datum_height_um":400000,"line":"centreline","distance_um":2000000,
		"height_um":600000,"positions":[{"name":"middle","lateral_um":0}],"tolerance":{"distance_um":6000,"lateral_um":6000}},
		"fixture":"01940000-0000-7000-8000-0000000000f1","dimensions":"01940000-0000-7000-8000-0000000000e1","bay":"`+bay+`",
		"source":{"title":"Invented service information","dated":"2026-03-01","version":"4"},"limits":"stated","measure":[]}`)
	for _, lines := range []string{"[" + reading + "]\n", "garbled\n\n{\"readings\":[" + reading + "],\"moved\":true}"} {
		status, out, said = run(strings.NewReader(lines))
		require.Zero(t, status, said)
		require.JSONEq(t, fmt.Sprintf(`{"calibration":%q}`, cal.ID), out)
		require.Equal(t, strings.Contains(lines, "garbled"), strings.Contains(said, "line 1: want a JSON list of readings"), said)
	}
	for lines, want := range map[string]string{
		"":                    "no line held readings",
		"12.5\n":              "no line held readings",
		`{"readings":[],"x"}`: "no line held readings",
		"[" + strings.Replace(reading, laser, stream.NewID().String(), 1) + "]": "",
		strings.Repeat("x", 70_000): "token too long",
	} {
		status, out, said = run(strings.NewReader(lines))
		require.NotZero(t, status, lines)
		require.Empty(t, out)
		require.Contains(t, said, want)
	}

	// Retired while it runs: it ends by itself, though its input goes on.
	in, lines := io.Pipe()
	ended := make(chan string, 1)
	go func() {
		status, _, said := run(in)
		in.CloseWithError(io.ErrClosedPipe)
		ended <- fmt.Sprint(status, " ", said)
	}()
	register := &apptest.Stream{Ref: stream.Ref{Kind: stream.Register, ID: owner.Access.Org}}
	register.Seq = apptest.Read[struct{ Seq uint64 }](owner, owner.Get(register.Path())).Seq
	_, err := fmt.Fprintf(lines, "[%s]\n", reading)
	require.NoError(t, err)
	owner.Do(register, "retire", fmt.Sprintf(`{"kind":"interface","id":%q}`, id))
	for err == nil {
		_, err = fmt.Fprintf(lines, "[%s]\n", reading)
	}
	got := <-ended
	require.True(t, strings.HasPrefix(got, "1 "), got)
	require.Contains(t, got, "[sign-in-needed]")
}
