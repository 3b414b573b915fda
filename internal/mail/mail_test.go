package mail

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"math/big"
	"net"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"readback/internal/testkit/postbox"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// certificate is one for 127.0.0.1, and the roots that trust it.
func certificate(t *testing.T) (server, client *tls.Config) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageDigitalSignature,
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	require.NoError(t, err)
	cert, err := x509.ParseCertificate(der)
	require.NoError(t, err)
	roots := x509.NewCertPool()
	roots.AddCert(cert)
	return &tls.Config{Certificates: []tls.Certificate{{Certificate: [][]byte{der}, PrivateKey: key}}, MinVersion: tls.VersionTLS12}, &tls.Config{RootCAs: roots}
}

func TestALetterOverTLS(t *testing.T) {
	t.Parallel()
	server, client := certificate(t)
	box := postbox.Listen(t, postbox.Options{TLS: server})
	s, err := New("smtp://someone:secret@"+box.Addr, "Readback <readback@bay.example>", client)
	require.NoError(t, err)
	text := "Grüße,\n\nhttps://bay.example/join#" + strings.Repeat("x", 43) + "\n.\nthe end\n"
	require.NoError(t, s.Send(t.Context(), "tamsin@north.example", "Grüße", text))
	got := <-box.Letters
	require.True(t, got.Encrypted)
	require.Equal(t, "someone:secret", got.User)
	require.Equal(t, "readback@bay.example", got.From)
	require.Equal(t, "tamsin@north.example", got.To)
	require.Equal(t, text, strings.TrimRight(got.Text, "\n")+"\n")
	require.Equal(t, "auto-generated", got.Header.Get("Auto-Submitted"))
	require.Contains(t, strings.ToLower(got.Header.Get("Subject")), "=?utf-8?q?gr=c3=bc=c3=9fe?=", "RFC 2047, section 4.2")
	_, err = got.Header.Date()
	require.NoError(t, err)
}

// A server that is not on this machine and offers no encryption gets nothing: what is asked of another machine is asked
// here by its policy, as no test reaches one.
func TestWhatIsNotEncryptedIsNotSent(t *testing.T) {
	t.Parallel()
	box := postbox.Listen(t, postbox.Options{})
	_, port, err := net.SplitHostPort(box.Addr)
	require.NoError(t, err)
	s, err := New("smtp://mail.example:"+port, "readback@bay.example", nil)
	require.NoError(t, err)
	s.host = "127.0.0.1" // where that name would lead
	require.Error(t, s.Send(t.Context(), "tamsin@north.example", "x", "y"))
	require.Empty(t, box.Letters)

	local, err := New("smtp://"+box.Addr, "readback@bay.example", nil)
	require.NoError(t, err)
	require.NoError(t, local.Send(t.Context(), "tamsin@north.example", "x", "y"))
	require.False(t, (<-box.Letters).Encrypted)
}

func TestRefusals(t *testing.T) {
	t.Parallel()
	server, _ := certificate(t)
	untrusted := postbox.Listen(t, postbox.Options{TLS: server})
	s, err := New("smtp://"+untrusted.Addr, "readback@bay.example", nil)
	require.NoError(t, err)
	require.Error(t, s.Send(t.Context(), "tamsin@north.example", "x", "y"), "a certificate nobody knows")

	full := postbox.Listen(t, postbox.Options{Refuse: true})
	s, err = New("smtp://"+full.Addr, "readback@bay.example", nil)
	require.NoError(t, err)
	require.ErrorContains(t, s.Send(t.Context(), "tamsin@north.example", "x", "y"), "451")
	require.Error(t, s.Send(t.Context(), "a\r\nBcc: b@example.com", "x", "y"), "an address that is two lines")
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	require.Error(t, s.Send(ended, "tamsin@north.example", "x", "y"))
}
