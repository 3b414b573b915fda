package config

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func env(m map[string]string) (func(string) string, []string) {
	var list []string
	for k, v := range m {
		list = append(list, k+"="+v)
	}
	return func(k string) string { return m[k] }, list
}

func TestDefaults(t *testing.T) {
	t.Parallel()
	c, err := Load(env(map[string]string{"HOME": "/home/someone"}))
	require.NoError(t, err)
	require.Equal(t, "127.0.0.1:8420", c.Listen)
	require.Equal(t, 12*time.Hour, c.SignInLasts)
	require.Equal(t, c.StateDir+"/keys", c.KeyFile)
}

func TestEveryFaultIsSaidAtOnce(t *testing.T) {
	t.Parallel()
	_, err := Load(env(map[string]string{
		"READBACK_LISTEN": "8420", "READBACK_TLS_CERT": "cert.pem", "READBACK_SIGN_IN_LASTS": "3d", "READBACK_LOG": "loud",
		"READBACK_LISTN": ":1", "DATABASE_URL": "mysql://x", "HOME": "/h",
	}))
	for _, name := range []string{"READBACK_LISTEN", "READBACK_TLS_CERT", "READBACK_SIGN_IN_LASTS", "READBACK_LOG", "READBACK_LISTN", "DATABASE_URL"} {
		require.ErrorContains(t, err, name)
	}
}
