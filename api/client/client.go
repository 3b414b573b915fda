// Package client talks to a Readback server through its published interfaces, HTTP and one websocket, as docs/protocol.md
// describes them. It depends on nothing else of the server's.
//
//	c, err := client.New(client.Config{URL: "https://bay.example", Name: "example/1.0"})
//	_, err = c.SignIn(ctx, "ann", "correct horse battery staple")
//	l, err := c.Connect(ctx)
//	defer l.Close()
//	f := l.Follow(ref, 0)
//	receipt, err := l.Do(ctx, ref, client.Command{Base: 17, Type: "lock", Data: struct{}{}})
//	entry, err := f.Next(ctx)
//
// Promises. A connection that breaks is made again, and nothing is lost or doubled by it: a Following gives each entry
// once and in order, and Do sends the same command, with the same id, until it has an answer. What the server refuses is
// a *Problem. A connection that is half open, so that nothing arrives although nothing failed, is noticed by the beats
// that are not answered. What waits in memory is bounded.
//
// A Client, a Live and a Following may be used from many goroutines.
package client

import (
	"bytes"
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"time"
)

// Config says which server, and who asks. URL and Name are needed.
type Config struct {
	URL  string // such as https://bay.example or http://127.0.0.1:8420
	Name string // name and version of the program, for the server's log

	// TLS is for servers whose certificate the system does not know.
	TLS *tls.Config
	// Dial makes network connections in place of net.Dialer.
	Dial func(ctx context.Context, network, addr string) (net.Conn, error)
	// Pause is how long to wait before connecting anew, for the first, second … failure in a row. The default grows from
	// about 0.1 s to about 10 s, at random, so that many clients do not come back at once.
	Pause func(failures int) time.Duration
	// Lost is told why a connection ended, before it is made anew.
	Lost func(error)
}

// Client speaks HTTP, and opens Lives.
type Client struct {
	cfg  Config
	base *url.URL
	http *http.Client

	renewing chan struct{} // holds one: who exchanges the refresh token

	mu      sync.Mutex // guards what follows
	session Session
	got     time.Time     // when, by this clock
	lasts   time.Duration // how long access tokens of the session are good for
}

// New makes a client. Nothing is sent yet.
func New(cfg Config) (*Client, error) {
	base, err := url.Parse(cfg.URL)
	if err != nil || base.Host == "" || base.Scheme != "http" && base.Scheme != "https" {
		return nil, fmt.Errorf("client: URL %q: want http:// or https:// and a host", cfg.URL)
	}
	if cfg.Name == "" {
		return nil, errors.New("client: no name")
	}
	if cfg.Pause == nil {
		cfg.Pause = pause
	}
	if cfg.Dial == nil {
		cfg.Dial = (&net.Dialer{Timeout: 10 * time.Second}).DialContext
	}
	transport := &http.Transport{
		Proxy: http.ProxyFromEnvironment, DialContext: cfg.Dial, TLSClientConfig: cfg.TLS.Clone(), ForceAttemptHTTP2: true,
		TLSHandshakeTimeout: 10 * time.Second, MaxIdleConnsPerHost: 16, IdleConnTimeout: 90 * time.Second,
	}
	return &Client{cfg: cfg, base: base, http: &http.Client{Transport: transport}, renewing: make(chan struct{}, 1)}, nil
}

// Close closes idle connections. Lives are closed by themselves.
func (c *Client) Close() { c.http.CloseIdleConnections() }

// mostAnswer is the longest JSON answer that is read, in bytes.
const mostAnswer = 64 << 20

// Get asks for path, which may have a query, and decodes the answer into out unless that is nil.
func (c *Client) Get(ctx context.Context, path string, out any) error {
	return c.ask(ctx, http.MethodGet, path, nil, out)
}

// Post sends in as JSON and decodes the answer into out; either may be nil.
func (c *Client) Post(ctx context.Context, path string, in, out any) error {
	return c.ask(ctx, http.MethodPost, path, in, out)
}

// Download writes what is at path, such as a bundle, to w.
func (c *Client) Download(ctx context.Context, path string, w io.Writer) error {
	answer, err := c.send(ctx, http.MethodGet, path, nil)
	if err != nil {
		return err
	}
	defer answer.Body.Close()
	if _, err := io.Copy(w, answer.Body); err != nil {
		return fmt.Errorf("GET %s: %w", path, err)
	}
	return nil
}

func (c *Client) ask(ctx context.Context, method, path string, in, out any) error {
	var body []byte
	if in != nil {
		var err error
		if body, err = json.Marshal(in); err != nil {
			return fmt.Errorf("%s %s: %w", method, path, err)
		}
	}
	answer, err := c.send(ctx, method, path, body)
	if err != nil {
		return err
	}
	return read(answer, method+" "+path, out)
}

func read(answer *http.Response, what string, out any) error {
	defer answer.Body.Close()
	raw, err := io.ReadAll(io.LimitReader(answer.Body, mostAnswer))
	if err == nil && out != nil {
		err = json.Unmarshal(raw, out)
	}
	if err != nil {
		return fmt.Errorf("%s: %w", what, err)
	}
	return nil
}

// send gives the answer if it is a success, else the problem. Where the server wants a sign-in it is asked once more with
// a new access token, if there is a session to get one from.
func (c *Client) send(ctx context.Context, method, path string, body []byte) (*http.Response, error) {
	return c.sendMedia(ctx, method, path, "application/json", body)
}

func (c *Client) sendMedia(ctx context.Context, method, path, media string, body []byte) (*http.Response, error) {
	token := c.bearer(ctx)
	answer, err := c.sendAs(ctx, token, method, path, media, bodyOf(body))
	if err == nil || !c.renewable(err) || c.renew(ctx, token) != nil {
		return answer, err
	}
	return c.sendAs(ctx, c.bearer(ctx), method, path, media, bodyOf(body))
}

func bodyOf(body []byte) io.Reader {
	if body == nil {
		return nil
	}
	return bytes.NewReader(body)
}

func (c *Client) sendAs(ctx context.Context, token, method, path, media string, body io.Reader) (*http.Response, error) {
	req, err := http.NewRequestWithContext(ctx, method, strings.TrimSuffix(c.base.String(), "/")+path, body)
	if err != nil {
		return nil, fmt.Errorf("%s %s: %w", method, path, err)
	}
	req.Header.Set("User-Agent", c.cfg.Name)
	if body != nil {
		req.Header.Set("Content-Type", media)
	}
	if token != "" {
		req.Header.Set("Authorization", "Bearer "+token)
	}
	answer, err := c.http.Do(req)
	if err != nil {
		return nil, err // says method and address
	}
	if answer.StatusCode < 300 {
		return answer, nil
	}
	defer answer.Body.Close()
	return nil, problemOf(answer)
}
