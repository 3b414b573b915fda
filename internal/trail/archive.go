package trail

import (
	"archive/zip"
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"io"
	"slices"

	"readback/internal/fault"
)

// part is one file of a bundle.
type part struct {
	name string
	data []byte
}

// packed is an archive in pieces, one behind the other: those of its files are the files themselves, since photos are large.
type packed struct {
	pieces [][]byte
	size   int // of all
}

func (a *packed) add(piece []byte) {
	a.pieces = append(a.pieces, piece)
	a.size += len(piece)
}

// differs gives the offset of the first byte that is not as in data, -1 if there is none.
func (a *packed) differs(data []byte) int {
	at := 0
	for _, piece := range a.pieces {
		there := data[at:min(at+len(piece), len(data))]
		if !bytes.Equal(piece, there) {
			for i := range there {
				if piece[i] != there[i] {
					return at + i
				}
			}
			return len(data)
		}
		at += len(piece)
	}
	if at < len(data) {
		return at
	}
	return -1
}

// pack makes a ZIP archive in the one form a bundle has: stored, not compressed, no extra fields, no comments, the
// earliest time there is. It is written by hand so that the bytes follow from docs/trail.md and not from the version
// of a library: a bundle is verified by packing its parts again.
func pack(parts []part) *packed {
	const (
		needs = 10   // version 1.0: stored files
		date  = 0x21 // 1 January 1980
	)
	var out packed
	var directory []byte
	u16, u32 := binary.LittleEndian.AppendUint16, binary.LittleEndian.AppendUint32
	for _, p := range parts {
		about := u16(nil, needs)
		about = u16(about, 0) // flags
		about = u16(about, 0) // stored
		about = u16(about, 0) // midnight
		about = u16(about, date)
		about = u32(about, crc32.ChecksumIEEE(p.data))
		about = u32(about, uint32(len(p.data)))
		about = u32(about, uint32(len(p.data)))
		about = u16(about, uint16(len(p.name)))
		about = u16(about, 0) // extra fields

		directory = append(directory, "PK\x01\x02"...)
		directory = u16(directory, needs)
		directory = append(directory, about...)
		directory = u16(directory, 0) // comment
		directory = u16(directory, 0) // disk
		directory = u16(directory, 0) // internal attributes
		directory = u32(directory, 0) // external attributes
		directory = u32(directory, uint32(out.size))
		directory = append(directory, p.name...)

		out.add(slices.Concat([]byte("PK\x03\x04"), about, []byte(p.name)))
		out.add(p.data)
	}
	end := append([]byte(nil), "PK\x05\x06"...)
	end = u16(end, 0) // this disk
	end = u16(end, 0) // the directory's disk
	end = u16(end, uint16(len(parts)))
	end = u16(end, uint16(len(parts)))
	end = u32(end, uint32(len(directory)))
	end = u32(end, uint32(out.size))
	end = u16(end, 0) // comment
	out.add(directory)
	out.add(end)
	return &out
}

// unpack finds the parts of an archive, whose names must be among those given and in that order, and behind them those of
// photos in the order of their names. It reads them even where check sums are wrong, so that what was changed can be named;
// whether the archive is as pack writes it is for the caller to compare.
func unpack(data []byte, names []string) ([]part, error) {
	unreadable := func(detail string) error { return fault.New(fault.Malformed, "This is not a bundle: "+detail) }
	r, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		return nil, unreadable("it cannot be read as a ZIP archive.")
	}
	if n := len(r.File); n > len(names) && n-photoFiles(r.File) > len(names) {
		return nil, unreadable(fmt.Sprintf("it holds %d files that are no photos, at most %d belong in it.", n-photoFiles(r.File), len(names)))
	}
	var parts []part
	rest := names
	last := ""                // photo
	left := uint64(len(data)) // directories can name the same bytes again and again
	for _, f := range r.File {
		for len(rest) > 0 && rest[0] != f.Name {
			rest = rest[1:]
		}
		_, photo := photoOfName(f.Name)
		switch {
		case len(rest) > 0:
			rest = rest[1:]
		case photo && f.Name > last:
			last = f.Name
		default:
			return nil, unreadable(fmt.Sprintf("the file %.60q does not belong in it, or not in that place.", f.Name))
		}
		raw, err := f.OpenRaw()
		if err != nil || f.Method != zip.Store || f.CompressedSize64 > left {
			return nil, unreadable(f.Name + " is not stored as it should be.")
		}
		left -= f.CompressedSize64
		p := part{name: f.Name, data: make([]byte, f.CompressedSize64)}
		if _, err := io.ReadFull(raw, p.data); err != nil {
			return nil, unreadable(f.Name + " ends early.")
		}
		parts = append(parts, p)
	}
	return parts, nil
}

func photoFiles(files []*zip.File) (n int) {
	for _, f := range files {
		if _, ok := photoOfName(f.Name); ok {
			n++
		}
	}
	return n
}
