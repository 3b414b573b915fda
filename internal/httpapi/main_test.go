package httpapi_test

import (
	"encoding/json"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"readback/internal/fault"
	"readback/internal/testkit/apptest"
	"readback/internal/wire"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(apptest.Wrap(m)) }

// problem wants the answer to be a whole RFC 9457 problem of the slug, with exactly these fields at fault.
func problem(t *testing.T, got apptest.Answer, slug fault.Slug, fields ...string) {
	t.Helper()
	require.Equal(t, "application/problem+json", got.Header.Get("Content-Type"), got.Body)
	require.Equal(t, "no-store", got.Header.Get("Cache-Control"))
	d := json.NewDecoder(strings.NewReader(got.Body))
	d.DisallowUnknownFields()
	var p struct {
		Type, Title, Detail, Instance string
		Status                        int
		Errors                        []struct{ Field, Want string }
	}
	require.NoError(t, d.Decode(&p), got.Body)
	require.Equal(t, "/problems/"+string(slug), p.Type, got.Body)
	require.Equal(t, fault.TitleOf(slug), p.Title)
	require.Equal(t, wire.StatusOf(slug), p.Status)
	require.Equal(t, got.Status, p.Status)
	require.NotEmpty(t, p.Detail)
	require.Empty(t, p.Instance, "nothing failed on the server's side")
	var names []string
	for _, f := range p.Errors {
		names = append(names, f.Field)
		require.NotEmpty(t, f.Want, f.Field)
	}
	require.ElementsMatch(t, fields, names, got.Body)
}
