package drive

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"readback/internal/strict"
)

// maxCSVSamples is how many lines a pasted log may have below its header: 2 h 46 min at one a second.
const maxCSVSamples = 10_000

// mostNamed is how many wrong lines are named one by one; of further ones the refusal gives the number.
const mostNamed = strict.MaxFields - 4

// columns are the ways in which the two columns may be headed: each with its unit, which nobody can then mistake.
var columns = [2][]string{{"time_s", "time [s]"}, {"speed_kmh", "speed [km/h]"}}

// readCSV reads a log as a program or an instrument writes it: a header line, then a time in seconds from the start of the
// drive and a speed in km/h on each line. Cells are parted by comma, semicolon or tab, whichever the header has. Decimals, three
// at the most, need a point, or a comma where no comma parts the cells. All lines that are wrong are found.
func readCSV(o *strict.Object, key string) Log {
	text := o.Paste(key, MaxCSVBytes)
	if text == "" {
		return Log{}
	}
	header, rest, _ := strings.Cut(strings.TrimPrefix(text, "\ufeff"), "\n")
	parted := ","
	for _, c := range []string{";", "\t"} {
		if strings.Contains(header, c) {
			parted = c
		}
	}
	if !headed(header, parted) {
		o.Reject(key+", line 1", "the header time_s"+parted+"speed_kmh: time in seconds from the start, speed in km/h")
		return Log{}
	}
	wrong := 0
	reject := func(line int, want string) {
		wrong++
		if wrong <= mostNamed {
			o.Reject(fmt.Sprintf("%s, line %d", key, line), want)
		}
	}
	var samples []sample
	n := 1
	for raw := range strings.Lines(rest) {
		n++
		if strings.TrimSpace(raw) == "" {
			continue
		}
		if len(samples) == maxCSVSamples {
			reject(n, fmt.Sprintf("at most %d lines below the header", maxCSVSamples))
			break
		}
		s, want := readLine(raw, parted)
		if was := len(samples) - 1; want == "" && was >= 0 && s.atMS <= samples[was].atMS {
			want = "a time above " + seconds(samples[was].atMS) + ", which is the line's before: lines stand in order of time"
		}
		if want != "" {
			reject(n, want)
			continue
		}
		samples = append(samples, s)
	}
	if wrong > mostNamed {
		o.Reject(key, fmt.Sprintf("%d more lines mended: %d are wrong in all", wrong-mostNamed, wrong))
	}
	if wrong == 0 && len(samples) < 2 {
		o.Reject(key, "at least two lines below the header")
	}
	return sampled(samples)
}

func headed(header, parted string) bool {
	cells := strings.Split(header, parted)
	if len(cells) != len(columns) {
		return false
	}
	for i, cell := range cells {
		if !slices.Contains(columns[i], strings.ToLower(strings.TrimSpace(cell))) {
			return false
		}
	}
	return true
}

// readLine reads a line, or says what it should be.
func readLine(raw, parted string) (s sample, want string) {
	cells := strings.Split(raw, parted)
	if len(cells) != len(columns) {
		return s, fmt.Sprintf("two cells, not %d: where commas part the cells, decimals need a point", len(cells))
	}
	var ok bool
	if s.atMS, ok = thousandths(cells[0], longestMS); !ok {
		return s, fmt.Sprintf("a time of 0 to %d s with three decimals at the most", maxSeconds)
	}
	if s.speedMH, ok = thousandths(cells[1], fastestMH); !ok {
		return s, fmt.Sprintf("a speed of 0 to %d km/h with three decimals at the most", fastestMH/mPerKM)
	}
	return s, ""
}

// thousandths reads an unsigned decimal as a thousand times its value, which is not above most.
func thousandths(cell string, most int64) (int64, bool) {
	whole, part, dotted := strings.Cut(strings.Replace(strings.TrimSpace(cell), ",", ".", 1), ".")
	if whole == "" || len(whole) > 9 || len(part) > 3 || dotted && part == "" || strings.Trim(whole+part, "0123456789") != "" {
		return 0, false
	}
	v, err := strconv.ParseInt(whole+part+"000"[len(part):], 10, 64)
	return v, err == nil && v <= most
}

// seconds writes milliseconds as seconds.
func seconds(ms int64) string {
	return strconv.FormatFloat(float64(ms)/msPerSecond, 'f', -1, 64) + " s"
}
