package app_test

import (
	"net/http"
	"os"
	"path/filepath"
	"testing"

	"github.com/golang-jwt/jwt/v5"
	"github.com/stretchr/testify/require"

	"readback/internal/app"
	"readback/internal/httpapi"
	"readback/internal/testkit/apptest"
)

// TestRotationSignsNobodyOut: over a rotation, on two nodes of which neither is told: a session goes on by its token, its
// cookie, its refresh token and its socket, and new tokens come under the new key.
func TestRotationSignsNobodyOut(t *testing.T) {
	t.Parallel()
	world := apptest.Start(t)
	require.NoError(t, world.Stop())
	cfg := world.Config
	cfg.KeyFile = filepath.Join(t.TempDir(), "keys")
	raw, err := os.ReadFile(world.Config.KeyFile)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(cfg.KeyFile, raw, 0o600))
	here, there := apptest.Serve(t, cfg), apptest.Serve(t, cfg)
	kid := func(text string) any {
		j, _, err := jwt.NewParser().ParseUnverified(text, jwt.MapClaims{})
		require.NoError(t, err)
		return j.Header["kid"]
	}
	bearer := func(s *apptest.Server, text string) int {
		return s.Nobody().With("Authorization", "Bearer "+text).Get("/v1/me").Status
	}
	g := signIn(here, apptest.Technician, "demo technician")
	held := welcomed(t, here, g.Token)

	_, err = app.RotateTokenKeys(cfg, true)
	require.NoError(t, err)
	third := apptest.Serve(t, cfg) // started since: it signs with the new key
	fresh := apptest.Read[granted](third.Nobody(), third.Nobody().Post("/v1/refresh", `{"refresh":"`+g.Refresh+`"}`))
	require.Equal(t, g.Session, fresh.Session, "the same session")
	require.NotEqual(t, kid(g.Token), kid(fresh.Token))
	for _, s := range []*apptest.Server{here, there, third} {
		require.Equal(t, http.StatusOK, bearer(s, g.Token), "the token from before")
		require.Equal(t, http.StatusOK, bearer(s, fresh.Token), "one of a key that the first two had not read")
		for _, text := range []string{g.Token, fresh.Token} {
			require.Equal(t, http.StatusOK, s.Nobody().With("Cookie", httpapi.Cookie+"="+text).Get("/v1/me").Status)
		}
	}
	next := apptest.Read[granted](there.Nobody(), there.Nobody().Post("/v1/refresh", `{"refresh":"`+fresh.Refresh+`"}`))
	require.Equal(t, kid(fresh.Token), kid(next.Token), "they sign with it, too")
	held.say(map[string]any{"say": "ping"})
	require.NoError(t, held.ws.ReadJSON(&struct{}{}), "the socket is open")
	welcomed(t, there, next.Token)
}
