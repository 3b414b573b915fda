package photo

import (
	"bytes"
	"compress/zlib"
	"context"
	"encoding/binary"
	"hash/crc32"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"io"
	"math"
	"os"
	"runtime"
	"sync"
	"testing"
	"testing/iotest"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/image/draw"

	"readback/internal/fault"
	"readback/internal/stream"
)

var (
	red   = color.RGBA{R: 255, A: 255}
	blue  = color.RGBA{B: 255, A: 255}
	white = color.RGBA{R: 255, G: 255, B: 255, A: 255}
)

// take is Take with nobody before it.
func take(raw []byte) (Picture, error) { return NewTaker().Take(context.Background(), raw) }

func filled(w, h int, c color.Color) *image.RGBA {
	m := image.NewRGBA(image.Rect(0, 0, w, h))
	draw.Draw(m, m.Rect, image.NewUniform(c), image.Point{}, draw.Src)
	return m
}

func asJPEG(t testing.TB, m image.Image) []byte {
	var b bytes.Buffer
	require.NoError(t, jpeg.Encode(&b, m, &jpeg.Options{Quality: 95}))
	return b.Bytes()
}

func asPNG(t testing.TB, m image.Image) []byte {
	var b bytes.Buffer
	require.NoError(t, png.Encode(&b, m))
	return b.Bytes()
}

// segment is a JPEG segment (ITU-T T.81, B.1.1.4).
func segment(marker byte, data string) []byte {
	b := binary.BigEndian.AppendUint16([]byte{0xff, marker}, uint16(len(data)+2))
	return append(b, data...)
}

// with puts segments behind a JPEG's start.
func with(raw []byte, segments ...[]byte) []byte {
	out := bytes.Clone(raw[:2])
	for _, s := range segments {
		out = append(out, s...)
	}
	return append(out, raw[2:]...)
}

// chunk is a PNG chunk (PNG specification, 5.3).
func chunk(name string, data []byte) []byte {
	b := binary.BigEndian.AppendUint32(nil, uint32(len(data)))
	b = append(append(b, name...), data...)
	return binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(b[4:]))
}

// flatPNG is a black PNG of one bit a pixel, as small as its size allows.
func flatPNG(t testing.TB, w, h int) []byte {
	head := binary.BigEndian.AppendUint32(nil, uint32(w))
	head = append(binary.BigEndian.AppendUint32(head, uint32(h)), 1, 0, 0, 0, 0)
	var body bytes.Buffer
	z := zlib.NewWriter(&body)
	row := make([]byte, 1+(w+7)/8)
	for range h {
		_, err := z.Write(row)
		require.NoError(t, err)
	}
	require.NoError(t, z.Close())
	out := append([]byte("\x89PNG\r\n\x1a\n"), chunk("IHDR", head)...)
	return append(append(out, chunk("IDAT", body.Bytes())...), chunk("IEND", nil)...)
}

// tiff is a TIFF structure of one directory with the orientation in it.
func tiff(order binary.AppendByteOrder, o int) []byte {
	b := []byte("II*\x00")
	if order == binary.AppendByteOrder(binary.BigEndian) {
		b = []byte("MM\x00*")
	}
	b = order.AppendUint32(b, 8)
	b = order.AppendUint16(b, 2)
	b = append(order.AppendUint16(b, 0x0100), make([]byte, 10)...) // ImageWidth: something before
	b = order.AppendUint16(b, 0x0112)
	b = order.AppendUint16(b, 3)
	b = order.AppendUint32(b, 1)
	b = order.AppendUint16(b, uint16(o))
	return append(b, 0, 0, 0, 0, 0, 0)
}

func decode(t testing.TB, p Picture) image.Image {
	m, err := jpeg.Decode(bytes.NewReader(p.JPEG))
	require.NoError(t, err)
	require.Equal(t, image.Rect(0, 0, p.WidthPX, p.HeightPX), m.Bounds())
	return m
}

// near compares colours, within what JPEG leaves of a flat patch (24 of 255 a channel; the patches differ by 255).
func near(t *testing.T, want color.RGBA, got color.Color, msg string) {
	r, g, b, _ := got.RGBA()
	for i, v := range []uint32{r, g, b} {
		require.InDelta(t, []uint8{want.R, want.G, want.B}[i], v>>8, 24, "%s, channel %d", msg, i)
	}
}

// TestOrientation has a picture whose first row is red and whose first column is blue, and looks on which side they
// come out. The sides of each value are those of tag 0x0112 in TIFF 6.0, section 8, and Exif (CIPA DC-008), from memory.
func TestOrientation(t *testing.T) {
	t.Parallel()
	const w, h, band = 96, 64, 16
	m := filled(w, h, white)
	draw.Draw(m, image.Rect(0, 0, w, band), image.NewUniform(red), image.Point{}, draw.Src)
	draw.Draw(m, image.Rect(0, band, band, h), image.NewUniform(blue), image.Point{}, draw.Src)
	for o, side := range map[int][2]string{
		1: {"top", "left"}, 2: {"top", "right"}, 3: {"bottom", "right"}, 4: {"bottom", "left"},
		5: {"left", "top"}, 6: {"right", "top"}, 7: {"right", "bottom"}, 8: {"left", "bottom"},
	} {
		for name, order := range map[string]binary.AppendByteOrder{"little": binary.LittleEndian, "big": binary.BigEndian} {
			exif := tiff(order, o)
			inPNG := asPNG(t, m)
			const afterHeader = 8 + 25
			inPNG = append(append(bytes.Clone(inPNG[:afterHeader]), chunk("eXIf", exif)...), inPNG[afterHeader:]...)
			for kind, raw := range map[string][]byte{
				"jpeg": with(asJPEG(t, m), segment(0xfe, "before"), segment(0xe1, "Exif\x00\x00"+string(exif))), "png": inPNG,
			} {
				p, err := take(raw)
				require.NoError(t, err)
				got := decode(t, p)
				size := got.Bounds().Size()
				if o <= 4 {
					require.Equal(t, image.Pt(w, h), size)
				} else {
					require.Equal(t, image.Pt(h, w), size)
				}
				middle := map[string]image.Point{
					"top": {size.X / 2, band / 2}, "bottom": {size.X / 2, size.Y - band/2},
					"left": {band / 2, size.Y / 2}, "right": {size.X - band/2, size.Y / 2},
				}
				for at, p := range middle {
					want := white
					switch at {
					case side[0]:
						want = red
					case side[1]:
						want = blue
					}
					near(t, want, got.At(p.X, p.Y), kind+" "+name+" endian, "+at)
				}
			}
		}
	}
}

// A tag that makes no sense leaves the picture as it is.
func TestOrientationBadlyGiven(t *testing.T) {
	t.Parallel()
	raw := asJPEG(t, filled(8, 4, red))
	le := binary.LittleEndian
	good := tiff(le, 6)
	long := bytes.Clone(good)
	le.PutUint16(long[24:], 4)
	two := bytes.Clone(good)
	le.PutUint32(two[26:], 2)
	far := bytes.Clone(good)
	le.PutUint32(far[4:], 1<<31)
	many := bytes.Clone(good[:22])
	le.PutUint16(many[8:], 0xffff)
	for name, exif := range map[string][]byte{
		"0": tiff(le, 0), "9": tiff(le, 9), "a LONG": long, "two values": two, "directory far away": far, "entries beyond the end": many,
		"no TIFF": []byte("what is this"), "empty": nil, "eight bytes": good[:8], "four": good[:4],
	} {
		p, err := take(with(raw, segment(0xe1, "Exif\x00\x00"+string(exif))))
		require.NoError(t, err, name)
		require.Equal(t, 8, p.WidthPX, name)
	}
	p, err := take(with(raw, segment(0xe1, "Exif\x00\x00"+string(good)), segment(0xe1, "Exif\x00\x00"+string(tiff(le, 1)))))
	require.NoError(t, err)
	require.Equal(t, 4, p.WidthPX, "the first counts")
}

// TestNothingButPixels puts a place, a maker's note, comments, a profile, a preview and a film into and behind a picture.
// The markers that may be left are those of a baseline JPEG (ITU-T T.81, table B.1).
func TestNothingButPixels(t *testing.T) {
	t.Parallel()
	const place = "48.137154N 11.576124E"
	be := binary.BigEndian
	gps := be.AppendUint16(nil, 1)
	gps = be.AppendUint16(gps, 0x0002) // GPSLatitude, three rationals
	gps = be.AppendUint16(gps, 5)
	gps = be.AppendUint32(gps, 3)
	gps = be.AppendUint32(gps, 8+2+12+4+2+12+4)
	gps = be.AppendUint32(gps, 0)
	latitude := []byte{}
	for _, v := range []uint32{48, 1, 8, 1, 137154, 10000} {
		latitude = be.AppendUint32(latitude, v)
	}
	exif := be.AppendUint32([]byte("MM\x00*"), 8)
	exif = be.AppendUint16(exif, 1)
	exif = be.AppendUint16(exif, 0x8825) // GPS directory
	exif = be.AppendUint16(exif, 4)
	exif = be.AppendUint32(exif, 1)
	exif = be.AppendUint32(exif, 8+2+12+4)
	exif = be.AppendUint32(exif, 0)
	exif = append(append(exif, gps...), latitude...)
	exif = append(exif, "MAKERNOTE serial 0815"...)

	secret := []string{place, string(latitude), "MAKERNOTE", "0815", "xmpmeta", "ICC_PROFILE", "by Anyone", "ftypmp42"}
	preview := asJPEG(t, filled(16, 16, blue))
	raw := with(asJPEG(t, filled(64, 48, red)),
		segment(0xe1, "Exif\x00\x00"+string(exif)+string(preview)),
		segment(0xe1, "http://ns.adobe.com/xap/1.0/\x00<x:xmpmeta>"+place+"</x:xmpmeta>"),
		segment(0xe2, "ICC_PROFILE\x00\x01\x01"+place), segment(0xed, "Photoshop 3.0\x00by Anyone"), segment(0xfe, place))
	raw = append(append(raw, preview...), "ftypmp42 "+place...)
	inPNG := asPNG(t, filled(64, 48, red))
	const afterHeader = 8 + 25
	inPNG = append(append(bytes.Clone(inPNG[:afterHeader]), bytes.Join([][]byte{
		chunk("eXIf", exif), chunk("tEXt", []byte("Comment\x00"+place)), chunk("tEXt", []byte("Author\x00by Anyone")),
		chunk("iTXt", []byte("XML:com.adobe.xmp\x00\x00\x00\x00\x00xmpmeta "+place))}, nil)...), inPNG[afterHeader:]...)
	inPNG = append(inPNG, "ftypmp42 "+place...)

	for name, raw := range map[string][]byte{"jpeg": raw, "png": inPNG} {
		require.Contains(t, string(raw), secret[0])
		p, err := take(raw)
		require.NoError(t, err, name)
		near(t, red, decode(t, p).At(30, 20), name)
		for _, s := range secret {
			require.NotContains(t, string(p.JPEG), s, name)
		}
		for rest := p.JPEG[2:]; rest[1] != 0xda; rest = rest[2+be.Uint16(rest[2:]):] {
			require.Equal(t, byte(0xff), rest[0])
			require.Contains(t, []byte{0xdb, 0xc0, 0xc4}, rest[1], "a quantisation table, a frame or a Huffman table")
		}
		require.True(t, bytes.HasSuffix(p.JPEG, []byte{0xff, 0xd9}))
	}
	once, err := take(raw)
	require.NoError(t, err)
	bare, err := take(asJPEG(t, filled(64, 48, red)))
	require.NoError(t, err)
	require.Equal(t, bare.JPEG, once.JPEG, "the same pixels give the same bytes, whatever stood around them")
}

// TestBombs are pictures that are small to send and large to decode. They must be refused by their header, before memory is
// taken for them.
func TestBombs(t *testing.T) { // not parallel: it looks at the memory taken
	eighty := flatPNG(t, 10_000, 8_000)
	require.Less(t, len(eighty), 20_000)
	huge := with(asJPEG(t, filled(8, 8, red)))
	frame := bytes.Index(huge, []byte{0xff, 0xc0})
	copy(huge[frame+5:], []byte{0xff, 0xff, 0xff, 0xff})
	wide := flatPNG(t, 8, 8)
	binary.BigEndian.PutUint32(wide[16:], 1<<31-1)
	binary.BigEndian.PutUint32(wide[20:], 1<<31-1)
	binary.BigEndian.PutUint32(wide[29:], crc32.ChecksumIEEE(wide[12:29]))

	for name, raw := range map[string][]byte{"80 megapixels": eighty, "65535 × 65535": huge} {
		_, err := take(raw)
		require.True(t, fault.Is(err, fault.TooLarge), "%s: %v", name, err)
		require.ErrorContains(t, err, "40000000")
	}
	_, err := take(eighty)
	require.ErrorContains(t, err, "80000000")
	_, err = take(wide)
	require.Error(t, err)

	most := append(asJPEG(t, filled(8, 8, red)), make([]byte, MaxBytes)...)
	_, err = take(most)
	require.True(t, fault.Is(err, fault.TooLarge))
	require.ErrorContains(t, err, "12582912")

	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	_, err = take(eighty)
	runtime.ReadMemStats(&after)
	require.Error(t, err)
	require.Less(t, after.TotalAlloc-before.TotalAlloc, uint64(1<<20), "refused before memory is taken")
}

// A picture at the limit is taken, and comes out small.
func TestLargestTaken(t *testing.T) {
	t.Parallel()
	p, err := take(flatPNG(t, 8_000, 5_000))
	require.NoError(t, err)
	require.Equal(t, []int{2560, 1600}, []int{p.WidthPX, p.HeightPX})
	for size, want := range map[image.Point]image.Point{
		{X: 2560, Y: 100}: {X: 2560, Y: 100}, {X: 2561, Y: 100}: {X: 2560, Y: 100}, {X: 30, Y: 7681}: {X: 10, Y: 2560}, {X: 60_000, Y: 1}: {X: 2560, Y: 1},
	} {
		p, err := take(flatPNG(t, size.X, size.Y))
		require.NoError(t, err)
		require.Equal(t, want, image.Pt(p.WidthPX, p.HeightPX), size)
	}
}

// A pattern finer than the small picture can show becomes the mean of it, not a coarser pattern that is not there. The
// tolerance is JPEG's, 24 of 255.
func TestShrinkDoesNotInvent(t *testing.T) {
	t.Parallel()
	m := image.NewGray(image.Rect(0, 0, 10_240, 64))
	for i := range m.Pix {
		m.Pix[i] = uint8(i%2) * 255
	}
	p, err := take(asPNG(t, m))
	require.NoError(t, err)
	got := decode(t, p)
	for x := range p.WidthPX {
		near(t, color.RGBA{R: 128, G: 128, B: 128, A: 255}, got.At(x, p.HeightPX/2), "grey")
	}
}

// TestKinds goes through the kinds of PNG and JPEG that the decoders know: each shows its colour, and what is transparent
// is white.
func TestKinds(t *testing.T) {
	t.Parallel()
	size := image.Rect(0, 0, 40, 24)
	paint := func(m draw.Image, c color.Color) image.Image {
		draw.Draw(m, size, image.NewUniform(c), image.Point{}, draw.Src)
		return m
	}
	grey := color.RGBA{R: 90, G: 90, B: 90, A: 255}
	for name, c := range map[string]struct {
		m    image.Image
		want color.RGBA
	}{
		"8 bits": {paint(image.NewRGBA(size), red), red}, "16 bits": {paint(image.NewNRGBA64(size), blue), blue},
		"grey": {paint(image.NewGray(size), grey), grey}, "grey of 16 bits": {paint(image.NewGray16(size), grey), grey},
		"palette":                  {paint(image.NewPaletted(size, color.Palette{white, red}), red), red},
		"transparent":              {paint(image.NewNRGBA(size), color.NRGBA{}), white},
		"half transparent":         {paint(image.NewNRGBA(size), color.NRGBA{R: 255, A: 128}), color.RGBA{R: 255, G: 127, B: 127, A: 255}},
		"palette with transparent": {paint(image.NewPaletted(size, color.Palette{color.NRGBA{}, red}), color.NRGBA{}), white},
	} {
		p, err := take(asPNG(t, c.m))
		require.NoError(t, err, name)
		near(t, c.want, decode(t, p).At(20, 12), name)
	}
}

// TestDrawnAlike takes pictures of which testdata has the same in a plainer form, and compares what comes out, pixel by
// pixel: a mean difference of 6 of 255 a channel is what being encoded twice leaves; another decoding is far off.
func TestDrawnAlike(t *testing.T) {
	t.Parallel()
	for name, plain := range map[string]string{"progressive.jpg": "baseline.jpg", "cmyk.jpg": "cmyk.png", "interlaced.png": "plain.png"} {
		p, err := take(testFile(t, name))
		require.NoError(t, err, name)
		got := decode(t, p)
		want, _, err := image.Decode(bytes.NewReader(testFile(t, plain)))
		require.NoError(t, err)
		require.Equal(t, want.Bounds(), got.Bounds())
		off, n := 0.0, 0.0
		for y := range p.HeightPX {
			for x := range p.WidthPX {
				r, g, b, _ := got.At(x, y).RGBA()
				wr, wg, wb, _ := want.At(x, y).RGBA()
				off += (math.Abs(float64(r)-float64(wr)) + math.Abs(float64(g)-float64(wg)) + math.Abs(float64(b)-float64(wb))) / 257
				n += 3
			}
		}
		require.Less(t, off/n, 6.0, name)
	}
}

func testFile(t testing.TB, name string) []byte {
	raw, err := os.ReadFile("testdata/" + name)
	require.NoError(t, err)
	return raw
}

func TestNoPicture(t *testing.T) {
	t.Parallel()
	inJPEG, inPNG := asJPEG(t, filled(64, 64, red)), asPNG(t, filled(64, 64, red))
	twelveBits := bytes.Clone(inJPEG)
	twelveBits[bytes.Index(inJPEG, []byte{0xff, 0xc0})+4] = 12
	arithmetic := bytes.Replace(inJPEG, []byte{0xff, 0xc0}, []byte{0xff, 0xc9}, 1)
	tall := bytes.Clone(inJPEG) // says more rows than it has
	binary.BigEndian.PutUint16(tall[bytes.Index(inJPEG, []byte{0xff, 0xc0})+5:], 6400)
	flat := bytes.Clone(inJPEG)
	binary.BigEndian.PutUint16(flat[bytes.Index(inJPEG, []byte{0xff, 0xc0})+5:], 0)
	var scans bytes.Buffer
	start := bytes.Index(inJPEG, []byte{0xff, 0xda})
	scans.Write(inJPEG[:start])
	for range maxScans + 1 {
		scans.Write(inJPEG[start : len(inJPEG)-2])
	}
	for name, raw := range map[string][]byte{
		"nothing": nil, "text": []byte("a photo"), "GIF": []byte("GIF89a"), "PDF": []byte("%PDF-1.7"), "SVG": []byte("<svg/>"),
		"a start": inJPEG[:3], "half a JPEG": inJPEG[:len(inJPEG)*2/3], "no end": inJPEG[:len(inJPEG)-2], "half a PNG": inPNG[:len(inPNG)/2], "a PNG's signature": inPNG[:8],
		"12 bits": twelveBits, "arithmetic": arithmetic, "more rows than there are": tall, "no rows": flat, "scans without end": scans.Bytes(),
		"a changed byte": func() []byte { b := bytes.Clone(inPNG); b[len(b)/2] ^= 1; return b }(),
	} {
		_, err := take(raw)
		require.True(t, fault.Is(err, fault.Malformed), "%s: %v", name, err)
		require.Equal(t, "body", fault.Of(err).Fields[0].Name, name)
	}
}

// No more pixels are decoded at a time than MaxPixels: who comes later waits for a turn, and gives up with its request.
func TestTakerWaits(t *testing.T) {
	t.Parallel()
	raw := asJPEG(t, filled(64, 64, red))
	synctest.Test(t, func(t *testing.T) {
		taker := NewTaker()
		require.NoError(t, taker.pixels.Acquire(t.Context(), MaxPixels))
		ctx, cancel := context.WithCancel(t.Context())
		answers := make(chan error, 2)
		go func() { _, err := taker.Take(ctx, raw); answers <- err }()
		synctest.Wait()
		require.Empty(t, answers)
		_, err := taker.Take(ctx, []byte("no picture"))
		require.True(t, fault.Is(err, fault.Malformed), "what is refused by its header does not wait")
		cancel()
		require.ErrorIs(t, <-answers, context.Canceled)
		go func() { _, err := taker.Take(t.Context(), raw); answers <- err }()
		synctest.Wait()
		require.Empty(t, answers)
		taker.pixels.Release(MaxPixels)
		require.NoError(t, <-answers)
	})
}

// Read reads no more than it has to, to refuse what is too much.
func TestTakerReads(t *testing.T) {
	t.Parallel()
	taker := NewTaker()
	p, err := taker.Read(t.Context(), stream.ID{}, bytes.NewReader(asJPEG(t, filled(64, 48, red))))
	require.NoError(t, err)
	require.Equal(t, []int{64, 48}, []int{p.WidthPX, p.HeightPX})
	endless := &counted{}
	_, err = taker.Read(t.Context(), stream.ID{}, endless)
	require.True(t, fault.Is(err, fault.TooLarge), "%v", err)
	require.EqualValues(t, MaxBytes+1, endless.n)
	_, err = taker.Read(t.Context(), stream.ID{}, iotest.ErrReader(io.ErrUnexpectedEOF))
	require.True(t, fault.Is(err, fault.Malformed), "%v", err)
	gone, cancel := context.WithCancel(t.Context())
	cancel()
	require.NoError(t, taker.bodies.Acquire(t.Context(), mostBodies))
	_, err = taker.Read(gone, stream.ID{}, bytes.NewReader(nil))
	require.ErrorIs(t, err, context.Canceled)
}

// TestSlowSendersHoldUpNobodyElse: however many of one organisation's photos never end, another's is taken.
func TestSlowSendersHoldUpNobodyElse(t *testing.T) {
	t.Parallel()
	raw := asJPEG(t, filled(64, 48, red))
	synctest.Test(t, func(t *testing.T) {
		taker := NewTaker()
		slow, others := stream.ID{1}, stream.ID{2}
		dripping, drip := io.Pipe()
		var senders sync.WaitGroup
		for range 2 * mostBodies {
			senders.Go(func() { taker.Read(t.Context(), slow, dripping) })
		}
		synctest.Wait()
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		_, err := taker.Read(ctx, others, bytes.NewReader(raw))
		require.NoError(t, err)
		drip.Close()
		senders.Wait()
		require.Empty(t, taker.shares)
	})
}

// counted is an endless JPEG that counts what was read of it.
type counted struct{ n int64 }

func (c *counted) Read(b []byte) (int, error) {
	c.n += int64(len(b))
	return len(b), nil
}

// FuzzTake: whatever comes in, it is refused by a fault that names the body or comes out as a picture that can be taken
// again.
func FuzzTake(f *testing.F) {
	small := filled(9, 5, red)
	f.Add(asPNG(f, small))
	f.Add(with(asJPEG(f, small), segment(0xe1, "Exif\x00\x00"+string(tiff(binary.BigEndian, 6)))))
	for _, name := range []string{"progressive.jpg", "cmyk.jpg", "interlaced.png"} {
		f.Add(testFile(f, name))
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		if h, err := readHeader(raw); err == nil && h.pixels() > 1<<20 {
			t.Skip("slow")
		}
		p, err := take(raw)
		if err != nil {
			require.Len(t, fault.Of(err).Fields, 1, "%v", err)
			require.Contains(t, []fault.Slug{fault.Malformed, fault.TooLarge}, fault.Of(err).Slug)
			return
		}
		require.LessOrEqual(t, max(p.WidthPX, p.HeightPX), MaxSidePX)
		again, err := take(p.JPEG)
		require.NoError(t, err)
		require.Equal(t, []int{p.WidthPX, p.HeightPX}, []int{again.WidthPX, again.HeightPX})
	})
}
