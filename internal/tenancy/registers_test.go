package tenancy

// ofRegisters is a row for each command of registers. The register is its owners'; specialists say themselves whether they
// are on duty.
var ofRegisters = []command{
	{is: "open-organisation", who: ""}, // the server's
	{is: "change-organisation", who: "own owner"},
	{is: "add-member", who: "own owner"},
	{is: "change-member", who: "own owner"},
	{is: "grant-competence", who: "own owner"},
	{is: "revoke-competence", who: "own owner"},
	{is: "retire-member", who: "own owner"},
	{is: "make-agreement", who: "own owner"},
	{is: "end-agreement", who: "own owner"},
	{is: "add-bay", who: "own owner"},
	{is: "change-bay", who: "own owner"},
	{is: "survey-bay", who: "own owner"},
	{is: "withdraw-survey", who: "own owner"},
	{is: "add-instrument", who: "own owner"},
	{is: "change-instrument", who: "own owner"},
	{is: "renew-instrument", who: "own owner"},
	{is: "add-fixture", who: "own owner"},
	{is: "change-fixture", who: "own owner"},
	{is: "add-dimensions", who: "own owner"},
	{is: "change-dimensions", who: "own owner"},
	{is: "add-procedure", who: "own owner"},
	{is: "revise-procedure", who: "own owner"},
	{is: "add-webhook", who: "own owner"},
	{is: "change-webhook", who: "own owner"},
	{is: "add-interface", who: "own owner"},
	{is: "change-interface", who: "own owner"},
	{is: "retire", who: "own owner"},
	{is: "go-on-duty", who: "own specialist", data: `{"member":"$me"}`},
	{is: "go-off-duty", who: "own specialist owner", data: `{"member":"$me"}`},
	{is: "set-opening-hours", who: "own owner"},
}
