package register

import (
	"fmt"
	"net/url"
	"slices"
	"strings"

	"readback/internal/fault"
	"readback/internal/stream"
)

// Webhook is an address that is told of the organisation's entries. Its secret is not here: it is made when it is asked
// for and kept apart, wrapped.
type Webhook struct {
	ID     stream.ID `json:"-"`
	URL    string    `json:"url"`
	Events []string  `json:"events"` // see Wants
	Active bool      `json:"active"`
}

const (
	mostWebhooks = 20  // in use in one register
	mostEvents   = 50  // of one webhook
	longestURL   = 500 // bytes
)

// EventName is what an entry is called towards webhooks: its kind of stream and its type, such as
// calibration.leg_started.
func EventName(kind stream.Kind, entry string) string {
	return string(kind) + "." + strings.ReplaceAll(entry, "-", "_")
}

// Wants reports whether the webhook is told of events of that name. A kind followed by .* stands for all of its events.
func (w Webhook) Wants(event string) bool {
	kind, _, _ := strings.Cut(event, ".")
	return w.Active && (slices.Contains(w.Events, event) || slices.Contains(w.Events, kind+".*"))
}

type newWebhook struct {
	ID     stream.ID `json:"id"`
	URL    string    `json:"url"`
	Events []string  `json:"events"`
}

func readWebhook(in intake) newWebhook {
	return newWebhook{ID: in.newcomer(), URL: in.address(), Events: in.events()}
}

// address reads where a webhook is sent. Whether the server may reach it is seen when it sends.
func (in intake) address() string {
	const want = "an https address without user, password and fragment, such as https://hooks.example/readback; http for localhost only"
	text := in.String("url", longestURL)
	if text == "" {
		return ""
	}
	u, err := url.Parse(text)
	if err != nil || u.Host == "" || u.Hostname() == "" || u.User != nil || u.Fragment != "" || strings.Contains(text, "#") ||
		u.Scheme != "https" && !(u.Scheme == "http" && localhost(u.Hostname())) {
		in.Reject("url", want)
	}
	return text
}

func localhost(host string) bool { return host == "localhost" || host == "127.0.0.1" || host == "::1" }

func (in intake) events() []string {
	names := in.Strings("events", 1, mostEvents, 80)
	for i, name := range names {
		if !eventName(name) {
			in.Reject(fmt.Sprintf("events[%d]", i), "a kind of stream and an entry's type with underscores, such as calibration.leg_started, or register.*")
		} else if slices.Contains(names[:i], name) {
			in.Reject(fmt.Sprintf("events[%d]", i), "each event once")
		}
	}
	return names
}

func eventName(name string) bool {
	kind, event, _ := strings.Cut(name, ".")
	known := slices.Contains([]stream.Kind{stream.Register, stream.Job, stream.Calibration}, stream.Kind(kind))
	return known && (event == "*" || event != "" && !strings.ContainsFunc(event, func(r rune) bool { return (r < 'a' || r > 'z') && r != '_' }))
}

func (s *State) checkWebhook(g given[newWebhook]) error {
	if err := s.taken(g.data.ID); err != nil {
		return err
	}
	inUse := 0
	for _, k := range s.webhooks {
		if k.value.Active {
			inUse++
		}
	}
	if inUse >= mostWebhooks {
		return fault.New(fault.NotMet, "The organisation has as many webhooks in use as it may.",
			fault.Field{Name: "data.id", Want: fmt.Sprintf("at most %d in use: retire one first", mostWebhooks)})
	}
	return nil
}

func (s *State) addWebhook(d newWebhook) error {
	s.webhooks = s.webhooks.with(d.ID, Webhook{ID: d.ID, URL: d.URL, Events: d.Events, Active: true}, s.seq)
	return nil
}

type webhookChange struct {
	ID     stream.ID `json:"id"`
	URL    *string   `json:"url,omitempty"`
	Events []string  `json:"events,omitempty"`
}

func readWebhookChange(in intake) webhookChange {
	d := webhookChange{ID: in.id("id")}
	if in.Has("url") {
		address := in.address()
		d.URL = &address
	}
	if in.Has("events") {
		d.Events = in.events()
	}
	in.some("url", "events")
	return d
}

func (d webhookChange) of(w Webhook) Webhook {
	w.URL = or(d.URL, w.URL)
	if d.Events != nil {
		w.Events = d.Events
	}
	return w
}

func (s *State) checkWebhookChange(g given[webhookChange]) error {
	return changeable(s.webhooks, g.data.ID, "url", theWebhook, g.data.of)
}

func (s *State) changeWebhook(d webhookChange) error {
	s.webhooks = s.webhooks.with(d.ID, d.of(s.webhooks[d.ID].value), s.seq)
	return nil
}

// Webhooks lists the webhooks, the retired too, in order of their ids.
func (s *State) Webhooks() []Webhook {
	list := s.webhooks.all()
	for i := range list {
		list[i].Events = slices.Clone(list[i].Events)
	}
	return list
}
