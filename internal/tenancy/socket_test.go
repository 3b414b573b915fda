package tenancy

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/gorilla/websocket"
	"github.com/stretchr/testify/require"

	"readback/internal/stream"
	"readback/internal/testkit/apptest"
)

// patience is how long anything may take; what fails by it is broken, not slow.
const patience = 30 * time.Second

// socket is one websocket, used by one goroutine.
type socket struct {
	t    *testing.T
	conn *websocket.Conn
	n    int // of the last beat
}

// dial opens a websocket and says hello. The first answer is the welcome, or the error that the connection ended with.
func dial(t *testing.T, w *town, token string) (*socket, string, error) {
	t.Helper()
	d := websocket.Dialer{Subprotocols: []string{"readback.v1"}, HandshakeTimeout: patience}
	conn, _, err := d.DialContext(t.Context(), strings.Replace(w.URL, "http", "ws", 1)+"/v1/live", nil)
	require.NoError(t, err)
	t.Cleanup(func() { conn.Close() })
	s := &socket{t: t, conn: conn}
	hello := fmt.Sprintf(`{"say":"hello","protocol":1,"client":"tenancy/1","token":%q}`, token)
	if token == "" {
		hello = `{"say":"hello","protocol":1,"client":"tenancy/1"}`
	}
	s.say(hello)
	text, err := s.hear()
	return s, text, err
}

func connect(t *testing.T, w *town, who *apptest.Client) *socket {
	t.Helper()
	s, welcome, err := dial(t, w, who.Token)
	require.NoError(t, err)
	require.Contains(t, welcome, `"say":"welcome"`)
	return s
}

func (s *socket) say(frame string) {
	s.t.Helper()
	require.NoError(s.t, s.conn.WriteMessage(websocket.TextMessage, []byte(frame)))
}

func (s *socket) hear() (string, error) {
	s.t.Helper()
	require.NoError(s.t, s.conn.SetReadDeadline(time.Now().Add(patience)))
	_, frame, err := s.conn.ReadMessage()
	return string(frame), err
}

// until gives the messages up to the one that is wanted, which is the last.
func (s *socket) until(wanted func(say string, frame string) bool) []string {
	s.t.Helper()
	var all []string
	for {
		frame, err := s.hear()
		require.NoError(s.t, err)
		var m struct{ Say string }
		require.NoError(s.t, json.Unmarshal([]byte(frame), &m))
		all = append(all, frame)
		if wanted(m.Say, frame) {
			return all
		}
	}
}

// beats gives what is there to hear until a beat is answered, without that.
func (s *socket) beats() []string {
	s.t.Helper()
	s.n++
	n := fmt.Sprintf(`"n":%d`, s.n)
	s.say(`{"say":"beat",` + n + `}`)
	all := s.until(func(say, frame string) bool { return strings.HasPrefix(say, "beat") && strings.Contains(frame, n) })
	return all[:len(all)-1]
}

// commands gives a command and all that is heard until it is answered and quiet again.
func (s *socket) commands(ref stream.Ref, body string) []string {
	s.t.Helper()
	s.say(fmt.Sprintf(`{"say":"command","stream":{"kind":%q,"id":%q},"command":%s}`, ref.Kind, ref.ID, body))
	all := s.until(func(say, _ string) bool { return say == "accepted" || say == "refused" })
	return append(all, s.beats()...)
}

// follows asks to follow a stream and gives all that is heard until that is answered; then it lets go and hears no more.
func (s *socket) follows(ref stream.Ref, after uint64) []string {
	s.t.Helper()
	at := fmt.Sprintf(`"stream":{"kind":%q,"id":%q}`, ref.Kind, ref.ID)
	s.say(fmt.Sprintf(`{"say":"follow",%s,"after":%d}`, at, after))
	all := s.until(func(say, _ string) bool { return say == "caught-up" || say == "refused" || say == "ended" })
	s.say(`{"say":"unfollow",` + at + `}`)
	return append(all, s.beats()...)
}

// shows says readings, which are refused here, and gives the refusal.
func (s *socket) shows(ref stream.Ref, readings string) string {
	s.t.Helper()
	s.say(fmt.Sprintf(`{"say":"reading","stream":{"kind":%q,"id":%q},%s}`, ref.Kind, ref.ID, readings))
	all := s.until(func(say, _ string) bool { return say == "refused" })
	return all[len(all)-1]
}

// nameless is messages without the id that the asker gave.
func nameless(all []string, id stream.ID) string {
	return strings.ReplaceAll(strings.Join(all, "\n"), id.String(), "ID")
}
