// Package notice writes the notice that goes with a car whose sensor was not calibrated: one page for the customer, in
// plain words, made from what was declared. The same calibration and the same language always give the same bytes, so
// that the hash kept with its handing over says which text it was.
//
// It claims nothing of how the vehicle will behave. It warns that the system has not been verified, and refers to the
// vehicle maker's service information.
//
// Everything here is a pure function of its arguments.
package notice

import (
	"bytes"
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"time"

	"readback/internal/calibration"
)

// Notice is what the page says. Personal values are plain here: whoever may not read them gets no notice.
type Notice struct {
	Calibration, Job string // ids
	Shop, Phone      string
	VIN, Plate       string
	Sensor           string // kind, as vehicle.Sensors has it
	Outcome          string // one of calibration's, never completed
	Reason           string
	Declared         time.Time // UTC
	Entry            uint64    // number of the entry that declared it
	Positions        []calibration.PositionResult
	Attempts         int
}

//go:embed notice.html
var pageText string

//go:embed notice.css
var style string

var page = template.Must(template.New("notice").Parse(pageText))

// Policy is the content security policy of the page: its one style, by its hash, and nothing else.
func Policy() string {
	sum := sha256.Sum256([]byte(style))
	return "default-src 'none'; style-src 'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
}

// Page writes the notice in a language of calibration.NoticeLanguages.
func Page(language string, n Notice) ([]byte, error) {
	w, ok := languages[language]
	if !ok {
		return nil, fmt.Errorf("no notice in language %q", language)
	}
	title, ok := w.Title[n.Outcome]
	if !ok {
		return nil, fmt.Errorf("no notice for the outcome %q", n.Outcome)
	}
	sensor, ok := w.Sensors[n.Sensor]
	if !ok {
		return nil, fmt.Errorf("no word in %s for the sensor %q", language, n.Sensor)
	}
	type row struct{ Position, Outcome string }
	rows := make([]row, len(n.Positions))
	for i, p := range n.Positions {
		rows[i] = row{p.Position, w.Positions[p.Outcome]}
	}
	var b bytes.Buffer
	err := page.Execute(&b, map[string]any{
		"Style": template.CSS(style), "Language": language, "W": w, "N": n, "Title": title, "Sensor": sensor,
		"Sentence": fmt.Sprintf(w.Sentence, sensor), "Rows": rows, "Declared": n.Declared.UTC().Format(w.Moment),
	})
	return b.Bytes(), err
}
