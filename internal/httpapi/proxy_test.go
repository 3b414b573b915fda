package httpapi

import (
	"net/http"
	"net/http/httptest"
	"net/netip"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestCallerBehindProxies uses the addresses that RFC 5737 and RFC 3849 keep for examples.
func TestCallerBehindProxies(t *testing.T) {
	t.Parallel()
	ours := []netip.Prefix{netip.MustParsePrefix("10.1.0.0/16"), netip.MustParsePrefix("fd00::/8")}
	for name, c := range map[string]struct {
		proxies []netip.Prefix
		from    string
		stated  []string
		want    string
	}{
		"no proxy of ours: nothing is believed":    {nil, "10.1.0.2:4711", []string{"192.0.2.9"}, "10.1.0.2"},
		"not from a proxy: nothing is believed":    {ours, "198.51.100.7:4711", []string{"192.0.2.9"}, "198.51.100.7"},
		"from a proxy":                             {ours, "10.1.0.2:4711", []string{"192.0.2.9"}, "192.0.2.9"},
		"from a proxy, mapped":                     {ours, "[::ffff:10.1.0.2]:4711", []string{"192.0.2.9"}, "192.0.2.9"},
		"from a proxy on IPv6":                     {ours, "[fd00::2]:4711", []string{"2001:db8::9"}, "2001:db8::9"},
		"through two proxies":                      {ours, "10.1.0.2:4711", []string{"192.0.2.9, 10.1.0.3"}, "192.0.2.9"},
		"in two lines":                             {ours, "10.1.0.2:4711", []string{"192.0.2.9", "10.1.0.3"}, "192.0.2.9"},
		"what the caller wrote is left aside":      {ours, "10.1.0.2:4711", []string{"203.0.113.1, 192.0.2.9"}, "192.0.2.9"},
		"one of ours before another is left aside": {ours, "10.1.0.2:4711", []string{"10.1.0.9, 192.0.2.9, 10.1.0.3"}, "192.0.2.9"},
		"a proxy that states nothing":              {ours, "10.1.0.2:4711", nil, "10.1.0.2"},
		"no address":                               {ours, "10.1.0.2:4711", []string{"192.0.2.9, unknown"}, "10.1.0.2"},
		"no address behind the second of our own":  {ours, "10.1.0.2:4711", []string{"unknown, 10.1.0.3"}, "10.1.0.3"},
		"only ours: somebody in our own network":   {ours, "10.1.0.2:4711", []string{"10.1.0.9"}, "10.1.0.9"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r := httptest.NewRequest(http.MethodPost, "/v1/sign-in", nil)
			r.RemoteAddr = c.from
			r.Header["X-Forwarded-For"] = c.stated
			var got netip.Addr
			behind(c.proxies, http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) { got = address(r) })).
				ServeHTTP(httptest.NewRecorder(), r)
			require.Equal(t, c.want, got.Unmap().String())
			require.Equal(t, c.from, r.RemoteAddr, "the request itself is left alone")
		})
	}
}
