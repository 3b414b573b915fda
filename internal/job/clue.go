package job

import (
	"encoding/json"
	"strings"
	"unicode"

	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/vehicle"
)

// lastOfVIN is how many characters of a VIN's end people go by.
const lastOfVIN = 6

// Clues gives what a job can be found by because of an admitted command: every plate and VIN that was ever said of its car,
// those corrected since, too. Personal values are plain here.
func Clues(cmd stream.Command) []string {
	d := struct{ Plate, VIN string }{}
	if json.Unmarshal(cmd.Data, &d) != nil { // admitted: it cannot fail where there are texts of these names
		return nil
	}
	var all []string
	if d.Plate != "" {
		all = append(all, "plate/"+bare(d.Plate))
	}
	if len(d.VIN) == vehicle.VINLength {
		all = append(all, "vin/"+d.VIN, "vin-end/"+d.VIN[vehicle.VINLength-lastOfVIN:])
	}
	return all
}

// bare is a number as it is compared: capitals without spaces and hyphens.
func bare(text string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsSpace(r) || unicode.Is(unicode.Pd, r) {
			return -1
		}
		return unicode.ToUpper(r)
	}, text)
}

// PlateClue is what the jobs of a plate are found by, however it is spaced and whatever its case.
func PlateClue(field, text string) (string, error) {
	if len([]rune(text)) > 15 || !isPlate(text) {
		return "", fault.Badly(field, "a plate of up to 15 letters and digits; spaces, hyphens and capitals make no difference")
	}
	return "plate/" + bare(text), nil
}

// VINClue is what the jobs of a VIN are found by, or of its end.
func VINClue(field, text string) (string, error) {
	vin := bare(text)
	if len(vin) == lastOfVIN {
		if strings.Trim(vin, "0123456789ABCDEFGHJKLMNPRSTUVWXYZ") != "" {
			return "", fault.Badly(field, "the last 6 characters of a VIN: letters and digits without I, O and Q")
		}
		return "vin-end/" + vin, nil
	}
	if _, err := vehicle.ParseVIN(vin); err != nil {
		return "", fault.Badly(field, "the whole VIN, or its last 6 characters; a whole one has "+err.Error())
	}
	return "vin/" + vin, nil
}
