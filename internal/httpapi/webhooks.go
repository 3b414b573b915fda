package httpapi

import (
	"bytes"
	"context"
	"encoding/json"
	"net/http"
	"slices"
	"time"

	"readback/internal/access"
	"readback/internal/fault"
	"readback/internal/register"
	"readback/internal/stream"
	"readback/internal/wire"
)

// Webhooks keeps webhooks' secrets and deliveries. Which webhooks there are stands in the registers; a webhook's
// id is its organisation's alone.
type Webhooks interface {
	// NewSecret makes a secret and gives it as its receiver is to have it, and until when the ones before are used
	// beside it.
	NewSecret(ctx context.Context, org, webhook stream.ID) (secret string, beside time.Time, err error)
	// Health says how webhooks fare, in no order.
	Health(ctx context.Context, org stream.ID, webhooks []stream.ID) ([]WebhookHealth, error)
	// Enable sends to a webhook again that its receiver had disabled.
	Enable(ctx context.Context, org, webhook stream.ID) error
	// Deliveries gives one page, the newest first. state "" is any; before is the last of the page before, or nil.
	Deliveries(ctx context.Context, org, webhook stream.ID, state string, before *stream.ID, limit int) ([]Delivery, error)
	// Again has a delivery that is over sent again.
	Again(ctx context.Context, org, webhook, delivery stream.ID) error
}

// WebhookHealth is how a webhook fares.
type WebhookHealth struct {
	Webhook             stream.ID
	Secrets             int // it is signed with now
	Waiting, Done, Dead int // deliveries
	Failures            int // in a row
	HeldUntil           *time.Time
	DisabledAt          *time.Time
	LastError           string
	LastErrorAt         *time.Time
}

// Delivery is one message to one webhook.
type Delivery struct {
	ID         stream.ID
	Event      string
	State      string
	Attempts   int
	NextTry    time.Time
	LastStatus *int
	LastError  *string
	Body       []byte
	ChangedAt  time.Time
}

// ownWebhooks gives the webhooks of the actor's own organisation, which only its owners work with.
func (s *Server) ownWebhooks(r *http.Request, actor stream.Actor) ([]register.Webhook, error) {
	got, err := s.Hub.View(r.Context(), actor, stream.Ref{Kind: stream.Register, ID: actor.Org})
	if err != nil {
		return nil, err
	}
	if !access.Allowed(actor.Roles, got.Relation, stream.Register, access.Bundle) {
		return nil, fault.New(fault.NotYourRole, "Webhooks are looked after by the organisation's owners.")
	}
	return got.State.(*register.State).Webhooks(), nil
}

// ownWebhook finds the webhook that the address names. Another organisation's is as one that does not exist.
func (s *Server) ownWebhook(r *http.Request, actor stream.Actor) (stream.ID, error) {
	id, err := stream.ParseID("id", r.PathValue("id"))
	if err != nil {
		return id, err
	}
	hooks, err := s.ownWebhooks(r, actor)
	if err != nil {
		return id, err
	}
	if !slices.ContainsFunc(hooks, func(w register.Webhook) bool { return w.ID == id }) {
		return id, fault.New(fault.NotHere, "The organisation has no such webhook.")
	}
	return id, nil
}

type webhookJSON struct {
	ID          stream.ID `json:"id"`
	URL         string    `json:"url"`
	Events      []string  `json:"events"`
	Active      bool      `json:"active"`
	Secrets     int       `json:"secrets"`
	Waiting     int       `json:"waiting"`
	Done        int       `json:"done"`
	Dead        int       `json:"dead"`
	Failures    int       `json:"failures"`
	HeldUntil   string    `json:"held_until,omitempty"`
	DisabledAt  string    `json:"disabled_at,omitempty"`
	LastError   string    `json:"last_error,omitempty"`
	LastErrorAt string    `json:"last_error_at,omitempty"`
}

func (s *Server) webhooks(w http.ResponseWriter, r *http.Request, actor stream.Actor) error {
	hooks, err := s.ownWebhooks(r, actor)
	if err != nil {
		return err
	}
	ids := make([]stream.ID, len(hooks))
	for i, h := range hooks {
		ids[i] = h.ID
	}
	all, err := s.Webhooks.Health(r.Context(), actor.Org, ids)
	if err != nil {
		return err
	}
	health := make(map[stream.ID]WebhookHealth, len(all))
	for _, h := range all {
		health[h.Webhook] = h
	}
	list := make([]webhookJSON, len(hooks))
	for i, hook := range hooks {
		h := health[hook.ID]
		list[i] = webhookJSON{
			ID: hook.ID, URL: hook.URL, Events: hook.Events, Active: hook.Active, Secrets: h.Secrets,
			Waiting: h.Waiting, Done: h.Done, Dead: h.Dead, Failures: h.Failures, HeldUntil: instant(h.HeldUntil),
			DisabledAt: instant(h.DisabledAt), LastError: h.LastError, LastErrorAt: instant(h.LastErrorAt),
		}
	}
	return answer(w, map[string]any{"webhooks": list})
}

func instant(t *time.Time) string {
	if t == nil {
		return ""
	}
	return wire.Instant(*t)
}

func (s *Server) newSecret(w http.ResponseWriter, r *http.Request, actor stream.Actor) error {
	id, err := s.ownWebhook(r, actor)
	if err != nil {
		return err
	}
	secret, beside, err := s.Webhooks.NewSecret(r.Context(), actor.Org, id)
	if err != nil {
		return err
	}
	return answer(w, map[string]any{"secret": secret, "earlier_until": wire.Instant(beside)})
}

func (s *Server) enableWebhook(w http.ResponseWriter, r *http.Request, actor stream.Actor) error {
	id, err := s.ownWebhook(r, actor)
	if err != nil {
		return err
	}
	if err := s.Webhooks.Enable(r.Context(), actor.Org, id); err != nil {
		return err
	}
	return answer(w, map[string]any{"enabled": true})
}

type deliveryJSON struct {
	ID         stream.ID       `json:"id"`
	Event      string          `json:"event"`
	State      string          `json:"state"`
	Attempts   int             `json:"attempts"`
	NextTry    string          `json:"next_try,omitempty"`
	LastStatus *int            `json:"last_status,omitempty"`
	LastError  *string         `json:"last_error,omitempty"`
	ChangedAt  string          `json:"changed_at"`
	Body       json.RawMessage `json:"body"`
}

func (s *Server) deliveries(w http.ResponseWriter, r *http.Request, actor stream.Actor) error {
	id, err := s.ownWebhook(r, actor)
	if err != nil {
		return err
	}
	limit, err := number(r, "limit", 100, 1, 500)
	if err != nil {
		return err
	}
	query := r.URL.Query()
	state := query.Get("state")
	if query.Has("state") && !slices.Contains([]string{"waiting", "done", "dead"}, state) {
		return fault.Badly("state", "waiting, done or dead")
	}
	var before *stream.ID
	if query.Has("before") {
		last, err := stream.ParseID("before", query.Get("before"))
		if err != nil {
			return err
		}
		before = &last
	}
	rows, err := s.Webhooks.Deliveries(r.Context(), actor.Org, id, state, before, int(limit))
	if err != nil {
		return err
	}
	list := make([]deliveryJSON, len(rows))
	for i, d := range rows {
		list[i] = deliveryJSON{
			ID: d.ID, Event: d.Event, State: d.State, Attempts: d.Attempts, LastStatus: d.LastStatus, LastError: d.LastError,
			ChangedAt: wire.Instant(d.ChangedAt), Body: bytes.Clone(d.Body),
		}
		if d.State == "waiting" {
			list[i].NextTry = wire.Instant(d.NextTry)
		}
	}
	return answer(w, map[string]any{"deliveries": list})
}

func (s *Server) sendAgain(w http.ResponseWriter, r *http.Request, actor stream.Actor) error {
	id, err := s.ownWebhook(r, actor)
	if err != nil {
		return err
	}
	delivery, err := stream.ParseID("delivery", r.PathValue("delivery"))
	if err != nil {
		return err
	}
	if err := s.Webhooks.Again(r.Context(), actor.Org, id, delivery); err != nil {
		return err
	}
	return answer(w, map[string]any{"waiting": true})
}
