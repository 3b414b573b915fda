package app

import (
	"encoding/json"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/stream"
)

// TestNoTextTurnsFigures: in no kind of stream is a text taken that would turn the figures shown behind it, sealed ones included.
func TestNoTextTurnsFigures(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		kind          stream.Kind
		command, data string
	}{
		{stream.Calibration, "note", `{"text":%}`},
		{stream.Job, "note", `{"text":%}`},
		{stream.Register, "add-member", `{"id":"01940000-0000-7000-8000-0000000000a1","name":%,"roles":["owner"]}`},
	} {
		for text, good := range map[string]bool{"Left stand \u202e": false, "Left stand": true} {
			var data []byte
			for _, b := range []byte(c.data) {
				if b == '%' {
					data = strconv.AppendQuoteToASCII(data, text)
					continue
				}
				data = append(data, b)
			}
			require.True(t, json.Valid(data))
			_, _, err := Rules()[c.kind].Admit(stream.Command{Type: c.command, Data: data})
			require.Equal(t, !good, fault.Is(err, fault.InvalidInput), "%s %s: %v", c.kind, c.command, err)
			if good {
				require.NoError(t, err)
			}
		}
	}
}
