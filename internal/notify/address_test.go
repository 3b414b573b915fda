package notify

import (
	"crypto/x509"
	"net"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"net/url"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestAddressesAreCheckedWhenDialled: what comes to an address of this machine or of its networks is refused whatever it
// is called, and so are redirects and plain http.
func TestAddressesAreCheckedWhenDialled(t *testing.T) {
	t.Setenv("HTTPS_PROXY", "http://127.0.0.1:1") // not asked
	reached := 0
	server := httptest.NewTLSServer(http.HandlerFunc(func(rw http.ResponseWriter, q *http.Request) {
		reached++
		http.Redirect(rw, q, "/again", http.StatusTemporaryRedirect)
	}))
	defer server.Close()
	roots := x509.NewCertPool()
	roots.AddCert(server.Certificate())
	const private, plain = "the name comes to no public address; see READBACK_WEBHOOK_NETWORKS",
		"plain http is sent to this machine only, and only where READBACK_WEBHOOK_NETWORKS has 127.0.0.0/8"
	for _, c := range []struct {
		url, want string
		networks  string
		reaches   bool
	}{
		{url: server.URL, want: private},
		{url: server.URL, want: private, networks: "10.0.0.0/8"},
		{url: strings.Replace(server.URL, "127.0.0.1", "localhost", 1), want: private}, // a name that comes to it
		{url: strings.Replace(server.URL, "127.0.0.1", "[::ffff:127.0.0.1]", 1), want: private},
		{url: "https://169.254.169.254/latest", want: private, networks: "127.0.0.0/8"},
		{url: strings.Replace(server.URL, "https", "http", 1), want: plain},
		{url: "http://192.0.2.1/", want: private, networks: "127.0.0.0/8"},
		{url: server.URL, want: "answered 307 Temporary Redirect", networks: "127.0.0.1/32", reaches: true},
	} {
		cfg := Config{Roots: roots}
		if c.networks != "" {
			cfg.Networks = []netip.Prefix{netip.MustParsePrefix(c.networks)}
		}
		n := &Notifier{cfg: cfg.withDefaults()}
		n.client = newClient(n.cfg)
		before := reached
		_, _, err := n.try(t.Context(), Due{URL: c.url, Body: []byte("{}")})
		n.client.CloseIdleConnections()
		require.ErrorContains(t, err, c.want, c.url)
		require.NotContains(t, err.Error(), "/latest")
		require.NotRegexp(t, `\b(127\.0\.0\.1|169\.254|192\.0)\b`, strings.ReplaceAll(err.Error(), plain, ""), "what a name comes to in here is not told")
		require.Equal(t, c.reaches, reached == before+1, c.url)
	}
}

// TestNoAnswerTellsOfOurNetwork: that a name is unknown is told as that it comes to an inner address, without whose word it is.
func TestNoAnswerTellsOfOurNetwork(t *testing.T) {
	t.Parallel()
	for _, cause := range []error{
		&net.DNSError{Err: "no such host", Name: "ledger.internal.example", Server: "10.1.2.3:53", IsNotFound: true},
		&net.DNSError{Err: "i/o timeout", Name: "ledger.internal.example", Server: "10.1.2.3:53", IsTimeout: true},
		&forbidden{"10.1.2.4"},
	} {
		got := reason(&url.Error{Op: "Post", URL: "https://ledger.internal.example/", Err: &net.OpError{Op: "dial", Net: "tcp", Err: cause}})
		require.Equal(t, errNowhere, got)
	}
}
