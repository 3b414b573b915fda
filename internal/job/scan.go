package job

import (
	"readback/internal/stream"
	"readback/internal/strict"
	"readback/internal/vehicle"
)

// Scan is a reading of the car's trouble codes.
type Scan struct {
	Seq    uint64       `json:"seq"` // of its entry
	When   vehicle.When `json:"when"`
	Codes  []ScanCode   `json:"codes"`
	Source string       `json:"source"`
}

// ScanCode is one trouble code with the status byte of ISO 14229-1.
type ScanCode struct {
	Code     string `json:"code"`             // P0805 or P0805-11
	Status   *int64 `json:"status,omitempty"` // absent where the scan gave none
	Blocking bool   `json:"blocking"`         // holds back the routine; else it is noted only
}

// sources are how a scan's codes got here.
var sources = []string{"typed", "pasted", "device"}

// mostCodes is how many codes one scan may list.
const mostCodes = 200

// scanning is the data of record-scan.
type scanning struct {
	When   vehicle.When `json:"when"`
	Codes  []ScanCode   `json:"codes"`
	Source string       `json:"source"`
}

func readScan(o *strict.Object) any {
	s := scanning{When: readWhen(o), Codes: []ScanCode{}, Source: o.Enum("source", sources...)}
	seen := map[string]bool{}
	for _, c := range o.Objects("codes", 0, mostCodes) {
		code := ScanCode{Code: c.String("code", 12), Blocking: c.Bool("blocking")}
		if status, there := c.OptInt("status", 0, 255); there {
			code.Status = &status
		}
		if _, err := vehicle.ParseCode(code.Code); err != nil && code.Code != "" {
			c.Reject("code", err.Error())
		} else if seen[code.Code] && code.Code != "" {
			c.Reject("code", "a code that the scan does not list already")
		}
		seen[code.Code] = true
		s.Codes = append(s.Codes, code)
	}
	return s
}

func recordScan(s *State, e stream.Entry) error {
	d, err := stream.DecodeData[scanning](e.Command)
	if err != nil {
		return err
	}
	s.scans = appended(s.scans, Scan{Seq: e.Seq, When: d.When, Codes: d.Codes, Source: d.Source})
	return nil
}

// Blocking counts the codes that hold back the routine.
func (s Scan) Blocking() int {
	n := 0
	for _, c := range s.Codes {
		if c.Blocking {
			n++
		}
	}
	return n
}

// Scan is the newest scan; false if there is none.
func (s *State) Scan() (Scan, bool) {
	if len(s.scans) == 0 {
		return Scan{}, false
	}
	return s.scans[len(s.scans)-1], true
}

// Comparison is how the codes of the newest scan after the work differ from those of the last one before it.
type Comparison struct {
	BeforeSeq uint64 `json:"before_seq"`
	AfterSeq  uint64 `json:"after_seq"`
	vehicle.Difference
}

// Comparison is nil unless there is a scan of either kind.
func (s *State) Comparison() *Comparison {
	newest := map[vehicle.When]*Scan{}
	for i := range s.scans {
		newest[s.scans[i].When] = &s.scans[i]
	}
	before, after := newest[vehicle.Before], newest[vehicle.After]
	if before == nil || after == nil {
		return nil
	}
	return &Comparison{before.Seq, after.Seq, vehicle.Differ(before.reported(), after.reported())}
}

func (s Scan) reported() []vehicle.Reported {
	var all []vehicle.Reported
	for _, c := range s.Codes {
		code, err := vehicle.ParseCode(c.Code)
		if err != nil {
			continue // cannot be: Admit takes no others
		}
		r := vehicle.Reported{Code: code}
		if c.Status != nil {
			status := vehicle.Status(*c.Status)
			r.Status = &status
		}
		all = append(all, r)
	}
	return all
}
