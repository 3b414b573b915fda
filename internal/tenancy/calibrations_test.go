package tenancy

// ofCalibrations is a row for each command of calibrations. The technician works at the car; the specialist who has claimed
// the calibration guides; a specialist who may claim it may already stop it and write a note. An owner stops, voids and
// notes, signs the release, closes and reopens.
var ofCalibrations = []command{
	{is: "open", who: "new technician", data: `{"job":"$job","sensor":"front-camera"}`},
	{is: "record-gate", who: "own technician, claimed specialist"},
	{is: "request", who: "own technician"},
	{is: "claim", who: "agreed specialist, claimed specialist"},
	{is: "decline", who: "agreed specialist, claimed specialist"},
	{is: "return", who: "claimed specialist"},
	{is: "offer-handover", who: "own technician, claimed specialist"},
	{is: "take-handover", who: "own technician"}, // and a colleague of the specialist who has claimed it
	{is: "take-over", who: ""},                   // a colleague of the specialist who has claimed it
	{is: "lapse", who: ""},                       // the server's
	{is: "waive", who: "claimed specialist"},
	{is: "issue-sheet", who: "own technician, claimed specialist"},
	{is: "adopt-sheet", who: "claimed specialist"},
	{is: "instruct", who: "claimed specialist"},
	{is: "read-back", who: "own technician"},
	{is: "confirm", who: "claimed specialist"},
	{is: "correct", who: "claimed specialist"},
	{is: "withdraw-step", who: "claimed specialist"},
	{is: "done", who: "own technician"},
	{is: "report-readings", who: "own technician"},
	{is: "lock", who: "own technician"},
	{is: "freeze", who: "own technician"},
	{is: "report-closing", who: "own technician"},
	{is: "bay-clear", who: "own technician"},
	{is: "go", who: "claimed specialist"},
	{is: "end-leg", who: "claimed specialist"},
	{is: "record-drive", who: "own technician"},
	{is: "stop", who: "own technician owner, agreed specialist, claimed specialist"},
	{is: "restart", who: "own technician, claimed specialist"},
	{is: "void-setup", who: "own technician owner, claimed specialist"},
	{is: "note", who: "own technician owner, agreed specialist, claimed specialist"},
	{is: "attach-photo", who: "own technician, claimed specialist"},
	{is: "mark-photo", who: "own technician, claimed specialist"},
	{is: "declare", who: "own technician, claimed specialist"},
	{is: "sign", who: "own technician owner, claimed specialist"},
	{is: "hand-over-notice", who: "own technician owner"},
	{is: "close", who: "own technician owner, claimed specialist"},
	{is: "reopen", who: "own technician owner, claimed specialist"},
}
