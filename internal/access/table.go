package access

import "readback/internal/stream"

type row struct {
	kind     stream.Kind
	relation stream.Relation
	role     stream.Role
	may      []Action
}

// table is every permission there is. What has no row is refused; a foreign stream has none.
var table = []row{
	// The register is the owner's. Members see what they work with; an agreed desk sees it because its specialists issue
	// set-up sheets for the shop's bays and fixtures. The first entry is the server's: it makes the first owner.
	{stream.Register, stream.Own, stream.Owner, []Action{See, Command, Bundle, List}},
	{stream.Register, stream.Own, stream.Technician, []Action{See, List}},
	{stream.Register, stream.Own, stream.Specialist, []Action{See, Command, List}}, // goes on and off duty
	{stream.Register, stream.Own, stream.System, []Action{See, Command, Open}},
	{stream.Register, stream.Agreed, stream.Specialist, []Action{See, List}},
	{stream.Register, stream.Agreed, stream.Owner, []Action{See, List}},

	// The job is the shop's. A desk reads the car, its alignment and its scans from the request on, and keeps what it
	// needs to answer for what it claimed.
	{stream.Job, stream.Own, stream.Technician, []Action{See, Command, Open, Bundle, List}},
	{stream.Job, stream.Own, stream.Owner, []Action{See, Command, Open, Bundle, List}},
	{stream.Job, stream.Own, stream.Specialist, []Action{See, List}},
	{stream.Job, stream.Own, stream.System, []Action{See, Command}},
	{stream.Job, stream.Own, stream.Interface, []Action{Command, Open}}, // announces, and reads nothing
	{stream.Job, stream.Agreed, stream.Specialist, []Action{See}},
	{stream.Job, stream.Claimed, stream.Specialist, []Action{See}},
	{stream.Job, stream.Claimed, stream.Owner, []Action{See}},
	{stream.Job, stream.Ended, stream.Specialist, []Action{See}},
	{stream.Job, stream.Ended, stream.Owner, []Action{See}},

	// The calibration is the shop's and, once claimed, the desk's too. An owner may stop, note and close as anyone who
	// sees it may.
	{stream.Calibration, stream.Own, stream.Technician, []Action{See, Command, Show, Open, Bundle, List}},
	{stream.Calibration, stream.Own, stream.Owner, []Action{See, Command, Bundle, List}},
	{stream.Calibration, stream.Own, stream.Specialist, []Action{See, List}},
	{stream.Calibration, stream.Own, stream.System, []Action{See, Command}},
	{stream.Calibration, stream.Own, stream.Gateway, []Action{Show}}, // and reads nothing
	{stream.Calibration, stream.Agreed, stream.Specialist, []Action{See, Command, List}},
	{stream.Calibration, stream.Agreed, stream.Owner, []Action{See, List}},
	{stream.Calibration, stream.Claimed, stream.Specialist, []Action{See, Command, Bundle, List}},
	{stream.Calibration, stream.Claimed, stream.Owner, []Action{See, Command, Bundle, List}},
	{stream.Calibration, stream.Ended, stream.Specialist, []Action{See, Bundle, List}},
	{stream.Calibration, stream.Ended, stream.Owner, []Action{See, Bundle, List}},
}
