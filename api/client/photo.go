package client

import (
	"context"
	"io"
	"net/http"
)

// Photo is a photo as the server keeps it. The data of attach-photo holds its four fields as they are here.
type Photo struct {
	ID       string `json:"photo"`
	SHA256   string `json:"sha256"` // of the photo as it is kept, sealed
	WidthPX  int    `json:"width_px"`
	HeightPX int    `json:"height_px"`
}

// AddPhoto gives a calibration a photo: the file as it is, JPEG or PNG. It means nothing until the command attach-photo
// names it. One sent again because the answer was lost is another photo; the first is cleared away after a day.
func (c *Client) AddPhoto(ctx context.Context, calibration string, file []byte) (Photo, error) {
	path := "/v1/calibrations/" + calibration + "/photos"
	answer, err := c.sendMedia(ctx, http.MethodPost, path, http.DetectContentType(file), file)
	if err != nil {
		return Photo{}, err
	}
	var p Photo
	return p, read(answer, "POST "+path, &p)
}

// Photo writes a photo of a calibration, a JPEG, to w.
func (c *Client) Photo(ctx context.Context, calibration, photo string, w io.Writer) error {
	return c.Download(ctx, "/v1/calibrations/"+calibration+"/photos/"+photo, w)
}
