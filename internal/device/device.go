// Package device is for a shop's devices, each with a token of its own that is good for one thing: vehicle interfaces announce
// cars, instrument gateways show what a bay's instruments read. Which there are stands in the shop's register; here are their
// tokens, the way of an announcement to its job, and that of readings to their calibration.
//
// Rules. An announcement goes to a job that a person tied to this interface, or that goes by the very VIN; otherwise it opens
// a job, which waits for a person. It never goes to a job by guess. Two of one car within the hour come to one job, on
// whatever node. The job's own rules decide again what an interface may say there; this package only finds the job.
//
// Readings go to the one calibration that is being placed in the gateway's bay, and nowhere where that leaves a choice. They
// are about now, and nothing of them is stored: a technician captures what is to stay.
//
// Invariants. A token is kept as its hash and shown once; a new one voids the one before, and retiring the device voids
// it, at the next request to any node. A device learns the id of the job or calibration and nothing of what is in it. VINs are
// compared by marks under a stream's key and never kept plain.
//
// Everything exported may be called from many goroutines.
package device

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
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

// Device is a vehicle interface or an instrument gateway of a shop.
type Device struct {
	Org, Interface stream.ID
}

// Purpose is what a device is for, and its token good for.
type Purpose int

const (
	Announces Purpose = iota // a vehicle interface
	Shows                    // an instrument gateway
)

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

// Near is a stream that what a device says may belong to, with the number of its last entry.
type Near struct {
	Stream stream.ID
	Seq    uint64
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
	// PlacedNear gives calibrations of open jobs whose newest sheet is for the bay, that may take readings and in which something
	// happened within twelve hours.
	PlacedNear(ctx context.Context, org, bay stream.ID) ([]Near, error)
	// Assign gives the job that the announcement belongs to. The same announcement belongs to the same job again; with another
	// Said it is refused as id-reused.
	Assign(ctx context.Context, a Assignment) (stream.ID, error)
}

// Hub is what is needed of the streams.
type Hub interface {
	Do(ctx context.Context, actor stream.Actor, ref stream.Ref, cmd stream.Command) (live.Receipt, error)
	Live(ctx context.Context, actor stream.Actor, ref stream.Ref, r live.Reading) (json.RawMessage, error)
	Fresh(ctx context.Context, ref stream.Ref, known uint64) (*stream.Fold, error)
	Mark(ctx context.Context, f *stream.Fold, name, value string) (string, error)
}

// Desk takes announcements and readings.
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

// NewToken makes a token for the device, in the place of the one before, and gives it this once. It is for the owner by,
// whom the caller has looked at; a device that the register does not hold, or not in use, is not there.
func (d *Desk) NewToken(ctx context.Context, of Device, by stream.ID) (string, error) {
	if _, in, err := d.entered(ctx, of, 0); err != nil {
		return "", err
	} else if !in {
		return "", fault.New(fault.NotHere, "The register holds no such vehicle interface or gateway in use.")
	}
	var secret [tokenBytes]byte
	rand.Read(secret[:]) // never fails
	token := Prefix + base64.RawURLEncoding.EncodeToString(secret[:])
	return token, d.store.GiveToken(ctx, of, sha256.Sum256([]byte(token)), by)
}

// Check gives the device of a token that came from the address, for what it is to do. Whatever is no good about the token, the
// answer is the same, and counts as a try.
func (d *Desk) Check(ctx context.Context, address netip.Addr, token string, to Purpose) (Device, error) {
	from, hash := pace.Origin(address), Hash(sha256.Sum256([]byte(token)))
	if err := d.paces.looks(from, hash, d.now()); err != nil {
		return Device{}, err
	}
	of, err := d.store.TokenOf(ctx, hash)
	in := false
	if err == nil {
		var i register.Interface
		i, in, err = d.entered(ctx, of, 0)
		in = in && i.Gateway() == (to == Shows)
	}
	if err != nil && !fault.Is(err, fault.NotHere) {
		return Device{}, err
	}
	d.paces.found(from, hash, in, d.now())
	if !in {
		takes := "Announcing takes the token of a vehicle interface in use."
		if to == Shows {
			takes = "Showing a bay's readings takes the token of an instrument gateway in use."
		}
		return Device{}, fault.New(fault.SignInNeeded, takes, fault.Field{Name: "Authorization", Want: "Bearer and the token"})
	}
	return of, nil
}

// entered is the device as its register has it, and whether it is in use. known is as with Fresh.
func (d *Desk) entered(ctx context.Context, of Device, known uint64) (i register.Interface, inUse bool, err error) {
	f, err := d.hub.Fresh(ctx, of.register(), known)
	if err != nil {
		return i, false, err
	}
	s, ok := f.State.(*register.State)
	if !ok {
		return i, false, nil
	}
	i, there := s.Interface(of.Interface)
	return i, there && i.Active, nil
}

func (d Device) register() stream.Ref { return stream.Ref{Kind: stream.Register, ID: d.Org} }

func (d Device) actor(as stream.Role) stream.Actor {
	return stream.Actor{Member: d.Interface, Org: d.Org, Roles: []stream.Role{as}}
}
