package photo

import "readback/internal/stream"

// Named is a photo as entries name it. SHA256 is of the sealed bytes: see trail.Key.SealPhoto.
type Named struct {
	ID       stream.ID   `json:"photo"`
	SHA256   stream.Hash `json:"sha256"`
	WidthPX  int         `json:"width_px"`
	HeightPX int         `json:"height_px"`
}

// Entry is the type of the entries that name a photo for the first time.
const Entry = "photo-attached"
