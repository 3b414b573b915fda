package photo

import (
	"bytes"
	"encoding/binary"
	"image"
)

// orientation is the value of the tag of that name, 0x0112 of TIFF 6.0 and Exif (CIPA DC-008): where the picture's
// first row and first column belong. 1 is upright; 0 stands for no tag.
type orientation int

// The walk below looks for this one tag. Libraries for Exif read everything else in it too, which is what must not be
// kept, and take malformed files less calmly than a file from a telephone asks for.
const (
	tagOrientation = 0x0112
	typeShort      = 3
)

// readJPEG finds the orientation in a JPEG's first Exif segment and counts its scans. It follows the markers of ITU-T
// T.81, annex B, up to the end of the image; what it cannot follow the decoder refuses later.
func readJPEG(raw []byte) (turn orientation, scans int) {
	rest := raw[2:]
	for len(rest) >= 4 {
		if rest[0] != 0xff {
			at := bytes.IndexByte(rest, 0xff)
			if at < 0 {
				break
			}
			rest = rest[at:]
			continue
		}
		marker := rest[1]
		switch {
		case marker == 0xd9: // end of image
			return turn, scans
		case marker == 0xff: // fill
			rest = rest[1:]
			continue
		case marker == 0, marker == 1, marker >= 0xd0 && marker <= 0xd8: // inside a scan, or alone
			rest = rest[2:]
			continue
		}
		n := int(binary.BigEndian.Uint16(rest[2:]))
		if n < 2 || n+2 > len(rest) {
			break
		}
		segment := rest[4 : n+2]
		rest = rest[n+2:]
		switch {
		case marker == 0xda:
			scans++
		case marker == 0xe1 && turn == 0:
			if tiff, ok := bytes.CutPrefix(segment, []byte("Exif\x00\x00")); ok {
				turn = readTIFF(tiff)
			}
		}
	}
	return turn, scans
}

// readPNG finds the orientation in a PNG's eXIf chunk.
func readPNG(raw []byte) orientation {
	for rest := raw[8:]; len(rest) >= 12; {
		n := int64(binary.BigEndian.Uint32(rest))
		if n+12 > int64(len(rest)) {
			return 0
		}
		switch string(rest[4:8]) {
		case "eXIf":
			return readTIFF(rest[8 : 8+n])
		case "IEND":
			return 0
		}
		rest = rest[n+12:]
	}
	return 0
}

// readTIFF finds the orientation in the first directory of a TIFF structure; 0 if it is not there or makes no sense.
func readTIFF(b []byte) orientation {
	var order binary.ByteOrder
	switch {
	case bytes.HasPrefix(b, []byte("II*\x00")):
		order = binary.LittleEndian
	case bytes.HasPrefix(b, []byte("MM\x00*")):
		order = binary.BigEndian
	default:
		return 0
	}
	if len(b) < 8 {
		return 0
	}
	at := int64(order.Uint32(b[4:]))
	if at+2 > int64(len(b)) {
		return 0
	}
	n := int(order.Uint16(b[at:]))
	for entries := b[at+2:]; n > 0 && len(entries) >= 12; n, entries = n-1, entries[12:] {
		if order.Uint16(entries) != tagOrientation {
			continue
		}
		v := orientation(order.Uint16(entries[8:]))
		if order.Uint16(entries[2:]) != typeShort || order.Uint32(entries[4:]) != 1 || v < 1 || v > 8 {
			return 0
		}
		return v
	}
	return 0
}

// apply turns the picture upright.
func (o orientation) apply(src *image.RGBA) *image.RGBA {
	if o <= 1 {
		return src
	}
	w, h := src.Rect.Dx(), src.Rect.Dy()
	dst := image.NewRGBA(image.Rect(0, 0, w, h))
	if o >= 5 { // rows become columns
		dst = image.NewRGBA(image.Rect(0, 0, h, w))
	}
	for y := range h {
		for x := range w {
			tx, ty := x, y
			switch o {
			case 2: // mirrored
				tx = w - 1 - x
			case 3: // upside down
				tx, ty = w-1-x, h-1-y
			case 4: // mirrored, upside down
				ty = h - 1 - y
			case 5: // first row on the left, first column at the top
				tx, ty = y, x
			case 6: // first row on the right
				tx, ty = h-1-y, x
			case 7: // first row on the right, first column at the bottom
				tx, ty = h-1-y, w-1-x
			case 8: // first row on the left
				tx, ty = y, w-1-x
			}
			copy(dst.Pix[dst.PixOffset(tx, ty):][:4], src.Pix[src.PixOffset(x, y):][:4])
		}
	}
	return dst
}
