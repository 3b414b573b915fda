package wsconn_test

import (
	"encoding/json"
	"fmt"
	"net"
	"strings"
	"testing"
	"time"

	"github.com/gorilla/websocket"
	"github.com/stretchr/testify/require"

	"readback/internal/live"
	"readback/internal/stream"
	"readback/internal/testkit/toyserver"
	"readback/internal/trail"
	"readback/internal/wire"
	"readback/internal/wsconn"
)

func TestACommandIsAcceptedAndSeenByItsFollowers(t *testing.T) {
	t.Parallel()
	b := onNetwork(t, toyserver.Options{})
	ref := b.Open(2)
	ann, ben := b.join(b.Ann), b.join(b.Ben)
	ben.follow(ref, 1)
	for _, want := range []int{2, 3} {
		require.Equal(t, want, number(ben.until("entry")["seq"]))
	}
	require.Equal(t, 3, number(ben.until("caught-up")["seq"]))

	cmd := toyserver.Note("two < three & \u2028", 7)
	ann.command(ref, cmd)
	m := ann.until("accepted")
	require.Equal(t, cmd.ID.String(), m["command"])
	require.Equal(t, 4, number(m["seq"]))
	require.Equal(t, "note-done", m["type"])
	require.Equal(t, false, m["repeated"])

	// What arrives is what was hashed, byte for byte: the chain can be checked by whoever follows.
	_, frame, err := ben.ws.ReadMessage()
	for err == nil && strings.Contains(string(frame), `"say":"presence"`) {
		_, frame, err = ben.ws.ReadMessage()
	}
	require.NoError(t, err)
	var e struct {
		Seq    uint64
		Hash   stream.Hash
		Body   json.RawMessage
		Opened map[string]string
	}
	require.NoError(t, json.Unmarshal(frame, &e))
	records, err := b.Store.Load(t.Context(), ref, 3, 0)
	require.NoError(t, err)
	require.Equal(t, string(records[0].Body), string(e.Body))
	require.Equal(t, e.Hash, trail.Sum(records[0].Prev, e.Body))
	require.Equal(t, m["hash"], e.Hash.String())
	require.NotContains(t, string(e.Body), "three", "personal values are sealed in the body")
	require.Equal(t, map[string]string{"/command/data/text": "two < three & \u2028"}, e.Opened)

	ann.command(ref, cmd)
	m = ann.until("accepted")
	require.Equal(t, 4, number(m["seq"]), "the same command has the same answer")
	require.Equal(t, true, m["repeated"])
	other := toyserver.Note("else", 8)
	other.ID = cmd.ID
	ann.command(ref, other)
	slug, _ := ann.refused()
	require.Equal(t, "id-reused", slug)
	ann.leave()
	ben.leave()
}

func TestARefusalHarmsNobody(t *testing.T) {
	t.Parallel()
	b := onNetwork(t, toyserver.Options{})
	ref := b.Open(0)
	ann, ben := b.join(b.Ann), b.join(b.Ben)
	ben.follow(ref, 1)
	ben.until("caught-up")
	const id = `"id":"01940000-0000-7000-8000-0000000000c1"`
	target, err := json.Marshal(ref)
	require.NoError(t, err)
	for _, c := range []struct {
		frame, slug string
		fields      []string
	}{
		{`{`, "malformed", nil},
		{`{"say":"beat","n":1,"m":2}`, "invalid-input", []string{"m"}},
		{fmt.Sprintf(`{"say":"command","stream":%s,"command":{%s,"base":1,"type":"note","data":{"text":"x","n":1,"n":2}}}`, target, id), "invalid-input", []string{"command.data.n"}},
		{fmt.Sprintf(`{"say":"command","stream":%s,"command":{%s,"base":1,"type":"note","data":{"text":"x","n":"many"}}}`, target, id), "invalid-input", []string{"n"}},
		{fmt.Sprintf(`{"say":"command","stream":%s,"command":{%s,"base":1,"type":"sing","data":{}}}`, target, id), "unknown-type", []string{"type"}},
		{fmt.Sprintf(`{"say":"command","stream":%s,"command":{%s,"base":1,"type":"refuse","data":{}}}`, target, id), "not-met", nil},
		{fmt.Sprintf(`{"say":"command","stream":%s,"command":{%s,"base":99,"type":"note","data":{"text":"x","n":1}}}`, target, id), "invalid-input", []string{"base"}},
		{`{"say":"follow","stream":{"kind":"job","id":"01940000-0000-7000-8000-0000000000ff"},"after":0}`, "not-found", nil},
	} {
		ann.text(c.frame)
		slug, fields := ann.refused()
		require.Equal(t, c.slug, slug, c.frame)
		require.Equal(t, c.fields, fields, c.frame)
	}
	require.Equal(t, 1, len(records(t, b, ref)), "nothing was stored")
	ann.command(ref, toyserver.Note("fine", 1))
	ann.until("accepted")
	require.Equal(t, 2, number(ben.until("entry")["seq"]))
	ann.leave()
	ben.leave()
	require.Empty(t, b.Log.String())
}

func records(t *testing.T, b *bench, ref stream.Ref) []trail.Record {
	t.Helper()
	got, err := b.Store.Load(t.Context(), ref, 0, 0)
	require.NoError(t, err)
	return got
}

// Somebody else's stream and one that is not there get the same answer.
func TestAStreamOfAnotherOrganisationIsNotThere(t *testing.T) {
	t.Parallel()
	b := onNetwork(t, toyserver.Options{})
	foreign := stream.Ref{Kind: stream.Calibration, ID: stream.NewID()}
	b.Do(b.Ann, foreign, toyserver.Command("open", map[string]any{"org": stream.NewID()}))
	missing := stream.Ref{Kind: stream.Calibration, ID: stream.NewID()}
	p := b.join(b.Ann)
	answer := func(ref stream.Ref) string {
		p.follow(ref, 0)
		one := p.until("refused")
		p.command(ref, toyserver.Note("x", 1))
		two := p.until("refused")
		text := fmt.Sprint(one["problem"], two["problem"])
		return strings.ReplaceAll(text, ref.ID.String(), "")
	}
	require.Equal(t, answer(missing), answer(foreign))
	require.Contains(t, answer(foreign), "not-found")
	p.leave()
}

func TestGarbageClosesOnlyWhenThereIsNothingElse(t *testing.T) {
	t.Parallel()
	b := onNetwork(t, toyserver.Options{})
	p := b.join(b.Ann)
	bad := []string{"", "null", "[]", `{"say":"beat"}`, "\xff\xfe", strings.Repeat("[", 5000)}
	for range 3 {
		for i := range 19 {
			p.text(bad[i%len(bad)])
			p.refused()
		}
		p.text(`{"say":"beat","n":1}`)
		p.until("beat")
	}
	for i := range 20 {
		p.text(bad[i%len(bad)])
		p.refused()
	}
	require.Equal(t, wire.CloseGarbage, p.closed())
}

func TestFramesThatEndTheConnection(t *testing.T) {
	t.Parallel()
	b := onNetwork(t, toyserver.Options{})
	long := `{"say":"beat","n":1,"x":"` + strings.Repeat("x", wire.MaxFrame) + `"}`

	p := b.join(b.Ann)
	p.text(long)
	slug, _ := p.refused()
	require.Equal(t, "too-large", slug)
	require.Equal(t, wire.CloseTooLong, p.closed())

	// The same in many small fragments (RFC 6455, section 5.4).
	p = b.join(b.Ann)
	w, err := p.ws.NextWriter(websocket.TextMessage)
	require.NoError(t, err)
	for range 4 {
		_, err = w.Write([]byte(long)[:20_000])
		require.NoError(t, err)
	}
	require.NoError(t, w.Close())
	slug, _ = p.refused()
	require.Equal(t, "too-large", slug)
	require.Equal(t, wire.CloseTooLong, p.closed())

	p = b.join(b.Ann)
	require.NoError(t, p.ws.WriteMessage(websocket.BinaryMessage, []byte(`{"say":"beat","n":1}`)))
	slug, _ = p.refused()
	require.Equal(t, "malformed", slug)
	require.Equal(t, wire.CloseBinary, p.closed())

	// A frame that is not masked (RFC 6455, section 5.1): the library answers with 1002 and words of its own.
	p = b.join(b.Ann)
	_, err = p.raw.Write([]byte{0x81, 0x02, '{', '}'})
	require.NoError(t, err)
	_, _, err = p.ws.ReadMessage()
	require.True(t, websocket.IsCloseError(err, int(wire.CloseProtocol)), "%v", err)
	p.ws.Close()
}

func TestCommandsOfOneStreamKeepTheirOrder(t *testing.T) {
	t.Parallel()
	b := onNetwork(t, toyserver.Options{})
	refs := []stream.Ref{b.Open(0), b.Open(0), b.Open(0)}
	p := b.join(b.Ann)
	const each = 15
	sent := map[string]int{}
	for n := range each {
		for _, ref := range refs {
			cmd := toyserver.Note("x", n)
			sent[cmd.ID.String()] = n
			p.command(ref, cmd)
		}
	}
	for range each * len(refs) {
		m := p.until("accepted")
		require.Equal(t, sent[m["command"].(string)]+2, number(m["seq"]))
	}
	p.leave()
}

// One stream's command hangs in the database; the same connection's other stream does not wait for it.
func TestStreamsDoNotWaitForEachOther(t *testing.T) {
	t.Parallel()
	b := onNetwork(t, toyserver.Options{})
	stuck, free := b.Open(0), b.Open(0)
	release := make(chan struct{})
	b.hold(stuck, release)
	p := b.join(b.Ann)
	p.command(stuck, toyserver.Note("first", 1))
	p.command(free, toyserver.Note("second", 2))
	require.Equal(t, free.ID.String(), p.until("accepted")["stream"].(map[string]any)["id"])
	close(release)
	require.Equal(t, stuck.ID.String(), p.until("accepted")["stream"].(map[string]any)["id"])
	p.leave()
}

func TestTooManyCommandsAreRefusedOneByOne(t *testing.T) {
	t.Parallel()
	inBubble(t, toyserver.Options{Limits: wsconn.Limits{CommandsPerSecond: 2, CommandBurst: 5}}, func(t *testing.T, b *bench) {
		ref := b.Open(0)
		p, other := b.join(b.Ann), b.join(b.Ben)
		count := func(n int) (accepted int) {
			for i := range n {
				cmd := toyserver.Note("x", i)
				p.command(ref, cmd)
				m := p.next()
				require.Equal(t, cmd.ID.String(), m["command"])
				if m["say"] == "accepted" {
					accepted++
				} else {
					require.Equal(t, 429, number(m["problem"].(map[string]any)["status"]))
				}
			}
			return accepted
		}
		require.Equal(t, 5, count(20))
		other.command(ref, toyserver.Note("x", 1))
		other.until("accepted")
		pass(2 * time.Second)
		require.Equal(t, 4, count(20))
		p.leave()
		other.leave()
	})
}

// What stops the work is not refused for how many commands came before it.
func TestAnUrgentCommandPassesTheOthers(t *testing.T) {
	t.Parallel()
	urgent := func(c *live.Config) { c.Urgent = map[string]bool{"note": true} }
	inBubble(t, toyserver.Options{Limits: wsconn.Limits{Pending: 1, CommandBurst: 1, CommandsPerSecond: 1}, Hub: urgent}, func(t *testing.T, b *bench) {
		ref := b.Open(0)
		p := b.join(b.Ann)
		defer p.leave()
		for n := range 2 { // one is the whole burst, the second is beyond it
			p.command(ref, toyserver.Note("x", n))
			require.Equal(t, n+2, number(p.until("accepted")["seq"]))
		}
	})
}

// A client that sends faster than it may is read no faster: a thousand beats at 200 a second after a burst of 400.
func TestAFloodIsReadSlowly(t *testing.T) {
	t.Parallel()
	inBubble(t, toyserver.Options{}, func(t *testing.T, b *bench) {
		p := b.join(b.Ann)
		start := time.Now()
		go func() {
			for range 1000 {
				p.ws.WriteMessage(websocket.TextMessage, []byte(`{"say":"beat","n":1}`))
			}
			p.ws.WriteMessage(websocket.TextMessage, []byte(`{"say":"beat","n":2}`))
		}()
		for number(p.until("beat")["n"]) != 2 {
		}
		require.InDelta(t, 3, time.Since(start).Seconds(), 0.1) // (1001 + hello − 400)/200
		p.leave()
	})
}

func TestFollowingHasItsRules(t *testing.T) {
	t.Parallel()
	b := onNetwork(t, toyserver.Options{Limits: wsconn.Limits{Follows: 2}})
	one, two, three := b.Open(1), b.Open(1), b.Open(1)
	p := b.join(b.Ann)
	p.follow(one, 0)
	for p.next()["say"] != "caught-up" {
	}
	p.follow(one, 0)
	slug, _ := p.refused()
	require.Equal(t, "already-there", slug)
	p.follow(two, 3)
	slug, fields := p.refused()
	require.Equal(t, "invalid-input", slug)
	require.Equal(t, []string{"after"}, fields)
	p.follow(two, 2)
	for p.next()["say"] != "caught-up" {
	}
	p.follow(three, 0)
	slug, fields = p.refused()
	require.Equal(t, "too-many", slug)
	require.Equal(t, []string{"stream"}, fields, "so that it is told from what is busy only now")

	p.say(map[string]any{"say": "unfollow", "stream": one})
	p.say(map[string]any{"say": "unfollow", "stream": one}) // harmless
	p.follow(three, 2)
	for p.next()["say"] != "caught-up" {
	}
	b.Do(b.Ben, one, toyserver.Note("unseen", 1))
	b.Do(b.Ben, three, toyserver.Note("seen", 1))
	require.Equal(t, three.ID.String(), p.until("entry")["stream"].(map[string]any)["id"])
	p.say(map[string]any{"say": "unfollow", "stream": three})
	p.follow(one, 2)
	require.Equal(t, 3, number(p.until("entry")["seq"]), "begun anew after the last one seen")
	p.leave()
}

func TestPresence(t *testing.T) {
	t.Parallel()
	b := onNetwork(t, toyserver.Options{})
	ref := b.Open(0)
	// The latest presence counts; one before it may or may not come.
	sees := func(p *peer, want ...stream.ID) {
		for {
			var ids []string
			m := p.next()
			if m["say"] != "presence" {
				continue
			}
			for _, each := range m["here"].([]any) {
				ids = append(ids, each.(map[string]any)["member"].(string))
			}
			if fmt.Sprint(ids) == fmt.Sprint(want) {
				return
			}
		}
	}
	ann := b.join(b.Ann)
	ann.follow(ref, 1)
	sees(ann, b.Ann)
	ben := b.join(b.Ben)
	ben.follow(ref, 1)
	sees(ann, b.Ann, b.Ben)
	sees(ben, b.Ann, b.Ben)
	ben.leave()
	sees(ann, b.Ann)
	ann.leave()
}

// The connection is cut, at the level of TCP, when the entry is durable and nobody has read the answer. The same command
// on a new connection gets that entry, and there is no other.
func TestACommandSentAgainAfterACutIsOneEntry(t *testing.T) {
	t.Parallel()
	b := onNetwork(t, toyserver.Options{})
	ref := b.Open(0)
	durable := b.hold(ref, nil)
	p := b.join(b.Ann)
	cmd := toyserver.Note("once", 1)
	p.command(ref, cmd)
	<-durable
	require.NoError(t, p.raw.(*net.TCPConn).SetLinger(0)) // a reset, not a farewell
	require.NoError(t, p.raw.Close())

	p = b.join(b.Ann)
	p.command(ref, cmd)
	m := p.until("accepted")
	require.Equal(t, true, m["repeated"])
	all := records(t, b, ref)
	require.Len(t, all, 2)
	require.Equal(t, all[1].Hash.String(), m["hash"])
	p.leave()
}

// hold makes the store tell when the next entry of the stream is durable, and wait before it says so to the hub until
// release is closed, if that is not nil. Earlier entries are not touched.
func (b *bench) hold(ref stream.Ref, release <-chan struct{}) (durable <-chan struct{}) {
	told := make(chan struct{})
	first := true
	b.OnDurable(func(a live.Append) {
		if a.Record.Stream != ref.ID || !first {
			return
		}
		first = false
		close(told)
		if release != nil {
			<-release
		}
	})
	return told
}
