package client

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"
)

// WebhookTolerance is how far a webhook's time may be from the receiver's clock: an older one may be a recorded one.
const WebhookTolerance = 5 * time.Minute

// ErrWebhook is what VerifyWebhook says of a request that no secret has signed, or not now.
var ErrWebhook = errors.New("not a webhook of this sender")

// VerifyWebhook checks a request's headers and its body, byte for byte as it came, against a secret as the server showed it
// (whsec_…), and gives its id. The same id may come again: what has been dealt with under it is dealt with.
// While secrets are exchanged both sign, so either verifies.
func VerifyWebhook(secret string, header http.Header, body []byte, now time.Time) (id string, err error) {
	key, err := base64.StdEncoding.DecodeString(strings.TrimPrefix(secret, "whsec_"))
	if err != nil || len(key) == 0 {
		return "", errors.New("the secret is not whsec_ and base64")
	}
	id = header.Get("webhook-id")
	seconds, err := strconv.ParseInt(header.Get("webhook-timestamp"), 10, 64)
	if id == "" || err != nil {
		return "", fmt.Errorf("%w: it has no id or no time", ErrWebhook)
	}
	if off := now.Sub(time.Unix(seconds, 0)).Abs(); off > WebhookTolerance {
		return "", fmt.Errorf("%w: its time is %s off", ErrWebhook, off.Round(time.Second))
	}
	mac := hmac.New(sha256.New, key)
	fmt.Fprintf(mac, "%s.%d.", id, seconds)
	mac.Write(body)
	want := mac.Sum(nil)
	for signature := range strings.SplitSeq(header.Get("webhook-signature"), " ") {
		text, ok := strings.CutPrefix(signature, "v1,")
		if !ok {
			continue
		}
		if got, err := base64.StdEncoding.DecodeString(text); err == nil && hmac.Equal(got, want) {
			return id, nil
		}
	}
	return "", fmt.Errorf("%w: no signature fits", ErrWebhook)
}
