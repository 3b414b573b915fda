package app_test

import (
	"net/http"
	"net/netip"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/testkit/apptest"
	"readback/internal/testkit/pgtest"
)

// TestBehindAProxyEachCallerHasTheirOwnPace: whoever guesses through the proxy does not hold back the others behind it.
func TestBehindAProxyEachCallerHasTheirOwnPace(t *testing.T) {
	t.Parallel()
	cfg := apptest.Config(pgtest.Database(t))
	cfg.Proxies = []netip.Prefix{netip.MustParsePrefix("127.0.0.0/8")}
	s := apptest.Serve(t, cfg)
	try := func(from, password string) int {
		body := `{"login":"` + apptest.Technician + `","password":"` + password + `"}`
		return s.Nobody().With("X-Forwarded-For", from).Post("/v1/sign-in", body).Status
	}
	guesses := 0
	for ; try("192.0.2.66", "a guess of it") != http.StatusTooManyRequests; guesses++ {
		require.Less(t, guesses, 20)
	}
	require.Equal(t, http.StatusTooManyRequests, try("203.0.113.5, 192.0.2.66", "a guess of it"), "what a caller writes before is not believed")
	require.Equal(t, http.StatusOK, try("192.0.2.1", "demo technician"))
}
