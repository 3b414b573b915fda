package calibration

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/photo"
	"readback/internal/stream"
)

func photoID(n int) string { return id(0xf000 + n).String() }

func photoData(n int, of string) string {
	return fmt.Sprintf(`{"photo":%q,"sha256":"%064x","width_px":640,"height_px":480,"of":%s,"caption":"As it stands."}`, photoID(n), n, of)
}

func markData(n int) string {
	return fmt.Sprintf(`{"photo":%q,"marks":[{"kind":"arrow","points":[{"x_ppm":0,"y_ppm":1000000},{"x_ppm":500000,"y_ppm":500000}]},
		{"kind":"text","points":[{"x_ppm":510000,"y_ppm":500000}]}],"text":"Here."}`, photoID(n))
}

// A photo shows a gate, a step or standing readings; both sides draw on it, and nothing drawn is lost.
func TestPhotosAreNumberedAndDrawnOn(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.guided()
	reported := w.do(technician, "report-readings", readingsData(true, w.measured()))
	step := w.instruct(`{"step":"go-to-position","position":"left"}`)
	w.do(technician, "attach-photo", photoData(1, `{"gate":"light-even"}`))
	w.do(specialist, "attach-photo", photoData(2, fmt.Sprintf(`{"step":%d}`, step)))
	w.do(technician, "attach-photo", photoData(3, fmt.Sprintf(`{"reading":%d}`, reported.Seq)))
	before := w.state().Photos()
	w.do(specialist, "mark-photo", markData(1))
	w.do(technician, "mark-photo", fmt.Sprintf(`{"photo":%q,"marks":[{"kind":"ring","points":[{"x_ppm":1,"y_ppm":2},{"x_ppm":3,"y_ppm":4}]}]}`, photoID(1)))

	all := w.state().Photos()
	require.Len(t, all, 3)
	require.Empty(t, before[0].Marks, "a state that was handed out does not change")
	require.Equal(t, []int{1, 2, 3}, []int{all[0].Number, all[1].Number, all[2].Number})
	require.Equal(t, PhotoOf{Gate: "light-even"}, all[0].Of)
	require.Equal(t, PhotoOf{Step: step}, all[1].Of)
	require.Equal(t, PhotoOf{Reading: reported.Seq}, all[2].Of)
	require.Equal(t, stream.Specialist, all[1].Role)
	require.NotNil(t, all[0].Caption)
	marks := all[0].Marks
	require.Equal(t, []string{"arrow", "text", "ring"}, []string{marks[0].Kind, marks[1].Kind, marks[2].Kind})
	require.Equal(t, []int{1, 2, 3}, []int{marks[0].Number, marks[1].Number, marks[2].Number})
	require.Nil(t, marks[0].Text)
	require.NotNil(t, marks[1].Text)
	require.Equal(t, []Point{{1, 2}, {3, 4}}, marks[2].Points)
	require.Equal(t, []stream.ID{all[0].ID}, w.state().gate("light-even").Photos)

	for name, of := range map[string]string{
		"no such gate": `{"gate":"moon-full"}`, "a step to come": fmt.Sprintf(`{"step":%d}`, step+1), "no readings": `{"reading":1}`,
	} {
		_, _, err := w.draft(technician, "attach-photo", photoData(4, of))
		require.Equal(t, fault.NotMet, fault.Of(err).Slug, name)
	}
	named, ok := Rules{}.PhotoOf(stream.Command{Type: "attach-photo", Data: []byte(photoData(1, `{"gate":"light-even"}`))})
	require.True(t, ok)
	require.Equal(t, photo.Named{ID: all[0].ID, SHA256: all[0].SHA256, WidthPX: 640, HeightPX: 480}, named)
	_, ok = Rules{}.PhotoOf(stream.Command{Type: "mark-photo", Data: []byte(markData(1))})
	require.False(t, ok)
}

// A word said stays said while the other side sends a photo or draws on one.
func TestPhotosTakeNoWordAway(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.guided()
	w.held()
	w.do(technician, "bay-clear", `{}`)
	w.do(specialist, "attach-photo", photoData(1, `{"gate":"light-even"}`))
	w.do(technician, "mark-photo", markData(1))
	w.do(specialist, "go", `{}`)
	require.Equal(t, Running, w.state().phase)
}

// A gate that demands a photograph is met with one, no older than its answer counts, and asks for another after a reopening.
func TestGateByPhoto(t *testing.T) {
	t.Parallel()
	const answer = `{"gate":"space-clear","met":true,"evidence":"photographed"}`
	refused := func(w *world, says string) {
		_, _, err := w.draft(technician, "record-gate", answer)
		require.Equal(t, fault.NotMet, fault.Of(err).Slug)
		require.ErrorContains(t, err, says)
	}
	w := newWorld(t)
	w.openBy(shopID)
	require.Equal(t, "photographed", w.state().gate("space-clear").Demands)
	w.do(technician, "record-gate", `{"gate":"space-clear","met":false,"evidence":"photographed"}`) // whoever sees it may say so
	refused(w, "attach one")
	w.do(technician, "attach-photo", photoData(1, `{"gate":"battery-voltage"}`))
	refused(w, "attach one")
	w.do(technician, "attach-photo", photoData(2, `{"gate":"space-clear"}`))
	w.do(technician, "record-gate", answer)
	require.True(t, w.state().gate("space-clear").Met)

	limited := *w.state()
	limited.gates = limited.gatesAt(w.now)
	limited.gate("space-clear").ExpiresMin = 15
	w.fold.State = &limited
	w.now = w.now.Add(14 * time.Minute)
	w.do(technician, "record-gate", answer)
	w.now = w.now.Add(2 * time.Minute)
	refused(w, "older than the 15 min")
}

func TestPhotoCommandsAreReadStrictly(t *testing.T) {
	t.Parallel()
	point := `{"x_ppm":1,"y_ppm":1}`
	marks := func(list string) string { return fmt.Sprintf(`{"photo":%q,"marks":[%s]}`, photoID(1), list) }
	arrow := `{"kind":"arrow","points":[` + point + `,` + point + `]}`
	text := `{"kind":"text","points":[` + point + `]}`
	good := photoData(1, `{"step":1}`)
	for _, c := range []struct{ command, data, field string }{
		{"attach-photo", photoData(1, `{}`), "data.of"},
		{"attach-photo", photoData(1, `{"gate":"light-even","step":1}`), "data.of"},
		{"attach-photo", photoData(1, `{"sheet":1}`), "data.of.sheet"},
		{"attach-photo", strings.Replace(good, `"sha256":"0`, `"sha256":"G`, 1), "data.sha256"},
		{"attach-photo", strings.Replace(good, "640", "2561", 1), "data.width_px"},
		{"attach-photo", strings.Replace(good, "480", "0", 1), "data.height_px"},
		{"attach-photo", strings.Replace(good, "As it stands.", "", 1), "data.caption"},
		{"mark-photo", marks(``), "data.marks"},
		{"mark-photo", marks(strings.TrimSuffix(strings.Repeat(arrow+",", 51), ",")), "data.marks"},
		{"mark-photo", marks(`{"kind":"arrow","points":[` + point + `]}`), "data.marks[0].points"},
		{"mark-photo", marks(`{"kind":"star","points":[` + point + `]}`), "data.marks[0].kind"},
		{"mark-photo", marks(`{"kind":"text","points":[{"x_ppm":1000001,"y_ppm":0}]}`), "data.marks[0].points[0].x_ppm"},
		{"mark-photo", marks(text), "data.text"},
		{"mark-photo", marks(text + "," + text), "data.marks"},
		{"mark-photo", strings.Replace(marks(arrow), `]}]}`, `]}],"text":"x"}`, 1), "data.text"},
	} {
		_, _, err := Rules{}.Admit(stream.Command{Type: c.command, Data: []byte(c.data)})
		require.Error(t, err, c.data)
		var names []string
		for _, f := range fault.Of(err).Fields {
			names = append(names, f.Name)
		}
		require.Contains(t, names, c.field, "%s: %v", c.data, err)
	}
}
