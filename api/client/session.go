package client

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"time"
)

// Session is a sign-in.
type Session struct {
	Token   string    `json:"token"`   // the access token
	Refresh string    `json:"refresh"` // good for one exchange against the next Session
	Expires time.Time `json:"expires"` // of the access token
	ID      string    `json:"session"`
	Ends    time.Time `json:"session_expires"` // unless it is used before
	Member  string    `json:"member"`
	Org     string    `json:"org"`
	Roles   []string  `json:"roles"`
}

// SignIn begins a session and keeps it for what follows: before its access token runs out, and once when the server wants
// a sign-in, the client exchanges the refresh token by itself, also for connections that are made anew.
func (c *Client) SignIn(ctx context.Context, login, password string) (Session, error) {
	var s Session
	raw, err := json.Marshal(map[string]string{"login": login, "password": password})
	if err == nil {
		err = c.askOnce(ctx, "/v1/sign-in", raw, &s)
	}
	if err != nil {
		return Session{}, err
	}
	c.keep(s)
	return s, nil
}

// Use sets an access token that the client cannot renew.
func (c *Client) Use(token string) { c.keep(Session{Token: token}) }

// SignOut ends the session, which closes its Lives, and forgets it.
func (c *Client) SignOut(ctx context.Context) error {
	if err := c.Post(ctx, "/v1/sign-out", nil, nil); err != nil {
		return err
	}
	c.Use("")
	return nil
}

// keep makes the session the one that is used.
func (c *Client) keep(s Session) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.session, c.got = s, time.Now()
	c.lasts = s.Expires.Sub(c.got)
}

func (c *Client) now() (s Session, worn bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	// A fifth of its time is left, by this clock alone: the server's may be another.
	return c.session, c.session.Refresh != "" && time.Since(c.got) > c.lasts*4/5
}

// bearer gives an access token, renewed if it will run out soon. Where that fails the one there is may still do.
func (c *Client) bearer(ctx context.Context) string {
	s, worn := c.now()
	if worn && c.renew(ctx, s.Token) == nil {
		s, _ = c.now()
	}
	return s.Token
}

// renew exchanges the refresh token, unless the access token is no longer the one that was found worn: many may find that
// at once. If the answer gets lost the next call sends the same again, as the protocol wants it.
func (c *Client) renew(ctx context.Context, worn string) error {
	select {
	case c.renewing <- struct{}{}:
		defer func() { <-c.renewing }()
	case <-ctx.Done():
		return ctx.Err()
	}
	s, _ := c.now()
	switch {
	case s.Token != worn:
		return nil
	case s.Refresh == "":
		return errors.New("client: nothing to renew the access token with")
	}
	raw, err := json.Marshal(map[string]string{"refresh": s.Refresh})
	if err != nil {
		return fmt.Errorf("refresh: %w", err)
	}
	var next Session
	if err := c.askOnce(ctx, "/v1/refresh", raw, &next); err != nil {
		if IsProblem(err, "sign-in-needed") { // it is over for good
			c.Use(worn)
		}
		return err
	}
	c.keep(next)
	return nil
}

// renewable reports whether the refusal is one that a new access token may mend.
func (c *Client) renewable(err error) bool {
	if s, _ := c.now(); s.Refresh == "" {
		return false
	}
	var closed *Closed
	if errors.As(err, &closed) {
		return closed.Code == 4101 || closed.Code == 4102
	}
	return IsProblem(err, "sign-in-needed")
}

// askOnce posts without an access token.
func (c *Client) askOnce(ctx context.Context, path string, body []byte, out any) error {
	answer, err := c.sendAs(ctx, "", http.MethodPost, path, "application/json", bytes.NewReader(body))
	if err != nil {
		return err
	}
	return read(answer, "POST "+path, out)
}
