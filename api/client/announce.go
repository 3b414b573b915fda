package client

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
)

// Announcement is what a vehicle interface says of the car that it is in.
type Announcement struct {
	ID        string `json:"id"` // chosen by the sender; Announce makes one if it is empty
	VIN       string `json:"vin"`
	Plate     string `json:"plate,omitempty"`
	MileageKM *int64 `json:"mileage_km,omitempty"`
}

// Announced answers an announcement: the job that it went to and the entry that holds it.
type Announced struct {
	Job      string `json:"job"`
	Seq      uint64 `json:"seq"`
	Repeated bool   `json:"repeated"` // it had been announced before
}

// Announce announces a car with the token of a vehicle interface. It sends the same again until it is taken or refused, or
// until ctx ends: then what was in the way last is the error.
func (c *Client) Announce(ctx context.Context, token string, a Announcement) (got Announced, err error) {
	const path = "/v1/announcements"
	if a.ID == "" {
		a.ID = NewID()
	}
	body, err := json.Marshal(a)
	if err != nil {
		return got, fmt.Errorf("announce: %w", err)
	}
	var last error
	for failures := 1; ; failures++ {
		answer, err := c.sendAs(ctx, token, http.MethodPost, path, "application/json", bodyOf(body))
		if err == nil {
			err = read(answer, "POST "+path, &got)
		}
		if last == nil || ctx.Err() == nil {
			last = err
		}
		if err == nil || final(err) || wait(ctx, c.cfg.Pause(failures)) != nil {
			return got, last
		}
	}
}
