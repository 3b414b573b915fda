package strict

import (
	"strconv"
	"testing"
)

// BenchmarkSmall reads an object of the size that commands have.
func BenchmarkSmall(b *testing.B) {
	raw := []byte(`{"id":"01940000-0000-7000-8000-0000000000a1","after":12,"type":"note","body":{"text":"a text","value_mm":12.5,"ok":true}}`)
	b.ReportAllocs()
	for b.Loop() {
		o := Read(raw, "")
		o.String("id", 40)
		o.Int("after", 0, 100)
		o.Enum("type", "note")
		in := o.Object("body")
		in.String("text", 100)
		in.Float("value_mm", Range{Min: 0, Max: 100})
		in.Bool("ok")
		if o.Close() != nil {
			b.Fatal("not usable")
		}
	}
}

// BenchmarkMany reads an object of as many members as there may be.
func BenchmarkMany(b *testing.B) {
	raw := []byte{'{'}
	for i := range 512 {
		raw = strconv.AppendInt(append(raw, `"k`...), int64(i), 10)
		raw = append(raw, `":1,`...)
	}
	raw[len(raw)-1] = '}'
	b.ReportAllocs()
	for b.Loop() {
		o := Read(raw, "")
		for _, key := range o.Keys() {
			o.Int(key, 0, 1)
		}
		if o.Close() != nil {
			b.Fatal("not usable")
		}
	}
}
