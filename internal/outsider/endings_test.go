package outsider_test

import (
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/gorilla/websocket"
	"github.com/stretchr/testify/require"

	"readback/internal/config"
	"readback/internal/testkit/apptest"
)

// endings bring a connection to its end in each way that is described, by what a client does or the server's operator.
var endings = map[string]func(*testing.T, *town) *line{
	"done": func(t *testing.T, w *town) *line {
		l := w.signIn(t, owner).connects()
		bye := websocket.FormatCloseMessage(websocket.CloseNormalClosure, "")
		require.NoError(t, l.conn.WriteControl(websocket.CloseMessage, bye, time.Now().Add(patience)))
		return l
	},
	"leaving": func(t *testing.T, _ *town) *line {
		w := visit(t, nil) // one of its own: it is stopped
		l := w.signIn(t, owner).connects()
		require.NoError(t, w.server.Stop())
		return l
	},
	"protocol": func(t *testing.T, w *town) *line {
		l := w.signIn(t, owner).connects()
		// RFC 6455, section 5.1: a server must close the connection upon a frame that is not masked. This is a text frame
		// of one character, unmasked (section 5.2).
		_, err := l.conn.NetConn().Write([]byte{0x81, 0x01, 'x'})
		require.NoError(t, err)
		return l
	},
	"binary": func(t *testing.T, w *town) *line {
		l := w.signIn(t, owner).connects()
		require.NoError(t, l.conn.WriteMessage(websocket.BinaryMessage, []byte(`{"say":"beat","n":1}`)))
		return l
	},
	"too-long": func(t *testing.T, w *town) *line {
		l := w.signIn(t, owner).connects()
		l.sends([]byte(strings.Repeat(" ", 65_537)))
		return l
	},
	"internal": func(t *testing.T, _ *town) *line {
		w := visit(t, nil)
		p := w.signIn(t, owner)
		w.server = w.server.Again() // it has asked its database nothing yet
		w.address = w.server.URL
		w.server.CutDatabase()
		return p.greets(p.token)
	},
	"no-hello": func(t *testing.T, w *town) *line {
		l := w.signIn(t, owner).dials()
		l.says(object{"say": "beat", "n": 1})
		require.Equal(t, "sign-in-needed", slugOf(l.waits("refused", nil)["problem"].(object)))
		return l
	},
	"crowded": func(t *testing.T, w *town) *line {
		p := w.signIn(t, specialist)
		for range 16 {
			p.connects()
		}
		return p.greets(p.token)
	},
	"sign-in": func(t *testing.T, w *town) *line { return w.nobody(t).greets("aaa.bbb.ccc") },
	"expired": func(t *testing.T, _ *town) *line {
		// The session runs out; on a busy machine the token may have by the time it is brought, which ends the same.
		w := visit(t, func(c *config.Config) { c.SignInLasts, c.TokenLasts = 2*time.Second, time.Second })
		p := w.signIn(t, owner)
		return p.greets(p.token)
	},
	"signed-out": func(t *testing.T, w *town) *line {
		p := w.signInAnew(t, owner)
		l := p.connects()
		p.asks(http.MethodPost, "/v1/sign-out", nil).want(http.StatusNoContent)
		return l
	},
	"garbage": func(t *testing.T, w *town) *line {
		l := w.signIn(t, owner).connects()
		for range 20 {
			l.sends([]byte("{"))
		}
		return l
	},
}

// otherEndings are those that this package does not bring about, with the reason, and the test that does.
var otherEndings = map[string]struct{ why, file, test string }{
	"gone":   {"never sent: it is how the client's own side says that the line broke; TestCalibration breaks one", "outsider/calibration_test.go", "halves()"},
	"slow":   {"needs entries faster than one member may make them", "wsconn/slow_test.go", "CloseSlow"},
	"silent": {"takes a minute", "wsconn/slow_test.go", "CloseSilent"},
}

// greets opens a websocket and says hello with a token, whatever the answer.
func (p *person) greets(token string) *line {
	p.t.Helper()
	l := p.dials()
	l.says(object{"say": "hello", "protocol": 1, "client": "outsider/1", "token": token})
	return l
}

// TestEveryEnding brings about every close code that the descriptions list, or says why not; code and reason are as
// described.
func TestEveryEnding(t *testing.T) {
	t.Parallel()
	w := visit(t, nil)
	quiet := endings["no-hello"](t, w) // takes ten seconds; the others happen meanwhile
	described := map[string]bool{}
	for _, each := range w.at(t, "asyncapi.yaml#/channels/live/x-close-codes").([]any) {
		each := each.(object)
		name := each["name"].(string)
		described[name] = true
		if in, other := otherEndings[name]; other {
			require.NotContains(t, endings, name)
			require.NotEmpty(t, in.why)
			raw, err := os.ReadFile(filepath.Join(apptest.Root(), "internal", in.file))
			require.NoError(t, err)
			require.True(t, strings.Contains(string(raw), in.test), "%s is not brought about there any more", name)
			continue
		}
		require.Contains(t, endings, name, "bring it about, or say why not")
		if name == "no-hello" {
			defer func() {
				code, reason := quiet.closed()
				require.Equal(t, number(t, each["code"]), code)
				require.Equal(t, each["reason"], reason)
			}()
			continue
		}
		t.Run(name, func(t *testing.T) {
			code, reason := endings[name](t, w).closed()
			require.Equal(t, number(t, each["code"]), code)
			switch code {
			case websocket.CloseNormalClosure: // the client's own good-bye comes back
			case websocket.CloseProtocolError:
				require.NotEmpty(t, reason, "says what was wrong with the frame")
			default:
				require.Equal(t, each["reason"], reason)
			}
		})
	}
	require.Len(t, described, len(endings)+len(otherEndings))
}
