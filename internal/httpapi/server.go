package httpapi

import (
	"context"
	"encoding/json"
	"io"
	"log/slog"
	"net/http"
	"net/netip"
	"strings"
	"time"

	"readback/internal/account"
	"readback/internal/calibration"
	"readback/internal/device"
	"readback/internal/fault"
	"readback/internal/live"
	"readback/internal/photo"
	"readback/internal/stream"
)

// Lists reads the rows of lists.
type Lists interface {
	// OfOrg gives one page of an organisation's streams of a kind, the one opened last first.
	OfOrg(ctx context.Context, kind stream.Kind, org stream.ID, page Page) ([]Row, error)
	// OfDesk gives one page of the calibrations that the desk has claimed, in the same order.
	OfDesk(ctx context.Context, desk stream.ID, page Page) ([]Row, error)
	// InHand gives those of them that are guided, running or stopped.
	InHand(ctx context.Context, desk stream.ID) ([]Row, error)
	// Waiting gives the calibrations that wait for a specialist of the desk, the 500 with the earliest due times, which come
	// first: those of shops that have an agreement with it. These rows and those in hand are others' too, and not to be changed.
	Waiting(ctx context.Context, desk stream.ID) ([]Row, error)
	// Accounts gives the ways in of an organisation's members, by their sign-in names.
	Accounts(ctx context.Context, org stream.ID) ([]SignIn, error)
}

// Page says which rows of a list are wanted.
type Page struct {
	Before *stream.ID // the last of the page before; nil on the first
	Limit  int
	Search
}

// Row is one stream in a list.
type Row struct {
	Stream   stream.Ref `json:"stream"`
	Org      stream.ID  `json:"org"`
	Job      *stream.ID `json:"job,omitempty"`
	Desk     *stream.ID `json:"desk,omitempty"`
	Phase    string     `json:"phase"`
	Seq      uint64     `json:"seq"`
	QueuedAt *time.Time `json:"queued_at,omitempty"`
	Summary  any        `json:"summary,omitempty"`
}

// Written turns a document as people write it, YAML or JSON, into JSON, with what adds to a refusal of that the lines of its fields.
type Written func(text []byte) (doc json.RawMessage, locate func(error) error, err error)

// Bundler writes the bundle of a calibration from its records and its job's. Whatever it finds wrong it finds before the
// first byte.
type Bundler interface {
	WriteBundle(ctx context.Context, w io.Writer, taken live.Taken) error
}

// Unheard says how long nothing was heard of the specialist who holds a calibration's claim; false while they are heard of,
// and if it is not known.
type Unheard func(ctx context.Context, id stream.ID, claim calibration.Claim) (time.Duration, bool, error)

// Server has the routes. Its fields are set once, before Handler.
type Server struct {
	Hub       *live.Hub
	Sessions  *account.Sessions
	Accounts  *account.Desk
	Passwords *account.Passwords
	Links     *account.Links
	PublicURL string         // without the last slash; empty if none was set
	Proxies   []netip.Prefix // one's own, whose word on the caller's address is taken
	Sockets   http.Handler   // the live connections
	Lists     Lists
	Bundles   Bundler
	Photos    *photo.Taker
	Webhooks  Webhooks
	Devices   *device.Desk
	Written   Written
	Heard     func(stream.Person)     // hears of each request of a member; may be nil
	Unheard   Unheard                 // may be nil
	Outlook   Asker                   // may be nil
	TrailKey  string                  // the verifier key of the signer of bundles
	Pages     map[string]http.Handler // the screens, by pattern: what they show they ask these routes for
	Version   string
	Log       *slog.Logger

	paces    paces // of members
	bundling bundling
}

// routes is every route there is, in the order of docs/protocol.md, with the query parameters it takes.
func (s *Server) routes() map[string]http.Handler {
	return map[string]http.Handler{
		"GET /{$}":             s.adapt(s.front),
		"GET /problems/{slug}": s.adapt(s.problem),

		"GET /docs":             s.adapt(s.docs),
		"GET /v1/openapi.yaml":  s.adapt(s.description("openapi.yaml", "application/yaml")),
		"GET /v1/asyncapi.yaml": s.adapt(s.description("asyncapi.yaml", "application/yaml")),
		"GET /v1/schema/{name}": s.adapt(s.schema),

		"POST /v1/sign-in":  s.adapt(s.signIn),
		"POST /v1/refresh":  s.adapt(s.refresh),
		"POST /v1/sign-out": s.adapt(s.signOut),
		"GET /v1/me":        s.forMembers(s.me),

		"GET /v1/sessions":         s.withSession(s.listSessions, "member"),
		"DELETE /v1/sessions/{id}": s.withSession(s.endSession),
		"POST /v1/password":        s.withSession(s.password),

		"GET /v1/accounts":            s.forMembers(s.accounts),
		"GET /v1/invitations":         s.forMembers(s.invitations),
		"POST /v1/invitations":        s.forMembers(s.invite),
		"DELETE /v1/invitations/{id}": s.forMembers(s.withdraw),
		"POST /v1/resets":             s.adapt(s.reset),
		"POST /v1/join":               s.adapt(s.join),

		"GET /v1/live": s.Sockets,

		"POST /v1/{kinds}/{id}/commands":           s.asking(s.unpaced, s.command),
		"GET /v1/{kinds}/{id}":                     s.forMembers(s.view),
		"GET /v1/{kinds}/{id}/entries":             s.forMembers(s.entries, "after", "limit"),
		"GET /v1/{kinds}":                          s.forMembers(s.list, append([]string{"before", "limit"}, searched...)...),
		"GET /v1/queue":                            s.forMembers(s.queue, "limit"),
		"POST /v1/calibrations/{id}/live":          s.forMembers(s.reading),
		"GET /v1/queue/record":                     s.forMembers(s.queueRecord),
		"GET /v1/calibrations/{id}/place":          s.forMembers(s.place),
		"GET /v1/calibrations/{id}/words":          s.forMembers(s.words, "lang", "unit"),
		"GET /v1/calibrations/{id}/bundle":         s.forMembers(s.bundle),
		"GET /v1/calibrations/{id}/notice":         s.forMembers(s.notice, "lang"),
		"POST /v1/calibrations/{id}/photos":        s.forMembers(s.addPhoto),
		"GET /v1/calibrations/{id}/photos/{photo}": s.forMembers(s.photo),
		"GET /v1/registers/{id}/export":            s.forMembers(s.export),
		"GET /v1/procedures":                       s.forMembers(s.procedures, "sensor"),
		"GET /v1/procedures/{id}":                  s.forMembers(s.procedure, "register"),
		"POST /v1/read-alignment":                  s.forMembers(s.readAlignment),
		"POST /v1/read-codes":                      s.forMembers(s.readCodes),
		"POST /v1/read-document":                   s.forMembers(s.readDocument),
		"GET /v1/trail-key":                        s.adapt(s.trailKey),

		"GET /v1/webhooks":                                   s.forMembers(s.webhooks),
		"POST /v1/webhooks/{id}/secret":                      s.forMembers(s.newSecret),
		"POST /v1/webhooks/{id}/enable":                      s.forMembers(s.enableWebhook),
		"GET /v1/webhooks/{id}/deliveries":                   s.forMembers(s.deliveries, "state", "before", "limit"),
		"POST /v1/webhooks/{id}/deliveries/{delivery}/retry": s.forMembers(s.sendAgain),

		"POST /v1/interfaces/{id}/token": s.forMembers(s.newDeviceToken),
		"POST /v1/announcements":         s.adapt(s.announce),
		"POST /v1/readings":              s.adapt(s.showReadings),

		"GET /healthz": s.adapt(s.healthy),
		"GET /readyz":  s.adapt(s.ready),
	}
}

// Handler is the whole interface. Requests that browsers send from another origin and that would change something are
// refused before they reach a route.
func (s *Server) Handler() http.Handler {
	mux := http.NewServeMux()
	for pattern, h := range s.routes() {
		if !strings.Contains(pattern, "{kinds}") {
			mux.Handle(pattern, h)
			continue
		}
		for word := range kinds { // each of its own, so that no other word is an address of these methods
			mux.HandleFunc(strings.Replace(pattern, "{kinds}", word, 1), func(w http.ResponseWriter, r *http.Request) {
				r.SetPathValue("kinds", word)
				h.ServeHTTP(w, r)
			})
		}
	}
	for pattern, h := range s.Pages {
		mux.Handle(pattern, h)
	}
	mux.Handle("/", s.adapt(func(w http.ResponseWriter, r *http.Request) error {
		if allowed := methods(mux, r); len(allowed) > 0 {
			w.Header().Set("Allow", strings.Join(allowed, ", "))
			return fault.New(fault.WrongMethod, "This address takes "+strings.Join(allowed, ", ")+", not "+r.Method+".")
		}
		return fault.New(fault.NotHere, "There is nothing at this address.")
	}))
	guard := http.NewCrossOriginProtection()
	guard.SetDenyHandler(s.adapt(func(http.ResponseWriter, *http.Request) error {
		return fault.New(fault.ForeignPage, "The request came from a page of another origin.")
	}))
	return behind(s.Proxies, guard.Handler(s.renewing(mux)))
}

// methods are those that the address of a request is there for.
func methods(mux *http.ServeMux, r *http.Request) (all []string) {
	for _, method := range []string{http.MethodGet, http.MethodHead, http.MethodPost, http.MethodPut, http.MethodDelete} {
		other := r.Clone(r.Context())
		other.Method = method
		if _, pattern := mux.Handler(other); pattern != "/" {
			all = append(all, method)
		}
	}
	return all
}
