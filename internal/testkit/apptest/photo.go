package apptest

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"net/http"

	"github.com/stretchr/testify/require"
	"golang.org/x/image/draw"

	"readback/internal/photo"
)

// Picture is a photograph of 640 × 480 pixels, as a camera would send it: grey, with a dark square in the middle.
func Picture() string {
	m := image.NewGray(image.Rect(0, 0, 640, 480))
	draw.Draw(m, m.Rect, image.NewUniform(color.Gray{Y: 200}), image.Point{}, draw.Src)
	draw.Draw(m, image.Rect(280, 200, 360, 280), image.NewUniform(color.Gray{Y: 40}), image.Point{}, draw.Src)
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, nil); err != nil {
		panic(err)
	}
	return b.String()
}

// AddPhoto gives the calibration a photo.
func (c *Client) AddPhoto(cal *Stream) photo.Named {
	c.s.t.Helper()
	got := c.With("Content-Type", "image/jpeg").Ask(http.MethodPost, cal.Path()+"/photos", Picture())
	require.Equal(c.s.t, http.StatusOK, got.Status, got.Body)
	return Read[photo.Named](c, got)
}

// AttachPhoto gives the calibration a photo and says what it is of, as a command says it.
func (c *Client) AttachPhoto(cal *Stream, of string) photo.Named {
	c.s.t.Helper()
	p := c.AddPhoto(cal)
	c.Do(cal, "attach-photo", fmt.Sprintf(`{"photo":%q,"sha256":%q,"width_px":%d,"height_px":%d,"of":%s}`, p.ID, p.SHA256, p.WidthPX, p.HeightPX, of))
	return p
}
