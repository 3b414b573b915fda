package httpapi_test

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"maps"
	"net/http"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/api/client"
	"readback/internal/fault"
	"readback/internal/photo"
	"readback/internal/postgres"
	"readback/internal/stream"
	"readback/internal/testkit/apptest"
	"readback/internal/testkit/spec"
)

const photoAnswer = "openapi.yaml#/paths/~1v1~1calibrations~1%7Bid%7D~1photos/post/responses/200/content/application~1json/schema"

// TestPhoto gives a photo with a place in it and looks at it.
func TestPhoto(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech := s.As(apptest.Technician)
	cal := tech.OpenCalibration(tech.OpenJob())
	const place = "GPS 48.137154N 11.576124E"
	raw := apptest.Picture()
	raw = raw[:2] + "\xff\xe1" + string(binary.BigEndian.AppendUint16(nil, uint16(2+6+len(place)))) + "Exif\x00\x00" + place + raw[2:] + place
	got := tech.With("Content-Type", "image/jpeg").Ask(http.MethodPost, cal.Path()+"/photos", raw)
	require.Equal(t, http.StatusOK, got.Status, got.Body)
	spec.Valid(t, photoAnswer, []byte(got.Body))
	p := apptest.Read[photo.Named](tech, got)
	require.Equal(t, []int{640, 480}, []int{p.WidthPX, p.HeightPX})

	at := cal.Path() + "/photos/" + p.ID.String()
	shown := ask(t, tech, http.MethodGet, at, "")
	require.Equal(t, http.StatusOK, shown.Status)
	require.NotContains(t, shown.Body, place)
	m, err := jpeg.Decode(strings.NewReader(shown.Body))
	require.NoError(t, err)
	require.Equal(t, image.Pt(640, 480), m.Bounds().Size())
	for name, want := range map[string]string{
		"Content-Type": "image/jpeg", "X-Content-Type-Options": "nosniff", "Cache-Control": "no-store",
		"Content-Security-Policy": "default-src 'none'; sandbox", "Cross-Origin-Resource-Policy": "same-origin",
	} {
		require.Equal(t, want, shown.Header.Get(name))
	}
	require.True(t, strings.HasPrefix(shown.Header.Get("Content-Disposition"), "inline;"))
	head := tech.Ask(http.MethodHead, at, "")
	require.Equal(t, http.StatusOK, head.Status)
	require.Empty(t, head.Body)
	require.Equal(t, shown.Header.Get("Content-Length"), head.Header.Get("Content-Length"))

	// What is stored is sealed, and its sum is not that of the picture.
	conn := s.SQL()
	defer conn.Close(t.Context())
	var sealed []byte
	require.NoError(t, conn.QueryRow(t.Context(), "select sealed from readback.photo where id = $1", p.ID.String()).Scan(&sealed))
	require.NotContains(t, string(sealed), shown.Body[:64])
	require.Greater(t, len(sealed), len(shown.Body))

	c, err := client.New(client.Config{URL: s.URL, Name: "photos"})
	require.NoError(t, err)
	defer c.Close()
	_, err = c.SignIn(t.Context(), apptest.Technician, "demo technician")
	require.NoError(t, err)
	again, err := c.AddPhoto(t.Context(), cal.ID.String(), []byte(apptest.Picture()))
	require.NoError(t, err)
	require.NotEqual(t, p.ID.String(), again.ID)
	require.NotEqual(t, p.SHA256.String(), again.SHA256, "the sum says nothing of the picture")
	var same bytes.Buffer
	require.NoError(t, c.Photo(t.Context(), cal.ID.String(), again.ID, &same))
	require.Equal(t, shown.Body, same.String())

	other := tech.OpenCalibration(tech.OpenJob())
	require.Equal(t, http.StatusNotFound, ask(t, tech, http.MethodGet, other.Path()+"/photos/"+p.ID.String(), "").Status, "of another calibration")
	require.Equal(t, http.StatusNotFound, ask(t, tech, http.MethodGet, cal.Path()+"/photos/"+stream.NewID().String(), "").Status)
	require.Equal(t, http.StatusUnprocessableEntity, ask(t, tech, http.MethodGet, cal.Path()+"/photos/last", "").Status)

	// Erased with the job's key, also on a node that still has it in memory.
	_, err = conn.Exec(t.Context(), "delete from readback.stream_key where id = (select key from readback.photo where id = $1)", p.ID.String())
	require.NoError(t, err)
	require.Equal(t, http.StatusNotFound, ask(t, tech, http.MethodGet, at, "").Status)
	got = tech.With("Content-Type", "image/jpeg").Ask(http.MethodPost, cal.Path()+"/photos", apptest.Picture())
	require.Contains(t, got.Body, string(fault.WrongPhase))
}

// TestPhotoRefused sends what is no photo, or too much of one; the 80 megapixels are a PNG of some hundred kilobytes.
func TestPhotoRefused(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech := s.As(apptest.Technician)
	cal := tech.OpenCalibration(tech.OpenJob())
	var eighty bytes.Buffer
	require.NoError(t, png.Encode(&eighty, image.NewPaletted(image.Rect(0, 0, 10_000, 8_000), color.Palette{color.White})))
	for name, c := range map[string]struct {
		media, body string
		slug        fault.Slug
		says        string
	}{
		"80 megapixels":  {"image/png", eighty.String(), fault.TooLarge, "80000000 pixels; at most 40000000"},
		"13 MB":          {"image/jpeg", apptest.Picture() + strings.Repeat("x", 13_000_000), fault.TooLarge, "at most 12582912 bytes and 40000000 pixels"},
		"cut short":      {"image/jpeg", apptest.Picture()[:2000], fault.Malformed, "cut short"},
		"a page":         {"image/jpeg", "<html>", fault.Malformed, "neither a JPEG nor a PNG"},
		"nothing":        {"image/png", "", fault.Malformed, "neither a JPEG nor a PNG"},
		"another type":   {"image/gif", apptest.Picture(), fault.Malformed, "image/jpeg or image/png"},
		"no type":        {"", apptest.Picture(), fault.Malformed, "image/jpeg or image/png"},
		"a form's field": {"multipart/form-data; boundary=x", apptest.Picture(), fault.Malformed, "image/jpeg or image/png"},
	} {
		got := tech.With("Content-Type", c.media).Ask(http.MethodPost, cal.Path()+"/photos", c.body)
		require.Contains(t, got.Body, `"/problems/`+string(c.slug)+`"`, name)
		require.Contains(t, got.Body, c.says, name)
		spec.Valid(t, "schema/problem.json", []byte(got.Body))
	}
	conn := s.SQL()
	defer conn.Close(t.Context())
	var n int
	require.NoError(t, conn.QueryRow(t.Context(), "select count(*) from readback.photo").Scan(&n))
	require.Zero(t, n)
}

// TestPhotosOfACalibrationAreLimited in number, in bytes and in a minute, each calibration for itself.
func TestPhotosOfACalibrationAreLimited(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech := s.As(apptest.Technician)
	job := tech.OpenJob()
	cal, other := tech.OpenCalibration(job), tech.OpenCalibration(job)
	conn := s.SQL()
	defer conn.Close(t.Context())
	do := func(sql string, args ...any) {
		t.Helper()
		_, err := conn.Exec(t.Context(), sql, args...)
		require.NoError(t, err)
	}
	refused := func(slug fault.Slug, says string) {
		t.Helper()
		got := tech.With("Content-Type", "image/jpeg").Ask(http.MethodPost, cal.Path()+"/photos", apptest.Picture())
		require.Contains(t, got.Body, `"/problems/`+string(slug)+`"`)
		require.Contains(t, got.Body, says)
		spec.Valid(t, "schema/problem.json", []byte(got.Body))
		tech.AddPhoto(other)
	}
	first := tech.AddPhoto(cal)
	// more puts others beside it, as if they had been given an hour ago.
	more := func(n, bytes int) {
		t.Helper()
		do(`insert into readback.photo select gen_random_uuid(), stream, key, sha256, decode(repeat('00', $3), 'hex'), 1, 1, now() - interval '1 hour'
			from readback.photo, generate_series(1, $2) where id = $1`, first.ID.String(), n, bytes)
	}
	none := func() {
		t.Helper()
		do(`delete from readback.photo where stream = $1 and id <> $2`, cal.ID.String(), first.ID.String())
	}

	more(postgres.MostPhotosMinute-1, 100)
	do(`update readback.photo set at = now() where stream = $1`, cal.ID.String())
	refused(fault.TooMany, "30 photos within a minute")
	do(`update readback.photo set at = at - interval '1 minute' where stream = $1`, cal.ID.String())
	tech.AddPhoto(cal)

	none()
	more(postgres.MostPhotos-1, 100)
	refused(fault.TooLarge, "at most 200")
	none()
	more(postgres.MostPhotos-2, 100)
	tech.AddPhoto(cal)

	none()
	more(4, 10<<20-1000) // leaves less than a photo has
	refused(fault.TooLarge, "would have more than 41943040")
	none()
	more(3, 10<<20)
	tech.AddPhoto(cal)
}

// TestPhotosNobodyNamedAreClearedAway by any server, once they are a day old; a photo that an entry names stays.
func TestPhotosNobodyNamedAreClearedAway(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech := s.As(apptest.Technician)
	cal := tech.OpenCalibration(tech.OpenJob())
	named, unnamed := tech.AttachPhoto(cal, `{"gate":"background-plain"}`), tech.AddPhoto(cal)
	conn := s.SQL()
	defer conn.Close(t.Context())
	_, err := conn.Exec(t.Context(), `
		create function readback.say_gone() returns trigger language plpgsql as $$ begin perform pg_notify('photo_gone', old.id::text); return null; end $$;
		create trigger say_gone after delete on readback.photo for each row execute function readback.say_gone();
		update readback.photo set touched_at = now() - interval '25 hours';
		listen photo_gone`)
	require.NoError(t, err)

	tech = s.Again().As(apptest.Technician) // a server looks when it starts, and every hour
	gone, err := conn.WaitForNotification(t.Context())
	require.NoError(t, err)
	require.Equal(t, unnamed.ID.String(), gone.Payload)
	require.Equal(t, http.StatusNotFound, ask(t, tech, http.MethodGet, cal.Path()+"/photos/"+unnamed.ID.String(), "").Status)
	require.Equal(t, http.StatusOK, ask(t, tech, http.MethodGet, cal.Path()+"/photos/"+named.ID.String(), "").Status)
	got := ask(t, tech, http.MethodPost, cal.Path()+"/commands", apptest.Body(stream.NewID(), cal.Seq, "attach-photo", fmt.Sprintf(
		`{"photo":%q,"sha256":%q,"width_px":640,"height_px":480,"of":{"gate":"background-plain"}}`, unnamed.ID, unnamed.SHA256)))
	require.Equal(t, http.StatusConflict, got.Status, got.Body)
	require.Contains(t, got.Body, "cleared away")
}

// TestPhotoIsThereBeforeItsEntry: no entry names a photo that is not there, under another sum or size, or another
// calibration's; and one that an entry names stays.
func TestPhotoIsThereBeforeItsEntry(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech := s.As(apptest.Technician)
	cal := tech.OpenCalibration(tech.OpenJob())
	other := tech.OpenCalibration(tech.OpenJob())
	p, theirs := tech.AddPhoto(cal), tech.AddPhoto(other)
	data := func(n photo.Named, change func(*photo.Named)) string {
		if change != nil {
			change(&n)
		}
		return fmt.Sprintf(`{"photo":%q,"sha256":%q,"width_px":%d,"height_px":%d,"of":{"gate":"background-plain"},"caption":"Plain."}`,
			n.ID, n.SHA256, n.WidthPX, n.HeightPX)
	}
	for name, wrong := range map[string]string{
		"no such photo":       data(p, func(n *photo.Named) { n.ID = stream.NewID() }),
		"another sum":         data(p, func(n *photo.Named) { n.SHA256[0] ^= 1 }),
		"another size":        data(p, func(n *photo.Named) { n.WidthPX-- }),
		"another calibration": data(theirs, nil),
	} {
		got := ask(t, tech, http.MethodPost, cal.Path()+"/commands", apptest.Body(stream.NewID(), cal.Seq, "attach-photo", wrong))
		require.Equal(t, http.StatusConflict, got.Status, "%s: %s", name, got.Body)
		require.Contains(t, got.Body, "photo-there", name)
	}
	tech.Do(cal, "attach-photo", data(p, nil))
	tech.Do(cal, "mark-photo", fmt.Sprintf(`{"photo":%q,"marks":[{"kind":"text","points":[{"x_ppm":1,"y_ppm":1}]}],"text":"Plain here."}`, p.ID))
	view := apptest.Read[struct {
		State struct {
			Photos []struct {
				photo.Named
				Marks []struct{ Kind string }
			}
		}
		Opened map[string]string
	}](tech, ask(t, tech, http.MethodGet, cal.Path(), ""))
	require.Len(t, view.State.Photos, 1)
	require.Equal(t, p, view.State.Photos[0].Named)
	require.Equal(t, "text", view.State.Photos[0].Marks[0].Kind)
	require.Subset(t, slices.Collect(maps.Values(view.Opened)), []string{"Plain.", "Plain here."})
}

// TestPhotosOfAStepAndAReading, which the desk sees; of what is not there, or of two things, there is none.
func TestPhotosOfAStepAndAReading(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech, desk := s.As(apptest.Technician), s.As(apptest.Specialist)
	cal := tech.OpenCalibration(tech.OpenJob())
	tech.Placed(desk, cal)
	reported := cal.Seq
	tech.AttachPhoto(cal, `{"step":1}`)
	tech.AttachPhoto(cal, fmt.Sprintf(`{"reading":%d}`, reported))
	p := tech.AddPhoto(cal)
	attach := func(of string) apptest.Answer {
		return ask(t, tech, http.MethodPost, cal.Path()+"/commands", apptest.Body(stream.NewID(), cal.Seq, "attach-photo",
			fmt.Sprintf(`{"photo":%q,"sha256":%q,"width_px":%d,"height_px":%d,"of":%s}`, p.ID, p.SHA256, p.WidthPX, p.HeightPX, of)))
	}
	for _, of := range []string{`{"step":2}`, `{"reading":1}`, `{"gate":"no-such-gate"}`} {
		problem(t, attach(of), fault.NotMet, "guard")
	}
	problem(t, attach(`{"step":1,"gate":"background-plain"}`), fault.InvalidInput, "data.of")
	problem(t, attach(`{}`), fault.InvalidInput, "data.of")
	type of struct {
		Step    int
		Reading uint64
	}
	photos := apptest.Read[struct {
		State struct{ Photos []struct{ Of of } }
	}](desk, ask(t, desk, http.MethodGet, cal.Path(), "")).State.Photos
	require.Len(t, photos, 2)
	require.Equal(t, []of{{Step: 1}, {Reading: reported}}, []of{photos[0].Of, photos[1].Of})
}

// TestGateDemandsAPhoto: where the procedure demands a photograph, ticking the gate is not enough.
func TestGateDemandsAPhoto(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech := s.As(apptest.Technician)
	cal := apptest.NewStream(stream.Calibration)
	tech.Do(cal, "open", fmt.Sprintf(`{"job":%q,"sensor":"front-camera","procedure":{"register":%q,"id":"01940000-0000-7000-8000-0000000000f7"}}`,
		tech.OpenJob().ID, tech.Access.Org))
	const ticked = `{"gate":"glass-clean","met":true,"evidence":"photographed"}`
	got := ask(t, tech, http.MethodPost, cal.Path()+"/commands", apptest.Body(stream.NewID(), cal.Seq, "record-gate", ticked))
	problem(t, got, fault.NotMet, "guard")
	require.Contains(t, got.Body, `"want":"gate-photographed`)
	p := tech.AddPhoto(cal)
	tech.Do(cal, "attach-photo", fmt.Sprintf(`{"photo":%q,"sha256":%q,"width_px":%d,"height_px":%d,"of":{"gate":"glass-clean"}}`,
		p.ID, p.SHA256, p.WidthPX, p.HeightPX))
	tech.Do(cal, "record-gate", ticked)
}
