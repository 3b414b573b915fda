package live

import (
	"context"
	"errors"
	"fmt"

	"readback/internal/access"
	"readback/internal/fault"
	"readback/internal/photo"
	"readback/internal/stream"
)

// Photos is where sealed photos are kept beside the entries that name them. All of it may be used from many goroutines.
type Photos interface {
	// RoomForPhoto is nil while the stream takes another photo, and a *fault.Error that says why once it does not.
	RoomForPhoto(ctx context.Context, of stream.ID) error

	// AddPhoto makes a photo durable and returns after the commit. It refuses what RoomForPhoto refuses, and one whose key
	// was destroyed.
	AddPhoto(ctx context.Context, p StoredPhoto) error

	// Photo gives a photo of the stream, or a not-found fault.
	Photo(ctx context.Context, of, id stream.ID) (StoredPhoto, error)

	// TouchPhoto is Photo without the bytes. One that was touched is not cleared away for a day, so that the entry that is
	// about to name it does not name nothing.
	TouchPhoto(ctx context.Context, of, id stream.ID) (StoredPhoto, error)
}

// StoredPhoto is a photo as it is kept.
type StoredPhoto struct {
	photo.Named
	Of     stream.ID // the stream it was given to
	Key    stream.ID // what it is sealed with
	Sealed []byte
}

// namesPhotos are rules some of whose commands name a photo.
type namesPhotos interface {
	// PhotoOf is the photo that an admitted command attaches; false if it attaches none.
	PhotoOf(cmd stream.Command) (photo.Named, bool)
}

// AddPhoto keeps a photo for a stream, for those who give the stream commands and read what is personal in it. take is
// called once they are known to be such, and there is room: it brings the picture in.
func (h *Hub) AddPhoto(ctx context.Context, actor stream.Actor, ref stream.Ref, take func(context.Context) (photo.Picture, error)) (photo.Named, error) {
	if err := h.Settled(ctx); err != nil { // and the disk has room
		return photo.Named{}, err
	}
	f, err := h.visitPhotos(ctx, actor, ref, access.Command)
	if err != nil {
		return photo.Named{}, err
	}
	if err := h.cfg.Photos.RoomForPhoto(ctx, ref.ID); err != nil {
		return photo.Named{}, ofPhotos(err)
	}
	picture, err := take(ctx)
	if err != nil {
		return photo.Named{}, err
	}
	owner, err := f.Rules.Key(f.State, stream.Command{})
	if err != nil {
		return photo.Named{}, err
	}
	l, err := h.arrive(ctx, owner)
	if err != nil {
		return photo.Named{}, err
	}
	err = l.await(ctx, l.look(), nil)
	opens := l.now.Load().fold.Opens
	l.release()
	if err != nil {
		return photo.Named{}, err
	}
	key, err := h.keyFrom(ctx, &opens)
	if err != nil {
		return photo.Named{}, err
	}
	p := StoredPhoto{Named: photo.Named{ID: h.cfg.NewID(), WidthPX: picture.WidthPX, HeightPX: picture.HeightPX}, Of: ref.ID, Key: key.ID()}
	if p.Sealed, p.SHA256, err = key.SealPhoto(h.cfg.Random, p.Of, p.ID, picture.JPEG); err != nil {
		return photo.Named{}, fmt.Errorf("seal a photo: %w", err)
	}
	if err := h.cfg.Photos.AddPhoto(ctx, p); err != nil {
		return photo.Named{}, ofPhotos(err)
	}
	return p.Named, nil
}

// Photo gives a photo of a stream as a JPEG, to those who read what is personal in the stream.
func (h *Hub) Photo(ctx context.Context, actor stream.Actor, ref stream.Ref, id stream.ID) ([]byte, error) {
	if _, err := h.visitPhotos(ctx, actor, ref, access.See); err != nil {
		return nil, err
	}
	done, err := h.turn(ctx)
	if err != nil {
		return nil, err
	}
	defer done()
	p, err := h.cfg.Photos.Photo(ctx, ref.ID, id)
	if err != nil {
		return nil, noPhoto(err)
	}
	key, err := h.keys.get(ctx, p.Key)
	if errors.Is(err, errErased) {
		return nil, access.NotHere()
	}
	if err != nil {
		return nil, err
	}
	return key.OpenPhoto(ref.ID, id, p.Sealed)
}

// visitPhotos is visit for those whose the photos are to see, and who may do the action besides.
func (h *Hub) visitPhotos(ctx context.Context, actor stream.Actor, ref stream.Ref, action access.Action) (*stream.Fold, error) {
	if h.cfg.Photos == nil {
		return nil, access.NotHere()
	}
	f, relation, err := h.visit(ctx, actor, ref)
	if err != nil {
		return nil, err
	}
	if !opens(relation) {
		return nil, fault.New(fault.NotYourRole, "Photos are for the shop, and for the desk that has claimed the calibration.")
	}
	return f, access.Check(actor, relation, ref.Kind, action)
}

// photoThere refuses a command that names a photo which is not there as it says. An entry is written after the photo it
// names is durable, and never without.
func (l *line) photoThere(ctx context.Context, cmd stream.Command) error {
	rules, ok := l.rules.(namesPhotos)
	if !ok {
		return nil
	}
	named, ok := rules.PhotoOf(cmd)
	if !ok || l.hub.cfg.Photos == nil {
		return nil
	}
	p, err := l.hub.cfg.Photos.TouchPhoto(ctx, l.ref.ID, named.ID)
	switch {
	case fault.Is(err, fault.NotHere):
		return notThere("This calibration was not given such a photo, or so long ago that it was cleared away. Send the photo again.")
	case err != nil:
		return ofPhotos(err)
	case p.Named != named:
		return notThere("The photo is there, but not with that sum and that size. Give those that the answer to it said.")
	}
	return nil
}

func notThere(why string) error {
	return fault.New(fault.NotMet, why, fault.Field{Name: "guard", Want: "photo-there"})
}

// noPhoto says of a photo that is not there what is said of any such thing.
func noPhoto(err error) error {
	if fault.Is(err, fault.NotHere) {
		return access.NotHere()
	}
	return ofPhotos(err)
}

// ofPhotos passes refusals on; anything else is a store that fails.
func ofPhotos(err error) error {
	if fault.Of(err).Kind() != fault.Internal {
		return err
	}
	return unavailable(err)
}
