package notify_test

import (
	"context"
	"crypto/x509"
	"encoding/json"
	"fmt"
	"io"
	"log"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"readback/internal/app"
	"readback/internal/live"
	"readback/internal/notify"
	"readback/internal/postgres"
	"readback/internal/stream"
	"readback/internal/testkit/pgtest"
	"readback/internal/trail"
)

func TestMain(m *testing.M) {
	goleak.VerifyTestMain(pgtest.Wrap(m, func(ctx context.Context, url string) error {
		_, err := postgres.Migrate(ctx, url, "")
		return err
	}))
}

// world is an organisation with webhooks over a real database, and what sends them.
type world struct {
	t     *testing.T
	db    *postgres.DB
	tail  *postgres.Tail
	hub   *live.Hub
	keys  trail.WrappingKey
	shop  stream.Ref
	owner stream.Actor
	seq   uint64
	roots *x509.CertPool
}

func newWorld(t *testing.T) *world {
	t.Helper()
	w := &world{t: t, shop: stream.Ref{Kind: stream.Register, ID: stream.NewID()}, roots: x509.NewCertPool()}
	db, err := postgres.Open(t.Context(), pgtest.Database(t), postgres.Options{})
	require.NoError(t, err)
	w.db = db
	bus, err := db.Listen(t.Context(), postgres.Ended{})
	require.NoError(t, err)
	w.tail = db.Follow(bus)
	w.keys, err = trail.WrappingKeyFrom(make([]byte, trail.KeySize))
	require.NoError(t, err)
	w.hub = live.New(live.Config{Store: db, Bus: bus, Keys: w.keys, Rules: app.Rules(), Log: slog.New(slog.DiscardHandler)})
	require.NoError(t, w.hub.Settled(t.Context()))
	t.Cleanup(func() {
		ctx := context.WithoutCancel(t.Context())
		require.NoError(t, w.hub.Shutdown(ctx))
		w.tail.Close()
		bus.Close()
		require.NoError(t, db.Close(ctx))
	})
	server := stream.Actor{Org: w.shop.ID, Roles: []stream.Role{stream.System}}
	w.owner = stream.Actor{Member: stream.NewID(), Org: w.shop.ID, Roles: []stream.Role{stream.Owner}}
	w.do(server, "open-organisation", `{"name":"Invented Workshop","sort":"shop","phone":""}`)
	w.do(server, "add-member", `{"id":%q,"name":"Invented Owner","roles":["owner"]}`, w.owner.Member)
	return w
}

func (w *world) do(actor stream.Actor, command, data string, args ...any) {
	w.t.Helper()
	got, err := w.hub.Do(w.t.Context(), actor, w.shop, stream.Command{
		ID: stream.NewID(), Base: w.seq, Type: command, Data: fmt.Appendf(nil, data, args...),
	})
	require.NoError(w.t, err)
	w.seq = got.Seq
}

// hook adds a webhook with a secret, which it returns.
func (w *world) hook(url string, events ...string) (stream.ID, []byte) {
	w.t.Helper()
	id := stream.NewID()
	list, err := json.Marshal(events)
	require.NoError(w.t, err)
	w.do(w.owner, "add-webhook", `{"id":%q,"url":%q,"events":%s}`, id, url, list)
	return id, w.secret(id)
}

func (w *world) secret(hook stream.ID) []byte {
	w.t.Helper()
	return w.secretOf(w.shop.ID, hook)
}

func (w *world) secretOf(org, hook stream.ID) []byte {
	w.t.Helper()
	key, err := trail.NewKey(stream.NewID(), randomly{})
	require.NoError(w.t, err)
	wrapped, err := w.keys.Wrap(randomly{}, key)
	require.NoError(w.t, err)
	require.NoError(w.t, w.db.AddSecret(w.t.Context(), org, hook, wrapped, 24*time.Hour))
	return key.Bytes()
}

// randomly draws bytes that are different each time.
type randomly struct{}

func (randomly) Read(b []byte) (int, error) {
	for i := range b {
		id := stream.NewID()
		b[i] = id[15]
	}
	return len(b), nil
}

// phones makes n entries.
func (w *world) phones(n int) {
	w.t.Helper()
	for i := range n {
		w.do(w.owner, "change-organisation", `{"phone":"+00 555 %04d"}`, int(w.seq)*100+i)
	}
}

// start starts a Notifier with short times; change may lengthen them.
func (w *world) start(change func(*notify.Config)) *notify.Notifier {
	cfg := notify.Config{
		Store: w.db, Keys: w.keys, Rules: app.Rules(), News: w.tail.News(), Log: slog.New(slog.DiscardHandler), Roots: w.roots,
		Networks: []netip.Prefix{netip.MustParsePrefix("127.0.0.0/8")}, Poll: 20 * time.Millisecond, Hold: time.Millisecond,
		HoldMost: 5 * time.Millisecond, Schedule: []time.Duration{time.Millisecond, 2 * time.Millisecond},
	}
	if change != nil {
		change(&cfg)
	}
	return notify.Start(cfg)
}

// received is one request as a receiver got it.
type received struct {
	id, timestamp, signature string
	body                     string
	message                  struct {
		Type string
		Data struct {
			Seq   uint64
			Entry string
			Phase string
			Org   stream.ID
		}
	}
}

// verify checks the signature as a receiver does that has only the specification's words.
func (r received) verify(t *testing.T, secrets ...[]byte) {
	t.Helper()
	seconds, err := strconv.ParseInt(r.timestamp, 10, 64)
	require.NoError(t, err)
	require.InDelta(t, time.Now().Unix(), seconds, 60)
	signed := strings.Split(r.signature, " ")
	require.Len(t, signed, len(secrets))
	for _, secret := range secrets {
		require.Contains(t, signed, notify.Sign(secret, r.id, time.Unix(seconds, 0), []byte(r.body)))
	}
}

// receiver hands each request to got before it answers; answer decides how.
type receiver struct {
	url string
	got chan received
	mu  sync.Mutex
	ids map[string]int // how often each came
}

func (w *world) receive(answer http.HandlerFunc) *receiver {
	w.t.Helper()
	r := &receiver{got: make(chan received, 1000), ids: map[string]int{}}
	server := httptest.NewUnstartedServer(http.HandlerFunc(func(rw http.ResponseWriter, q *http.Request) {
		body, err := io.ReadAll(q.Body)
		if err != nil {
			return
		}
		m := received{
			id: q.Header.Get("webhook-id"), timestamp: q.Header.Get("webhook-timestamp"), signature: q.Header.Get("webhook-signature"),
			body: string(body),
		}
		if json.Unmarshal(body, &m.message) != nil {
			rw.WriteHeader(http.StatusBadRequest)
			return
		}
		r.mu.Lock()
		r.ids[m.id]++
		r.mu.Unlock()
		r.got <- m
		if answer != nil {
			answer(rw, q)
		}
	}))
	server.Config.ErrorLog = log.New(io.Discard, "", 0) // of connections that are cut off on purpose
	server.StartTLS()
	w.t.Cleanup(server.Close)
	w.roots.AddCert(server.Certificate())
	r.url = server.URL + "/hook"
	return r
}

// next is the next request; there must be one.
func (r *receiver) next(t *testing.T) received {
	t.Helper()
	select {
	case m := <-r.got:
		return m
	case <-time.After(30 * time.Second): // far more than it can take, so that a failure has a name
		t.Fatal("nothing is sent")
	}
	return received{}
}

// all waits until the entries from first to last have come, each at least once.
func (r *receiver) all(t *testing.T, first, last uint64) map[uint64]received {
	t.Helper()
	seen := map[uint64]received{}
	for uint64(len(seen)) < last-first+1 {
		m := r.next(t)
		require.GreaterOrEqual(t, m.message.Data.Seq, first)
		require.LessOrEqual(t, m.message.Data.Seq, last)
		if was, ok := seen[m.message.Data.Seq]; ok {
			require.Equal(t, was.id, m.id, "sent again under the same id")
			require.Equal(t, was.body, m.body)
		}
		seen[m.message.Data.Seq] = m
	}
	return seen
}

func (w *world) rows(hook stream.ID, state string) []postgres.DeliveryRow {
	w.t.Helper()
	rows, err := w.db.Deliveries(w.t.Context(), w.shop.ID, hook, state, nil, 500)
	require.NoError(w.t, err)
	return rows
}

func (w *world) health(hook stream.ID) postgres.WebhookHealth {
	w.t.Helper()
	all, err := w.db.Health(w.t.Context(), w.shop.ID, []stream.ID{hook})
	require.NoError(w.t, err)
	return all[0]
}
