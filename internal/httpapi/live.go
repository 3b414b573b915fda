package httpapi

import (
	"net/http"

	"readback/internal/live"
	"readback/internal/stream"
	"readback/internal/wire"
)

// reading takes what instruments read now, as the websocket does, and answers with what it comes to.
func (s *Server) reading(w http.ResponseWriter, r *http.Request, actor stream.Actor) error {
	id, err := stream.ParseID("id", r.PathValue("id"))
	if err != nil {
		return err
	}
	read, err := readNow(w, r)
	if err != nil {
		return err
	}
	value, err := s.Hub.Live(r.Context(), actor, stream.Ref{Kind: stream.Calibration, ID: id}, read)
	if err != nil {
		return err
	}
	return answer(w, value)
}

// readNow takes what instruments read out of a request.
func readNow(w http.ResponseWriter, r *http.Request) (live.Reading, error) {
	raw, err := body(w, r)
	if err != nil {
		return live.Reading{}, err
	}
	m, err := wire.DecodeReading(raw)
	if err != nil {
		return live.Reading{}, err
	}
	return live.Reading{N: m.N, Data: m.Data}, nil
}
