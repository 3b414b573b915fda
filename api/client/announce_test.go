package client_test

import (
	"context"
	"encoding/json"
	"io"
	"net/http"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/api/client"
	"readback/internal/testkit/toyserver"
)

// TestAnnounce sends the same, byte for byte and with the device's token alone, until there is an answer that counts.
func TestAnnounce(t *testing.T) {
	t.Parallel()
	inBubble(t, toyserver.Options{}, func(t *testing.T, w *world) {
		var sent []string
		statuses := []int{http.StatusServiceUnavailable, http.StatusTooManyRequests, http.StatusInternalServerError, http.StatusOK}
		var h http.Handler = http.HandlerFunc(func(rw http.ResponseWriter, r *http.Request) {
			body, err := io.ReadAll(r.Body)
			if as := r.Method + " " + r.URL.Path + " " + r.Header.Get("Authorization"); err != nil || as != "POST /v1/announcements Bearer rbdevice_x" {
				t.Errorf("%s: %v", as, err)
			}
			sent = append(sent, string(body))
			rw.WriteHeader(statuses[(len(sent)-1)%len(statuses)])
			json.NewEncoder(rw).Encode(client.Announced{Job: "a job", Seq: 7})
		})
		w.handler.Store(&h)
		c := w.stranger()
		defer c.Close()
		got, err := c.Announce(t.Context(), "rbdevice_x", client.Announcement{VIN: "ZZZDEM0A4CR000017"})
		require.NoError(t, err)
		require.Equal(t, client.Announced{Job: "a job", Seq: 7}, got)
		require.Len(t, sent, 4)
		for _, s := range sent {
			require.Equal(t, sent[0], s)
		}
		var a client.Announcement
		require.NoError(t, json.Unmarshal([]byte(sent[0]), &a))
		require.Len(t, a.ID, 36)

		statuses = []int{http.StatusUnprocessableEntity}
		_, err = c.Announce(t.Context(), "rbdevice_x", client.Announcement{})
		var p *client.Problem
		require.ErrorAs(t, err, &p)
		require.Equal(t, http.StatusUnprocessableEntity, p.Status)
		require.Len(t, sent, 5)

		statuses = []int{http.StatusServiceUnavailable}
		ctx, stop := context.WithTimeout(t.Context(), time.Minute)
		defer stop()
		_, err = c.Announce(ctx, "rbdevice_x", client.Announcement{})
		require.ErrorAs(t, err, &p, "not that time is up, but what was in the way")
		require.Equal(t, http.StatusServiceUnavailable, p.Status)
	})
}
