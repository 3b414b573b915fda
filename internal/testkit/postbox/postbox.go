// Package postbox is a mail server for tests: a listener that speaks as much of SMTP (RFC 5321), STARTTLS (RFC 3207) and
// AUTH PLAIN (RFC 4954, RFC 4616) as a client needs to leave letters, and keeps them.
package postbox

import (
	"bufio"
	"crypto/tls"
	"encoding/base64"
	"fmt"
	"io"
	"mime/quotedprintable"
	"net"
	"net/mail"
	"net/textproto"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
)

// Letter is what was left.
type Letter struct {
	From, To  string // of the envelope
	Header    mail.Header
	Text      string
	Encrypted bool
	User      string // who signed in as name:password
}

// Box is a listening server.
type Box struct {
	Addr    string
	Letters chan Letter // holds 100

	t       testing.TB
	tls     *tls.Config // nil: no STARTTLS
	refuse  bool
	serving sync.WaitGroup
}

// Options of a Box.
type Options struct {
	TLS    *tls.Config // offered by STARTTLS
	Refuse bool        // takes no letter
}

// Listen starts a Box on this machine, which ends with the test.
func Listen(t testing.TB, o Options) *Box {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	b := &Box{Addr: l.Addr().String(), Letters: make(chan Letter, 100), t: t, tls: o.TLS, refuse: o.Refuse}
	b.serving.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			b.serving.Go(func() { b.serve(c) })
		}
	})
	t.Cleanup(func() {
		l.Close()
		b.serving.Wait()
	})
	return b
}

func (b *Box) serve(c net.Conn) {
	defer func() { c.Close() }()
	r := textproto.NewReader(bufio.NewReader(c))
	say := func(format string, args ...any) { fmt.Fprintf(c, format+"\r\n", args...) }
	say("220 postbox.example ESMTP")
	var now Letter
	for {
		line, err := r.ReadLine()
		if err != nil {
			return
		}
		verb, rest, _ := strings.Cut(line, " ")
		switch strings.ToUpper(verb) {
		case "EHLO", "HELO":
			if b.tls != nil && !now.Encrypted {
				say("250-postbox.example\r\n250 STARTTLS")
			} else {
				say("250-postbox.example\r\n250 AUTH PLAIN")
			}
		case "STARTTLS":
			say("220 go ahead")
			over := tls.Server(c, b.tls)
			if over.Handshake() != nil {
				return
			}
			c, now.Encrypted = over, true
			r = textproto.NewReader(bufio.NewReader(c))
		case "AUTH":
			_, secret, _ := strings.Cut(rest, " ")
			raw, _ := base64.StdEncoding.DecodeString(secret)
			now.User = strings.ReplaceAll(strings.TrimPrefix(string(raw), "\x00"), "\x00", ":")
			say("235 welcome")
		case "MAIL":
			if b.refuse {
				say("451 not now")
				continue
			}
			now.From = between(rest)
			say("250 ok")
		case "RCPT":
			now.To = between(rest)
			say("250 ok")
		case "DATA":
			say("354 go on")
			raw, err := io.ReadAll(r.DotReader())
			if err != nil {
				return
			}
			m, err := mail.ReadMessage(strings.NewReader(string(raw)))
			if err != nil {
				b.t.Errorf("postbox: %v", err)
				return
			}
			var body io.Reader = m.Body
			if m.Header.Get("Content-Transfer-Encoding") == "quoted-printable" {
				body = quotedprintable.NewReader(body)
			}
			text, _ := io.ReadAll(body)
			now.Header, now.Text = m.Header, strings.ReplaceAll(string(text), "\r\n", "\n")
			b.Letters <- now
			say("250 kept")
		case "RSET", "NOOP":
			say("250 ok")
		case "QUIT":
			say("221 bye")
			return
		default:
			say("502 what")
		}
	}
}

func between(s string) string {
	_, s, _ = strings.Cut(s, "<")
	s, _, _ = strings.Cut(s, ">")
	return s
}
