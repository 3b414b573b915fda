package demo

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
)

// result declares the calibration not completed, after the scan has said that the code is still there.
func (s *second) result(ctx context.Context) error {
	if err := s.record(ctx, "after"); err != nil {
		return err
	}
	var job struct {
		State struct {
			Comparison struct {
				Still []json.RawMessage `json:"still"`
				Gone  []json.RawMessage `json:"gone"`
				New   []json.RawMessage `json:"new"`
			} `json:"comparison"`
		} `json:"state"`
	}
	if err := s.tech.client.View(ctx, s.job, &job); err != nil {
		return err
	}
	c := job.State.Comparison
	s.say("bay", "scan after, compared: %d codes still there, %d gone, %d new", len(c.Still), len(c.Gone), len(c.New))
	reason := "The routine breaks off at position right."
	if _, err := s.do(ctx, s.spec, s.cal, "declare", map[string]any{
		"outcome": "not-completed", "reason": reason, "evaluation": map[string]any{"routine_confirmed": false, "lamps": "on"},
	}); err != nil {
		return err
	}
	s.say("desk", "%s declares: not completed. %q", first(s.spec.name), reason)
	for _, who := range []*person{s.tech, s.spec} {
		if _, err := s.do(ctx, who, s.cal, "sign", nil); err != nil {
			return err
		}
	}
	return nil
}

// notice makes the customer's notice, and records that the customer has it: before that the calibration is not closed.
func (s *second) notice(ctx context.Context) error {
	why, err := s.refused(ctx, s.tech, s.cal, "close", nil)
	if err != nil {
		return err
	}
	s.say("both", "signed by %s and %s; closing is held back: %s", first(s.tech.name), first(s.spec.name), why)
	var page bytes.Buffer
	if err := s.tech.client.Download(ctx, "/v1/calibrations/"+s.cal.ID+"/notice?lang=en", &page); err != nil {
		return err
	}
	sum := sha256.Sum256(page.Bytes())
	hash := hex.EncodeToString(sum[:])
	if _, err := s.do(ctx, s.tech, s.cal, "hand-over-notice", map[string]any{
		"to": "customer", "how": "in-hand", "language": "en", "sha256": hash,
	}); err != nil {
		return err
	}
	if _, err := s.do(ctx, s.tech, s.cal, "close", nil); err != nil {
		return err
	}
	s.say("bay", "notice (SHA-256 %s…) handed to the customer, on record; closed", hash[:8])
	return nil
}
