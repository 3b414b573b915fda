package notify

import (
	"encoding/base64"
	"net/netip"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// TestSignature checks the example that the Standard Webhooks project publishes with its libraries:
// github.com/standard-webhooks/standard-webhooks, libraries/go/webhook_test.go, TestWebhookSign (Apache 2.0 and MIT).
func TestSignature(t *testing.T) {
	t.Parallel()
	const shown = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
	secret, err := base64.StdEncoding.DecodeString(strings.TrimPrefix(shown, SecretPrefix))
	require.NoError(t, err)
	require.Equal(t, shown, ShowSecret(secret))
	require.Equal(t, "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=",
		Sign(secret, "msg_p5jXN8AQM9LWM0D4loKWxJek", time.Unix(1614265330, 0), []byte(`{"test": 2432232314}`)))
}

// TestSchedule: the example schedule of the Standard Webhooks specification 1.0.0, section "Deliverability and
// reliability", in seconds since the first try.
func TestSchedule(t *testing.T) {
	t.Parallel()
	var since time.Duration
	var got []string
	for _, pause := range schedule {
		since += pause
		got = append(got, since.String())
	}
	require.Equal(t, []string{"5s", "5m5s", "35m5s", "2h35m5s", "7h35m5s", "17h35m5s", "31h35m5s", "51h35m5s", "75h35m5s"}, got)
	require.Greater(t, givenUp, since+since/5)
}

// TestPublicAddresses: addresses of the IANA special-purpose registries, of cloud machines' metadata (common practice, no
// source), and a few that are anybody's.
func TestPublicAddresses(t *testing.T) {
	t.Parallel()
	for _, a := range []string{"1.1.1.1", "8.8.8.8", "93.184.216.34", "172.32.0.1", "192.169.0.1", "100.128.0.1", "2606:4700::1111", "2a00:1450::1"} {
		require.True(t, public(netip.MustParseAddr(a)), a)
	}
	for _, a := range []string{
		"0.0.0.0", "0.1.2.3", "10.0.0.1", "100.64.0.1", "100.100.100.200", "127.0.0.1", "127.255.0.1", "169.254.169.254", "172.16.0.1",
		"172.31.255.255", "192.0.0.1", "192.0.2.1", "192.168.1.1", "198.18.0.1", "198.51.100.1", "203.0.113.1", "224.0.0.1", "239.1.1.1", "240.0.0.1",
		"255.255.255.255", "168.63.129.16",
		"::", "::1", "::127.0.0.1", "64:ff9b::a00:1", "100::1", "2001::1", "2001:db8::1", "2002:a00:1::", "fc00::1", "fd00:ec2::254", "fe80::1", "fe80::1%eth0",
		"fec0::1", "ff02::1", "::ffff:10.0.0.1",
	} {
		require.False(t, public(netip.MustParseAddr(a)), a)
	}
}

// TestRetryAfter: RFC 9110, section 10.2.3: seconds, or a date in the form of its section 5.6.7.
func TestRetryAfter(t *testing.T) {
	t.Parallel()
	now := time.Date(1994, 11, 6, 8, 48, 37, 0, time.UTC)
	for text, want := range map[string]time.Duration{
		"": 0, "120": 2 * time.Minute, "0": 0, "-3": 0, "soon": 0, "99999999": 24 * time.Hour,
		"Sun, 06 Nov 1994 08:49:37 GMT": time.Minute, "Sun, 06 Nov 1994 08:47:37 GMT": 0, "Mon, 06 Nov 2034 08:49:37 GMT": 24 * time.Hour,
	} {
		require.Equal(t, want, after(text, now), text)
	}
}
