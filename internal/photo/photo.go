// Package photo takes a photograph in: what comes out is a picture drawn anew, of which nothing is left but what can be
// seen. Where it was taken, with what and by whom, earlier versions and previews, and bytes put behind the picture do
// not get through, because nothing is copied: only pixels are.
//
// What always holds of a Picture: it is a baseline JPEG of three colours, upright, at most MaxSidePX on its longer
// side, without metadata. It is a JPEG also where a PNG came in: what is photographed in a bay has no use for exact
// pixels or transparency, would be ten times the size, and every screen and printer has the one decoder. Transparent
// parts become white. A colour profile is applied by nobody and dropped, as it can name a device; colours of a wide-gamut
// camera come out a little duller, which no reading depends on.
//
// Sizes are read from the header and refused before anything is decoded. A decoded picture takes up to 12 bytes a pixel
// (a progressive JPEG), half a gigabyte for the largest allowed; a Taker lets no more than one such be in memory, or
// several smaller ones. Of the photos being read a few are of one organisation, the rest is for others.
//
// Take is pure. A Taker may be used by many goroutines.
package photo

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"io"
	"sync"

	"golang.org/x/image/draw"
	"golang.org/x/sync/semaphore"

	"readback/internal/fault"
	"readback/internal/stream"
)

const (
	MaxBytes  = 12 << 20   // of a photo as it comes in
	MaxPixels = 40_000_000 // of a photo as it comes in
	MaxSidePX = 2560       // of the longer side of a Picture
	Media     = "image/jpeg"

	quality  = 82  // small print on a target's label stays legible; higher doubles the bytes for nothing to see
	maxScans = 100 // of a progressive JPEG; cameras write about ten, and each costs a pass over the whole picture
)

// Picture is a photograph as it is kept.
type Picture struct {
	JPEG              []byte
	WidthPX, HeightPX int
}

// Taker takes photos in, as many at a time as there is memory for.
type Taker struct {
	bodies *semaphore.Weighted // being read, or read and not taken yet
	pixels *semaphore.Weighted // being decoded

	mu     sync.Mutex // guards what follows
	shares map[stream.ID]*share
}

// share is what one organisation has of the bodies.
type share struct {
	turns *semaphore.Weighted
	users int // who have a turn or wait for one; without any the share goes
}

const (
	mostBodies = 8 // photos read at once, of MaxBytes at most
	mostOfOrg  = 2 // of them from one organisation: who sends slowly holds up nobody else
)

// NewTaker makes a Taker that decodes at most MaxPixels at a time.
func NewTaker() *Taker {
	return &Taker{bodies: semaphore.NewWeighted(mostBodies), pixels: semaphore.NewWeighted(MaxPixels), shares: map[stream.ID]*share{}}
}

// turn waits until few enough of the organisation's photos are being read.
func (t *Taker) turn(ctx context.Context, org stream.ID) (end func(), err error) {
	t.mu.Lock()
	s := t.shares[org]
	if s == nil {
		s = &share{turns: semaphore.NewWeighted(mostOfOrg)}
		t.shares[org] = s
	}
	s.users++
	t.mu.Unlock()
	leave := func() {
		t.mu.Lock()
		defer t.mu.Unlock()
		if s.users--; s.users == 0 {
			delete(t.shares, org)
		}
	}
	if err := s.turns.Acquire(ctx, 1); err != nil {
		leave()
		return nil, err
	}
	return func() { s.turns.Release(1); leave() }, nil
}

// Read waits for its turn, reads a photo from somebody of the organisation to its end and takes it.
func (t *Taker) Read(ctx context.Context, org stream.ID, from io.Reader) (Picture, error) {
	end, err := t.turn(ctx, org)
	if err != nil {
		return Picture{}, err
	}
	defer end()
	if err := t.bodies.Acquire(ctx, 1); err != nil {
		return Picture{}, err
	}
	defer t.bodies.Release(1)
	raw, err := io.ReadAll(io.LimitReader(from, MaxBytes+1))
	if err != nil {
		return Picture{}, fault.New(fault.Malformed, "The photo did not arrive whole.", fault.Field{Name: body, Want: "a whole JPEG or PNG picture"}).Because(err)
	}
	return t.Take(ctx, raw)
}

// Take draws a JPEG or PNG anew, upright and no larger than a Picture is, once it is its turn. What can be refused by its header
// does not wait.
func (t *Taker) Take(ctx context.Context, raw []byte) (Picture, error) {
	h, err := readHeader(raw)
	if err != nil {
		return Picture{}, err
	}
	if err := t.pixels.Acquire(ctx, h.pixels()); err != nil {
		return Picture{}, err
	}
	defer t.pixels.Release(h.pixels())
	return h.take(raw)
}

// header is what is known of a photo without decoding it.
type header struct {
	jpeg              bool
	widthPX, heightPX int
	turn              orientation
}

func (h header) pixels() int64 { return int64(h.widthPX) * int64(h.heightPX) }

// body is the field that refusals name: a photo is the whole body of a request.
const body = "body"

// readHeader refuses what is no photo or too much of one.
func readHeader(raw []byte) (header, error) {
	if len(raw) > MaxBytes {
		return header{}, tooLarge(fmt.Sprintf("The photo has more than %d bytes. Take it with fewer pixels.", MaxBytes))
	}
	var h header
	var size image.Config
	var err error
	switch {
	case bytes.HasPrefix(raw, []byte("\xff\xd8\xff")):
		h.jpeg = true
		size, err = jpeg.DecodeConfig(bytes.NewReader(raw))
	case bytes.HasPrefix(raw, []byte("\x89PNG\r\n\x1a\n")):
		size, err = png.DecodeConfig(bytes.NewReader(raw))
	default:
		return header{}, fault.New(fault.Malformed, "This is neither a JPEG nor a PNG picture.", fault.Field{Name: body, Want: "a JPEG or PNG picture"})
	}
	if err != nil {
		return header{}, unreadable(err)
	}
	h.widthPX, h.heightPX = size.Width, size.Height
	if h.pixels() > MaxPixels {
		return header{}, tooLarge(fmt.Sprintf("The photo has %d × %d = %d pixels; at most %d are taken. Take it with fewer.",
			size.Width, size.Height, h.pixels(), MaxPixels))
	}
	if h.pixels() <= 0 {
		return header{}, unreadable(fmt.Errorf("%d × %d pixels", size.Width, size.Height))
	}
	var scans int
	if h.jpeg {
		h.turn, scans = readJPEG(raw)
	} else {
		h.turn = readPNG(raw)
	}
	if scans > maxScans {
		return header{}, unreadable(fmt.Errorf("%d scans", scans))
	}
	return h, nil
}

func tooLarge(why string) error {
	return fault.New(fault.TooLarge, why, fault.Field{Name: body, Want: fmt.Sprintf("at most %d bytes and %d pixels", MaxBytes, MaxPixels)})
}

func unreadable(err error) error {
	var likeJPEG jpeg.UnsupportedError
	var likePNG png.UnsupportedError
	if errors.As(err, &likeJPEG) || errors.As(err, &likePNG) {
		return fault.New(fault.Malformed, "The picture is of a rare kind that is not taken. Save it as an ordinary JPEG or PNG.",
			fault.Field{Name: body, Want: "a JPEG of 8 bits, baseline or progressive, or a PNG"}).Because(err)
	}
	return fault.New(fault.Malformed, "The picture cannot be read: it is cut short, damaged or not as its header says.",
		fault.Field{Name: body, Want: "a whole JPEG or PNG picture"}).Because(err)
}

func (h header) take(raw []byte) (Picture, error) {
	decode := png.Decode
	if h.jpeg {
		decode = jpeg.Decode
	}
	src, err := decode(bytes.NewReader(raw))
	if err != nil {
		return Picture{}, unreadable(err)
	}
	upright := h.turn.apply(shrink(src))
	var out bytes.Buffer
	if err := jpeg.Encode(&out, upright, &jpeg.Options{Quality: quality}); err != nil {
		return Picture{}, fmt.Errorf("encode a picture: %w", err)
	}
	size := upright.Bounds().Size()
	return Picture{JPEG: out.Bytes(), WidthPX: size.X, HeightPX: size.Y}, nil
}

// shrink draws the picture on white, at most MaxSidePX long. It halves as often as it can and goes the rest in one step:
// at 2:1 and less the plain bilinear scaler looks at every pixel, and unlike the better kernels it needs no buffer
// several times the size of the picture.
func shrink(src image.Image) *image.RGBA {
	for {
		from := src.Bounds()
		size := from.Size()
		if long := max(size.X, size.Y); long > 2*MaxSidePX {
			size = image.Pt((size.X+1)/2, (size.Y+1)/2)
		} else if long > MaxSidePX {
			size = image.Pt(max(1, (size.X*MaxSidePX+long/2)/long), max(1, (size.Y*MaxSidePX+long/2)/long))
		}
		dst := image.NewRGBA(image.Rectangle{Max: size})
		draw.Draw(dst, dst.Bounds(), image.NewUniform(color.White), image.Point{}, draw.Src)
		draw.ApproxBiLinear.Scale(dst, dst.Bounds(), src, from, draw.Over, nil)
		if max(size.X, size.Y) <= MaxSidePX {
			return dst
		}
		src = dst
	}
}
