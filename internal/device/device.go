// Package device lets a shop's vehicle interfaces announce cars. Which interfaces there are stands in the shop's register; here
// are their tokens and the way of an announcement to its job.
//
// Rules. An announcement goes to a job that a person tied to this interface, or that goes by the very VIN; otherwise it opens
// a job, which waits for a person. It never goes to a job by guess. Two of one car within the hour come to one job, on
// whatever node. The job's own rules decide again what an interface may say there; this package only finds the job.
//
// Invariants. A token is kept as its hash and shown once; a new one voids the one before, and retiring the interface voids
// it. A device learns the job's id and nothing of what is in it. VINs are compared by marks under a stream's key and never
// kept plain.
//
// Everything exported may be called from many goroutines.
package device

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"net/netip"
	"time"

	"readback/internal/fault"
	"readback/internal/live"
	"readback/internal/pace"
	"readback/internal/register"
	"readback/internal/stream"
)

// Prefix begins every token of a device, so that a token found in a log or a file is known for what it is.
const Prefix = "rbdevice_"

// tokenBytes are random.
const tokenBytes = 32

// Hash is SHA-256 of a token.
type Hash [sha256.Size]byte

// Device is a vehicle interface of a shop.
type Device struct {
	Org, Interface stream.ID
}

// Assignment is an announcement on its way to a job.
type Assignment struct {
	Device
	ID   stream.ID // of the announcement
	Said string    // mark of all that it says
	Mark string    // of its VIN, among those of the organisation
	Job  stream.ID // where it is to go
	// Found says that Job was found by its tie or its VIN. If not, it is a new one, and one that another announcement of the
	// same VIN opens or opened within the hour goes before it.
	Found bool
	Not   []stream.ID // jobs that turned out not to take it
}

// Near is a job that an announcement may belong to, with the number of its last entry.
type Near struct {
	Job stream.ID
	Seq uint64
}

// Store keeps tokens' hashes, and which job an announcement went to.
type Store interface {
	// GiveToken puts a device's token in the place of the one before.
	GiveToken(ctx context.Context, d Device, hash Hash, by stream.ID) error
	// TokenOf gives whose token it is; a not-found fault if nobody's.
	TokenOf(ctx context.Context, hash Hash) (Device, error)
	// JobsNear gives open jobs of the organisation in which something happened within the hour, and those tied to the interface
	// in which something did within twelve, the one opened last first.
	JobsNear(ctx context.Context, d Device) ([]Near, error)
	// Assign gives the job that the announcement belongs to. The same announcement belongs to the same job again; with another
	// Said it is refused as id-reused.
	Assign(ctx context.Context, a Assignment) (stream.ID, error)
}

// Hub is what is needed of the streams.
type Hub interface {
	Do(ctx context.Context, actor stream.Actor, ref stream.Ref, cmd stream.Command) (live.Receipt, error)
	Fresh(ctx context.Context, ref stream.Ref, known uint64) (*stream.Fold, error)
	Mark(ctx context.Context, f *stream.Fold, name, value string) (string, error)
}

// Desk takes announcements.
type Desk struct {
	store Store
	hub   Hub
	now   func() time.Time
	paces *paces
}

// NewDesk makes a Desk. now is the clock; nil is time.Now.
func NewDesk(store Store, hub Hub, now func() time.Time) *Desk {
	if now == nil {
		now = time.Now
	}
	return &Desk{store: store, hub: hub, now: now, paces: newPaces()}
}

// NewToken makes a token for the interface, in the place of the one before, and gives it this once. It is for the owner by,
// whom the caller has looked at; an interface that the register does not hold, or not in use, is not there.
func (d *Desk) NewToken(ctx context.Context, of Device, by stream.ID) (string, error) {
	if in, err := d.inUse(ctx, of); err != nil {
		return "", err
	} else if !in {
		return "", fault.New(fault.NotHere, "The register holds no such vehicle interface in use.")
	}
	var secret [tokenBytes]byte
	rand.Read(secret[:]) // never fails
	token := Prefix + base64.RawURLEncoding.EncodeToString(secret[:])
	return token, d.store.GiveToken(ctx, of, sha256.Sum256([]byte(token)), by)
}

// Check gives the device of a token that came from the address. Whatever is no good about the token, the answer is the same,
// and counts as a try.
func (d *Desk) Check(ctx context.Context, address netip.Addr, token string) (Device, error) {
	from, hash := pace.Origin(address), Hash(sha256.Sum256([]byte(token)))
	if err := d.paces.looks(from, hash, d.now()); err != nil {
		return Device{}, err
	}
	of, err := d.store.TokenOf(ctx, hash)
	in := false
	if err == nil {
		in, err = d.inUse(ctx, of)
	}
	if err != nil && !fault.Is(err, fault.NotHere) {
		return Device{}, err
	}
	d.paces.found(from, hash, in, d.now())
	if !in {
		return Device{}, fault.New(fault.SignInNeeded, "Announcing takes the token of a vehicle interface in use.",
			fault.Field{Name: "Authorization", Want: "Bearer and the token"})
	}
	return of, nil
}

func (d *Desk) inUse(ctx context.Context, of Device) (bool, error) {
	f, err := d.hub.Fresh(ctx, of.register(), 0)
	if err != nil {
		return false, err
	}
	s, ok := f.State.(*register.State)
	if !ok {
		return false, nil
	}
	i, there := s.Interface(of.Interface)
	return there && i.Active, nil
}

func (d Device) register() stream.Ref { return stream.Ref{Kind: stream.Register, ID: d.Org} }

func (d Device) actor() stream.Actor {
	return stream.Actor{Member: d.Interface, Org: d.Org, Roles: []stream.Role{stream.Interface}}
}
