package tenancy

// ofJobs is a row for each command of jobs. A job is its shop's.
var ofJobs = []command{
	{is: "open-job", who: "new technician owner"},
	{is: "describe-vehicle", who: "own technician owner"},
	{is: "describe-work", who: "own technician owner"},
	{is: "announce-vehicle", who: "own technician owner"},
	{is: "settle-vin", who: "own technician owner"},
	{is: "tie-interface", who: "own technician owner"},
	{is: "untie-interface", who: "own technician owner"},
	{is: "withdraw-job", who: "own technician owner"},
	{is: "attach-alignment", who: "own technician owner"},
	{is: "record-scan", who: "own technician owner"},
	{is: "note", who: "own technician owner"},
}
