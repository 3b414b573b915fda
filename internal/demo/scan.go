package demo

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
)

// pasted is the answer of a control unit to service 19, subfunction 02 (ISO 14229-1), and a line of another tool.
const pasted = "59 02 FF 9F 0E 54 2F\nU0126-00 28 steering angle sensor"

// scan pastes what the scan tool gave and records it as the server reads it.
func (s *second) scan(ctx context.Context) error {
	for _, line := range strings.Split(pasted, "\n") {
		s.say("bay", "pastes a scan: %s", line)
	}
	return s.record(ctx, "before")
}

// readCode is a code as the server reads it from pasted text.
type readCode struct {
	Code    string `json:"code"`
	Status  *int64 `json:"status"`
	Meaning string `json:"meaning"`
}

// record reads the pasted scan and records its codes, none of which blocks.
func (s *second) record(ctx context.Context, when string) error {
	var read struct {
		Codes   []readCode        `json:"codes"`
		NotRead []json.RawMessage `json:"not_read"`
	}
	if err := s.tech.client.Post(ctx, "/v1/read-codes", map[string]any{"text": pasted}, &read); err != nil {
		return err
	}
	if len(read.Codes) != 2 || len(read.NotRead) != 0 {
		return fmt.Errorf("the pasted scan was read as %v, not read: %s", read.Codes, read.NotRead)
	}
	codes, said := []map[string]any{}, []string{}
	for _, c := range read.Codes {
		code := map[string]any{"code": c.Code, "blocking": false}
		if c.Status != nil {
			code["status"] = *c.Status
		}
		codes = append(codes, code)
		if strings.HasSuffix(c.Code, "-00") { // the failure type that says no more
			said = append(said, c.Code)
		} else {
			said = append(said, fmt.Sprintf("%s (%s)", c.Code, c.Meaning))
		}
	}
	if when == "before" {
		s.say("", "read as %s; none blocks", strings.Join(said, ", "))
	}
	_, err := s.do(ctx, s.tech, s.job, "record-scan", map[string]any{"when": when, "source": "pasted", "codes": codes})
	return err
}
