package notify

import (
	"bytes"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"strconv"
	"strings"
	"time"
)

// newClient makes requests as this package promises: no proxy of the environment, no redirect followed, addresses
// checked, everything bounded in time and size.
func newClient(cfg Config) *http.Client {
	return &http.Client{
		Timeout:       cfg.Whole,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
		Transport: &http.Transport{
			DialContext:         dialer(cfg.Networks, cfg.Connect).DialContext,
			TLSClientConfig:     &tls.Config{RootCAs: cfg.Roots, MinVersion: tls.VersionTLS12},
			TLSHandshakeTimeout: cfg.Connect, ResponseHeaderTimeout: cfg.Whole, MaxResponseHeaderBytes: 16 << 10,
			MaxIdleConns: 64, MaxIdleConnsPerHost: 2, IdleConnTimeout: 30 * time.Second, ForceAttemptHTTP2: true,
		},
	}
}

// slots counts requests under way. It belongs to the goroutine of sendAll, which the ends of requests tell by a channel.
type slots struct{ healthy, troubled int }

func (n *Notifier) sendAll(ctx, sending context.Context) {
	free := slots{healthy: n.cfg.Slots - n.cfg.Troubled, troubled: n.cfg.Troubled}
	ended := make(chan *int, n.cfg.Slots) // never full: one for each slot
	for {
		some := false
		for _, lane := range []struct {
			free     *int
			troubled bool
			each     int
			ofOrg    int
		}{{&free.healthy, false, n.cfg.Each, quarter(n.cfg.Slots - n.cfg.Troubled)}, {&free.troubled, true, 1, quarter(n.cfg.Troubled)}} {
			if *lane.free == 0 {
				continue
			}
			due, err := n.cfg.Store.Take(ctx, lane.troubled, *lane.free, lane.each, lane.ofOrg, n.cfg.Lease)
			if ctx.Err() != nil && len(due) == 0 {
				return
			}
			if err != nil {
				n.cfg.Log.WarnContext(ctx, "handing out webhook deliveries was interrupted", slog.Any("cause", err))
				continue
			}
			for _, d := range due {
				some = true
				*lane.free--
				n.sending.Go(func() {
					n.send(sending, d)
					ended <- lane.free
				})
			}
		}
		if some {
			continue
		}
		select {
		case <-ctx.Done():
			return
		case slot := <-ended:
			*slot++
		case <-n.made:
		case <-time.After(n.cfg.Poll):
		}
		for more := true; more; {
			select {
			case slot := <-ended:
				*slot++
			default:
				more = false
			}
		}
	}
}

// quarter is what one organisation has of slots, and one at least.
func quarter(slots int) int { return max(1, slots/4) }

// send makes one try and notes what became of it.
func (n *Notifier) send(ctx context.Context, d Due) {
	status, retryAfter, err := n.try(ctx, d)
	if ctx.Err() != nil {
		return // broken off: the lease runs out and it is sent again
	}
	noting, cancel := context.WithTimeout(context.WithoutCancel(ctx), n.cfg.Lease)
	defer cancel()
	if err == nil {
		err = n.cfg.Store.Arrived(noting, d, status)
	} else {
		f := n.failure(d, status, retryAfter, err)
		n.cfg.Log.DebugContext(ctx, "webhook not delivered", slog.String("webhook", d.Webhook.String()), slog.String("cause", f.Error))
		err = n.cfg.Store.Failed(noting, d, f)
	}
	if err != nil {
		n.cfg.Log.WarnContext(ctx, "a webhook delivery's outcome was not noted: it is sent again", slog.Any("cause", err))
	}
}

// try sends once. An error says, in words for the webhook's owner, why it did not arrive.
func (n *Notifier) try(ctx context.Context, d Due) (status int, retryAfter time.Duration, err error) {
	now := time.Now()
	var signatures []string
	for _, wrapped := range d.Secrets {
		key, err := n.cfg.Keys.Unwrap(wrapped)
		if err != nil {
			return 0, 0, errors.New("the secret does not open under this server's key file; make a new one")
		}
		signatures = append(signatures, Sign(key.Bytes(), d.ID.String(), now, d.Body))
	}
	u, err := url.Parse(d.URL)
	if err != nil {
		return 0, 0, errors.New("the address is not readable")
	}
	if u.Scheme != "https" && !(u.Scheme == "http" && within(n.cfg.Networks, netip.AddrFrom4([4]byte{127, 0, 0, 1}))) {
		return 0, 0, errors.New("plain http is sent to this machine only, and only where READBACK_WEBHOOK_NETWORKS has 127.0.0.0/8")
	}
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, d.URL, bytes.NewReader(d.Body))
	if err != nil {
		return 0, 0, errors.New("the address is not usable")
	}
	r.Header.Set("Content-Type", "application/json")
	r.Header.Set("User-Agent", "Readback")
	r.Header.Set("Webhook-Id", d.ID.String())
	r.Header.Set("Webhook-Timestamp", strconv.FormatInt(now.Unix(), 10))
	r.Header.Set("Webhook-Signature", strings.Join(signatures, " "))
	answer, err := n.client.Do(r)
	if err != nil {
		return 0, 0, reason(err)
	}
	answer.Body.Close() // not read: what it says is of no use, and may never end
	if answer.StatusCode/100 == 2 {
		return answer.StatusCode, 0, nil
	}
	return answer.StatusCode, after(answer.Header.Get("Retry-After"), now), fmt.Errorf("answered %d %s", answer.StatusCode, http.StatusText(answer.StatusCode))
}

// reason says why there was no answer, without the address: it is shown beside it. What a name comes to in here is not for
// whoever may only choose the name: neither an inner address nor whose word that is.
func reason(err error) error {
	var f *forbidden
	var unknown *net.DNSError
	var wrapped *url.Error
	switch {
	case errors.As(err, &f), errors.As(err, &unknown):
		return errNowhere
	case errors.As(err, &wrapped) && wrapped.Timeout():
		return errors.New("no answer in time")
	case errors.As(err, &wrapped):
		return wrapped.Err
	}
	return err
}

// after reads Retry-After, seconds or a date (RFC 9110, section 10.2.3), as far as a day.
func after(text string, now time.Time) time.Duration {
	const most = 24 * time.Hour
	if seconds, err := strconv.ParseUint(text, 10, 31); err == nil {
		return min(time.Duration(seconds)*time.Second, most)
	}
	if at, err := http.ParseTime(text); err == nil {
		return min(max(0, at.Sub(now)), most)
	}
	return 0
}

var errNowhere = errors.New("the name comes to no public address; see READBACK_WEBHOOK_NETWORKS")

const longestError = 300 // bytes of it that are kept

func (n *Notifier) failure(d Due, status int, retryAfter time.Duration, cause error) Failure {
	f := Failure{Status: status, Error: cause.Error(), Gone: status == http.StatusGone}
	f.Error = strings.ToValidUTF8(f.Error[:min(len(f.Error), longestError)], "")
	f.Error = strings.ReplaceAll(f.Error, "\x00", "")
	if f.Gone {
		return f // stays as it is, for when the webhook is enabled again
	}
	if d.Attempts > len(n.cfg.Schedule) {
		f.Dead = true
	} else {
		pause := n.cfg.Schedule[d.Attempts-1]
		f.Next = max(pause+time.Duration(rand.Float64()*0.2*float64(pause)), retryAfter) // up to a fifth longer
	}
	f.Hold = max(min(n.cfg.Hold<<min(d.Failures, 20), n.cfg.HoldMost), retryAfter)
	return f
}
