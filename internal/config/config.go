// Package config reads the server's settings from the environment, once, and says everything that is wrong with them at
// once. No other package reads the environment.
package config

import (
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"readback/internal/postgres/local"
)

// Config is the server's settings. The comment of each field is its manual.
type Config struct {
	// DatabaseURL (DATABASE_URL): a PostgreSQL server to use, 14 or newer. Empty: the server makes and runs a private
	// cluster of the machine's own PostgreSQL in StateDir.
	DatabaseURL string

	// StateDir (READBACK_STATE_DIR): keys and the private cluster. Default: local.DefaultStateDir.
	StateDir string

	// Listen (READBACK_LISTEN): host:port to serve on; port 0 picks a free one. Default 127.0.0.1:8420.
	Listen string

	// KeyFile (READBACK_KEY_FILE): wrapping, signing and token keys. Default: keys in StateDir. Made when missing.
	KeyFile string

	// TLSCert, TLSKey (READBACK_TLS_CERT, READBACK_TLS_KEY): PEM files. Both or neither; without them the server speaks
	// plain HTTP, which browsers accept on localhost only for the things a bay needs.
	TLSCert, TLSKey string

	// SignInLasts (READBACK_SIGN_IN_LASTS): how long an access token is good for, 1m to 24h. Default 12h, a long shift. Roles
	// are looked up at every command, so a retired member is out at once whatever the token says.
	SignInLasts time.Duration

	// LogLevel (READBACK_LOG): debug, info, warn or error. Default info for serve and warn for commands that end by
	// themselves.
	LogLevel slog.Level
}

// names are the variables with our prefix; another one is a typing mistake and refused.
var names = []string{
	"READBACK_STATE_DIR", "READBACK_LISTEN", "READBACK_KEY_FILE", "READBACK_TLS_CERT", "READBACK_TLS_KEY",
	"READBACK_SIGN_IN_LASTS", "READBACK_LOG",
}

// Load reads the settings from an environment as os.Environ gives it. quiet is the level to log at if nothing is said.
func Load(environ []string, quiet slog.Level) (Config, error) {
	set := map[string]string{}
	for _, kv := range environ {
		name, value, _ := strings.Cut(kv, "=")
		set[name] = value
	}
	getenv := func(name string) string { return set[name] }
	var faults []error
	bad := func(name, want string) {
		faults = append(faults, fmt.Errorf("%s=%q: want %s", name, getenv(name), want))
	}

	c := Config{
		DatabaseURL: getenv("DATABASE_URL"),
		StateDir:    getenv("READBACK_STATE_DIR"),
		Listen:      getenv("READBACK_LISTEN"),
		KeyFile:     getenv("READBACK_KEY_FILE"),
		TLSCert:     getenv("READBACK_TLS_CERT"),
		TLSKey:      getenv("READBACK_TLS_KEY"),
		SignInLasts: 12 * time.Hour,
	}
	if c.DatabaseURL != "" && strings.Contains(c.DatabaseURL, "://") {
		if u, err := url.Parse(c.DatabaseURL); err != nil || (u.Scheme != "postgres" && u.Scheme != "postgresql") {
			faults = append(faults, errors.New("DATABASE_URL: want postgres://user@host/database or a keyword string"))
		}
	}
	if c.StateDir == "" {
		var err error
		if c.StateDir, err = local.DefaultStateDir(os.Geteuid(), getenv); err != nil {
			bad("READBACK_STATE_DIR", "a directory, or HOME or XDG_DATA_HOME set")
		}
	} else if abs, err := filepath.Abs(c.StateDir); err != nil {
		bad("READBACK_STATE_DIR", "a directory")
	} else {
		c.StateDir = abs
	}
	if c.Listen == "" {
		c.Listen = "127.0.0.1:8420"
	}
	if _, _, err := net.SplitHostPort(c.Listen); err != nil {
		bad("READBACK_LISTEN", "host:port, such as 127.0.0.1:8420 or :8420")
	}
	if c.KeyFile == "" {
		c.KeyFile = filepath.Join(c.StateDir, "keys")
	}
	const together = "READBACK_TLS_CERT and READBACK_TLS_KEY together, or neither"
	switch {
	case c.TLSCert != "" && c.TLSKey == "":
		bad("READBACK_TLS_KEY", together)
	case c.TLSKey != "" && c.TLSCert == "":
		bad("READBACK_TLS_CERT", together)
	}
	if v := getenv("READBACK_SIGN_IN_LASTS"); v != "" {
		d, err := time.ParseDuration(v)
		if err != nil || d < time.Minute || d > 24*time.Hour {
			bad("READBACK_SIGN_IN_LASTS", "a duration from 1m to 24h, such as 12h")
		}
		c.SignInLasts = d
	}
	switch v := getenv("READBACK_LOG"); v {
	case "":
		c.LogLevel = quiet
	case "debug", "info", "warn", "error":
		_ = c.LogLevel.UnmarshalText([]byte(v)) // knows all four
	default:
		bad("READBACK_LOG", "debug, info, warn or error")
	}
	for _, name := range slices.Sorted(maps.Keys(set)) {
		if strings.HasPrefix(name, "READBACK_") && !slices.Contains(names, name) {
			faults = append(faults, fmt.Errorf("%s: there is no such setting; there are %s", name, strings.Join(names, ", ")))
		}
	}
	return c, errors.Join(faults...)
}
