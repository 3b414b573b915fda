package client_test

import (
	"net/http"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/api/client"
)

// TestVerifyWebhook takes the example that the Standard Webhooks project publishes with its libraries
// (github.com/standard-webhooks/standard-webhooks, libraries/go/webhook_test.go) and changes one thing at a time.
func TestVerifyWebhook(t *testing.T) {
	t.Parallel()
	const secret, body = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw", `{"test": 2432232314}`
	const signature = "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="
	at := time.Unix(1614265330, 0)
	for name, c := range map[string]struct {
		secret, id, stamp, signature, body string
		after                              time.Duration
		good                               bool
	}{
		"as published":          {good: true},
		"without the prefix":    {secret: strings.TrimPrefix(secret, "whsec_"), good: true},
		"among others":          {signature: "v1,Ceo5qEr07ixe2NLpvHk3FH9bwy/WavXrAFQ/9tdO6mc= v2," + signature[3:] + " " + signature + " v1,x", good: true},
		"almost late":           {after: 5 * time.Minute, good: true},
		"almost early":          {after: -5 * time.Minute, good: true},
		"late":                  {after: 5*time.Minute + time.Second},
		"early":                 {after: -5*time.Minute - time.Second},
		"other version only":    {signature: "v2," + signature[3:]},
		"another secret":        {secret: "whsec_C2FVsBQIhrscChlQIMV+b5sSYspob7oD"},
		"no secret":             {secret: "whsec_"},
		"another id":            {id: "msg_other"},
		"no id":                 {id: "-"},
		"another time":          {stamp: "1614265331"},
		"no time":               {stamp: "now"},
		"one blank of the body": {body: `{"test":2432232314}`},
		"no signature":          {signature: "-"},
	} {
		header := http.Header{}
		set := func(name, given, otherwise string) {
			if given == "" {
				given = otherwise
			}
			if given != "-" {
				header.Set(name, given)
			}
		}
		set("Webhook-Id", c.id, "msg_p5jXN8AQM9LWM0D4loKWxJek")
		set("Webhook-Timestamp", c.stamp, "1614265330")
		set("Webhook-Signature", c.signature, signature)
		with, text := secret, body
		if c.secret != "" {
			with = c.secret
		}
		if c.body != "" {
			text = c.body
		}
		id, err := client.VerifyWebhook(with, header, []byte(text), at.Add(c.after))
		require.Equal(t, c.good, err == nil, "%s: %v", name, err)
		if c.good {
			require.Equal(t, "msg_p5jXN8AQM9LWM0D4loKWxJek", id)
		}
	}
}

// TestWorkedExample executes the example of docs/webhooks.md.
func TestWorkedExample(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile("../../docs/webhooks.md")
	require.NoError(t, err)
	_, after, ok := strings.Cut(string(text), "```http\n")
	require.True(t, ok)
	request, rest, _ := strings.Cut(after, "\n```")
	head, body, ok := strings.Cut(request, "\n\n")
	require.True(t, ok)
	header := http.Header{}
	for line := range strings.SplitSeq(head, "\n") {
		if name, value, ok := strings.Cut(line, ": "); ok {
			header.Set(name, value)
		}
	}
	_, secret, ok := strings.Cut(rest, "secret `")
	require.True(t, ok)
	secret, _, _ = strings.Cut(secret, "`")
	seconds, err := strconv.ParseInt(header.Get("webhook-timestamp"), 10, 64)
	require.NoError(t, err)
	id, err := client.VerifyWebhook(secret, header, []byte(body), time.Unix(seconds, 0))
	require.NoError(t, err)
	require.Equal(t, header.Get("webhook-id"), id)
}
