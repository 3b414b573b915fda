package httpapi

import (
	"context"
	"fmt"
	"mime"
	"net/http"
	"strconv"

	"readback/internal/fault"
	"readback/internal/photo"
	"readback/internal/stream"
)

// addPhoto takes a photo in for a calibration. It is asked first who is sending: nothing of what a stranger sends is
// read, let alone decoded. The photo means nothing yet; the command attach-photo says what it shows.
func (s *Server) addPhoto(w http.ResponseWriter, r *http.Request, actor stream.Actor) error {
	id, err := stream.ParseID("id", r.PathValue("id"))
	if err != nil {
		return err
	}
	got, err := s.Hub.AddPhoto(r.Context(), actor, stream.Ref{Kind: stream.Calibration, ID: id}, func(ctx context.Context) (photo.Picture, error) {
		media, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
		if err != nil || media != "image/jpeg" && media != "image/png" {
			return photo.Picture{}, fault.New(fault.Malformed, "Send the photo itself as the body.", fault.Field{Name: "Content-Type", Want: "image/jpeg or image/png"})
		}
		return s.Photos.Read(ctx, actor.Org, r.Body)
	})
	if err != nil {
		return err
	}
	return answer(w, got)
}

// photo shows a photo. It is not to be stored on its way, nor in a browser's cache: the tablet in the bay is everybody's, and
// what is erased here should be gone there too. The file says what it is and runs nothing.
func (s *Server) photo(w http.ResponseWriter, r *http.Request, actor stream.Actor) error {
	id, err := stream.ParseID("id", r.PathValue("id"))
	if err != nil {
		return err
	}
	which, err := stream.ParseID("photo", r.PathValue("photo"))
	if err != nil {
		return err
	}
	picture, err := s.Hub.Photo(r.Context(), actor, stream.Ref{Kind: stream.Calibration, ID: id}, which)
	if err != nil {
		return err
	}
	h := w.Header()
	h.Set("Content-Type", photo.Media)
	h.Set("Content-Length", strconv.Itoa(len(picture)))
	h.Set("Content-Disposition", fmt.Sprintf("inline; filename=%q", "photo-"+which.String()+".jpg"))
	h.Set("Content-Security-Policy", "default-src 'none'; sandbox")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	w.Write(picture) // the caller may have gone; of HEAD the server sends the headers only
	return nil
}
