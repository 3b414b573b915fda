package app

import (
	"context"
	"crypto/rand"
	"time"

	"readback/internal/httpapi"
	"readback/internal/notify"
	"readback/internal/postgres"
	"readback/internal/stream"
	"readback/internal/trail"
)

// besides is how long deliveries are signed with a webhook's earlier secrets too, once it has a new one.
const besides = 24 * time.Hour

// webhooks gives the HTTP interface webhooks' secrets and deliveries from the database.
type webhooks struct {
	*postgres.DB
	keys trail.WrappingKey
}

// NewSecret makes a secret of 32 random bytes, which is what the specification of the signature wants at least 24 of. It
// is kept wrapped, as streams' keys are.
func (w webhooks) NewSecret(ctx context.Context, org, webhook stream.ID) (string, time.Time, error) {
	key, err := trail.NewKey(stream.NewID(), rand.Reader)
	if err != nil {
		return "", time.Time{}, err
	}
	wrapped, err := w.keys.Wrap(rand.Reader, key)
	if err != nil {
		return "", time.Time{}, err
	}
	if err := w.AddSecret(ctx, org, webhook, wrapped, besides); err != nil {
		return "", time.Time{}, err
	}
	return notify.ShowSecret(key.Bytes()), time.Now().Add(besides), nil
}

func (w webhooks) Health(ctx context.Context, org stream.ID, ids []stream.ID) ([]httpapi.WebhookHealth, error) {
	all, err := w.DB.Health(ctx, org, ids)
	out := make([]httpapi.WebhookHealth, len(all))
	for i, h := range all {
		out[i] = httpapi.WebhookHealth(h)
	}
	return out, err
}

func (w webhooks) Deliveries(ctx context.Context, org, webhook stream.ID, state string, before *stream.ID, limit int) ([]httpapi.Delivery, error) {
	all, err := w.DB.Deliveries(ctx, org, webhook, state, before, limit)
	out := make([]httpapi.Delivery, len(all))
	for i, d := range all {
		out[i] = httpapi.Delivery(d)
	}
	return out, err
}
