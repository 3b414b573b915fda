package httpapi

import (
	"net/http"
	"strings"

	"readback/internal/access"
	"readback/internal/device"
	"readback/internal/fault"
	"readback/internal/stream"
)

// newDeviceToken makes the token of one of the organisation's vehicle interfaces or gateways, for its owners. Another's is as none.
func (s *Server) newDeviceToken(w http.ResponseWriter, r *http.Request, actor stream.Actor) error {
	id, err := stream.ParseID("id", r.PathValue("id"))
	if err != nil {
		return err
	}
	got, err := s.Hub.View(r.Context(), actor, stream.Ref{Kind: stream.Register, ID: actor.Org})
	if err != nil {
		return err
	}
	if !access.Allowed(actor.Roles, got.Relation, stream.Register, access.Bundle) {
		return fault.New(fault.NotYourRole, "Vehicle interfaces and gateways are looked after by the organisation's owners.")
	}
	token, err := s.Devices.NewToken(r.Context(), device.Device{Org: actor.Org, Interface: id}, actor.Member)
	if err != nil {
		return err
	}
	return answer(w, map[string]any{"token": token})
}

// announce takes what a vehicle interface says of the car that it is in. Nobody else may: a member's token and a cookie are
// as good as none here.
func (s *Server) announce(w http.ResponseWriter, r *http.Request) error {
	from, err := s.from(r, device.Announces)
	if err != nil {
		return err
	}
	raw, err := small(w, r)
	if err != nil {
		return err
	}
	a, err := device.Read(raw)
	if err != nil {
		return err
	}
	got, err := s.Devices.Announce(r.Context(), from, a)
	if err != nil {
		return err
	}
	return answer(w, map[string]any{"job": got.Job, "seq": got.Seq, "repeated": got.Repeated})
}

// showReadings takes what an instrument gateway reads now. Nobody else may, as with announce.
func (s *Server) showReadings(w http.ResponseWriter, r *http.Request) error {
	from, err := s.from(r, device.Shows)
	if err != nil {
		return err
	}
	read, err := readNow(w, r)
	if err != nil {
		return err
	}
	got, err := s.Devices.Show(r.Context(), from, read)
	if err != nil {
		return err
	}
	return answer(w, map[string]any{"calibration": got.Calibration, "seq": got.Seq, "at": got.At})
}

// from is the device whose token the request brings.
func (s *Server) from(r *http.Request, to device.Purpose) (device.Device, error) {
	scheme, token, _ := strings.Cut(r.Header.Get("Authorization"), " ")
	if !strings.EqualFold(scheme, "Bearer") {
		token = ""
	}
	return s.Devices.Check(r.Context(), address(r), token, to)
}
