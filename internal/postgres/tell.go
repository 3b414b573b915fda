package postgres

import (
	"bytes"
	"compress/flate"
	"context"
	"encoding/base64"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"sync"
	"time"

	"readback/internal/fault"
	"readback/internal/live"
)

// toldChannel is where nodes tell each other what is true now.
const toldChannel = "readback_told"

const (
	tellEvery   = 100 * time.Millisecond // between two notifications of a node
	tellWait    = time.Second            // for the database to take one
	mostPayload = 7000                   // characters of one; the server takes fewer than 8,000 bytes
	mostHeard   = 5000                   // values gathered for whoever receives; more are "some were missed"
	mostToldRaw = 256 << 10              // bytes of one notification's values, unpacked
	surelyFits  = 5000                   // bytes of key and value that fit alone, however they pack
)

// talk is what nodes tell each other beside the trail: the newest value of each key, at most one notification every
// tellEvery, each a transaction of its own that writes nothing. What does not fit into one goes with the next; a value
// that is replaced before it was sent is never sent. Nothing is kept: a notification that is lost is lost.
type talk struct {
	node live.Node

	mu      sync.Mutex // guards what follows
	packer  packer
	waiting map[string][]byte // to tell
	order   []string          // keys of waiting, first told first
	heard   map[heardKey][]byte
	missed  bool

	toTell chan struct{} // holds one
	filled chan struct{} // holds one: heard or missed
	told   chan []live.Told
}

type heardKey struct {
	node live.Node
	key  string
}

func newTalk() *talk {
	return &talk{
		node: live.Node(rand.Uint64()), waiting: map[string][]byte{}, heard: map[heardKey][]byte{},
		toTell: make(chan struct{}, 1), filled: make(chan struct{}, 1), told: make(chan []live.Told),
	}
}

// Tell gives the other nodes a value in place of the last one of the key. A value that one notification does not hold is
// refused.
func (b *Bus) Tell(key string, value []byte) error {
	t := b.talk
	t.mu.Lock()
	defer t.mu.Unlock()
	if len(key)+len(value) > surelyFits {
		if payload, _ := t.packer.pack(t.node, []string{key}, map[string][]byte{key: value}); len(payload) > mostPayload {
			return fault.New(fault.TooLarge, fmt.Sprintf("A value of %d bytes is more than nodes tell each other at once.", len(value)))
		}
	}
	if _, waits := t.waiting[key]; !waits {
		t.order = append(t.order, key)
	}
	t.waiting[key] = value
	wakeUp(t.toTell)
	return nil
}

// Told delivers what the other nodes told. The channel is never closed.
func (b *Bus) Told() <-chan []live.Told { return b.talk.told }

// speak sends what waits, until ctx ends, and then once more.
func (b *Bus) speak(ctx context.Context) {
	t := b.talk
	for ctx.Err() == nil {
		select {
		case <-ctx.Done():
		case <-t.toTell:
		}
		b.say(ctx)
		pause := time.NewTimer(tellEvery)
		select {
		case <-ctx.Done():
			pause.Stop()
			b.say(ctx)
		case <-pause.C:
		}
	}
}

const sqlTell = `select pg_notify('` + toldChannel + `', $1)`

// say sends one notification, if anything waits. It is let finish when the node stops, within its time.
func (b *Bus) say(ctx context.Context) {
	payload := b.talk.next()
	if payload == "" {
		return
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), tellWait)
	defer cancel()
	if _, err := b.db.hub.Exec(ctx, sqlTell, payload); err != nil {
		b.db.log.DebugContext(ctx, "other nodes were not told", "error", err)
	}
}

// next packs as much of what waits as one notification holds.
func (t *talk) next() string {
	t.mu.Lock()
	defer t.mu.Unlock()
	if len(t.order) == 0 {
		return ""
	}
	payload, n := t.packer.pack(t.node, t.order, t.waiting)
	for _, key := range t.order[:n] {
		delete(t.waiting, key)
	}
	t.order = append([]string(nil), t.order[n:]...)
	if len(t.order) > 0 {
		wakeUp(t.toTell)
	}
	return payload
}

// hear gathers one notification. A form that is not understood is of a release that knows more, and is passed over.
func (t *talk) hear(payload string) {
	node, values, err := unpack(payload)
	if err != nil || node == t.node {
		return
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	for _, v := range values {
		t.heard[heardKey{node, v.Key}] = v.Value
	}
	if len(t.heard) > mostHeard {
		t.missed = true
		clear(t.heard)
	}
	wakeUp(t.filled)
}

// miss notes that notifications may have been lost.
func (t *talk) miss() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.missed = true
	wakeUp(t.filled)
}

// gathered empties what was gathered: nil for nothing, an empty slice for "some were missed".
func (t *talk) gathered() []live.Told {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.missed {
		t.missed = false
		if len(t.heard) > 0 {
			wakeUp(t.filled)
		}
		return []live.Told{}
	}
	var all []live.Told
	for k, value := range t.heard {
		all = append(all, live.Told{Node: k.node, Key: k.key, Value: value})
	}
	clear(t.heard)
	return all
}

// repeat hands over what was heard whenever someone receives.
func (t *talk) repeat(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case <-t.filled:
		}
		all := t.gathered()
		if all == nil {
			continue
		}
		select {
		case <-ctx.Done():
			return
		case t.told <- all:
		}
	}
}

// packer writes notifications. Its memory is used again: a deflating writer is larger than all that it ever writes here.
type packer struct {
	to   bytes.Buffer
	flat *flate.Writer
}

// pack puts as many of the values as fit, in order and at least one, into a payload: the node, then the values deflated
// (RFC 1951) together, each as key and value with their lengths before them; all of it in base64. It gives how many it
// took. Values of one kind are much alike, so that a notification holds three to five times its size of them.
func (p *packer) pack(node live.Node, order []string, values map[string][]byte) (payload string, taken int) {
	raw := 0
	for taken < len(order) {
		if raw += len(order[taken]) + len(values[order[taken]]) + 2*binary.MaxVarintLen32; raw > mostToldRaw/2 && taken > 0 {
			break
		}
		taken++
	}
	for {
		size := p.deflate(node, order[:taken], values)
		fits := base64.RawStdEncoding.DecodedLen(mostPayload)
		if size <= fits || taken == 1 {
			return base64.RawStdEncoding.EncodeToString(p.to.Bytes()), taken
		}
		taken = max(1, min(taken-1, taken*fits/size))
	}
}

func (p *packer) deflate(node live.Node, order []string, values map[string][]byte) int {
	p.to.Reset()
	p.to.Write(binary.BigEndian.AppendUint64(nil, uint64(node)))
	if p.flat == nil {
		p.flat, _ = flate.NewWriter(&p.to, flate.DefaultCompression) // only a wrong level is an error
	} else {
		p.flat.Reset(&p.to)
	}
	// A buffer takes whatever is written.
	for _, key := range order {
		p.flat.Write(append(binary.AppendUvarint(nil, uint64(len(key))), key...))
		p.flat.Write(binary.AppendUvarint(nil, uint64(len(values[key]))))
		p.flat.Write(values[key])
	}
	p.flat.Close()
	return p.to.Len()
}

var errNotTold = errors.New("not what a node tells")

// unpack reads a payload.
func unpack(payload string) (live.Node, []live.Told, error) {
	packed, err := base64.RawStdEncoding.DecodeString(payload)
	if err != nil || len(packed) < 8 {
		return 0, nil, errNotTold
	}
	node := live.Node(binary.BigEndian.Uint64(packed))
	flat := flate.NewReader(bytes.NewReader(packed[8:]))
	raw, err := io.ReadAll(io.LimitReader(flat, mostToldRaw+1))
	if err != nil || len(raw) > mostToldRaw {
		return 0, nil, errNotTold
	}
	var values []live.Told
	for len(raw) > 0 {
		key, rest, ok := part(raw)
		value, rest, also := part(rest)
		if !ok || !also {
			return 0, nil, errNotTold
		}
		values = append(values, live.Told{Node: node, Key: string(key), Value: value})
		raw = rest
	}
	return node, values, nil
}

// part takes bytes with their length before them off raw.
func part(raw []byte) (taken, rest []byte, ok bool) {
	n, used := binary.Uvarint(raw)
	if used <= 0 || n > uint64(len(raw)-used) {
		return nil, nil, false
	}
	return raw[used : used+int(n)], raw[used+int(n):], true
}
