package register

import (
	"time"

	"readback/internal/stream"
)

// command is all the register knows of one command.
type command struct {
	entry string // type of the entry it makes
	opens bool   // makes the first entry
	self  bool   // a specialist's for themself too
	// onlySelf keeps the owner out of it.
	onlySelf bool
	seal     []string // keys of data that are personal
	stale    []string // entry types that its sender must have seen: they may have changed what it decides upon

	// read takes plain data apart strictly; what it gives is marshalled as the data of the entry.
	read func(in intake) any
	// needs lists facts; nil: none.
	needs func(cmd stream.Command) ([]stream.FactKey, error)
	// check refuses by guard; nil: nothing can.
	check func(s *State, cmd stream.Command, facts stream.Facts, now time.Time) error
	// apply changes a State that is not given out yet. Maps it changes are its own copies.
	apply func(s *State, e stream.Entry) error
}

// commands is every command there is.
var commands = map[string]command{
	"open-organisation": {
		entry: "organisation-opened", opens: true,
		read: erase(readOrganisation), apply: applying((*State).openOrganisation),
	},
	"change-organisation": {
		entry: "organisation-changed", stale: []string{"organisation-changed"},
		read: erase(readOrganisationChange), check: checking((*State).checkOrganisationChange), apply: applying((*State).changeOrganisation),
	},

	"add-member": {
		entry: "member-added", seal: []string{"name"},
		read: erase(readMember), check: checking((*State).checkMember), apply: applying((*State).addMember),
	},
	"change-member": {
		entry: "member-changed", seal: []string{"name"}, stale: []string{"member-changed", "member-retired"},
		read: erase(readMemberChange), check: checking((*State).checkMemberChange), apply: applying((*State).changeMember),
	},
	"grant-competence": {
		entry: "competence-granted", stale: []string{"competence-granted", "competence-revoked", "member-retired"},
		read: erase(readCompetence), check: checking((*State).checkCompetence), apply: applying((*State).grantCompetence),
	},
	"revoke-competence": {
		entry: "competence-revoked", stale: []string{"competence-granted", "competence-revoked", "member-retired"},
		read: erase(readRevocation), check: checking((*State).checkRevocation), apply: applying((*State).revokeCompetence),
	},
	"retire-member": {
		entry: "member-retired", stale: []string{"member-retired"},
		read: erase(readRetireMember), check: checking((*State).checkRetireMember), apply: retiring,
	},
	"go-on-duty": {
		entry: "went-on-duty", self: true, onlySelf: true, stale: []string{"went-on-duty", "went-off-duty", "member-retired"},
		read: erase(readShift), check: checking((*State).checkGoOn), apply: turning(true),
	},
	"go-off-duty": {
		entry: "went-off-duty", self: true, stale: []string{"went-on-duty", "went-off-duty", "member-retired"},
		read: erase(readShift), check: checking((*State).checkGoOff), apply: turning(false),
	},
	"set-opening-hours": {
		entry: "opening-hours-set", stale: []string{"opening-hours-set"},
		read: erase(readHours), check: checking((*State).checkHours), apply: applying((*State).setHours),
	},

	"make-agreement": {
		entry: "agreement-made", stale: []string{"agreement-ended"},
		read: erase(readAgreement), needs: needsDesk, check: checking((*State).checkMakeAgreement), apply: applying((*State).makeAgreement),
	},
	"end-agreement": {
		entry: "agreement-ended", stale: []string{"agreement-made"},
		read: erase(readAgreement), check: checking((*State).checkEndAgreement), apply: applying((*State).endAgreement),
	},

	"add-bay": {
		entry: "bay-added",
		read:  erase(readBay), check: checking((*State).checkBay), apply: applying((*State).addBay),
	},
	"change-bay": {
		entry: "bay-changed", stale: []string{"bay-changed", "retired"},
		read: erase(readBayChange), check: checking((*State).checkBayChange), apply: applying((*State).changeBay),
	},
	"survey-bay": {
		entry: "bay-surveyed", stale: []string{"bay-surveyed", "survey-withdrawn", "retired"},
		read: erase(readSurvey), check: checking((*State).checkSurvey), apply: applying((*State).surveyBay),
	},
	"withdraw-survey": {
		entry: "survey-withdrawn", stale: []string{"bay-surveyed", "survey-withdrawn", "retired"},
		read: erase(readUnsurvey), check: checking((*State).checkUnsurvey), apply: applying((*State).withdrawSurvey),
	},

	"add-instrument": {
		entry: "instrument-added",
		read:  erase(readInstrument), check: checking((*State).checkInstrument), apply: applying((*State).addInstrument),
	},
	"change-instrument": {
		entry: "instrument-changed", stale: []string{"instrument-changed", "retired"},
		read: erase(readInstrumentChange), check: checking((*State).checkInstrumentChange), apply: applying((*State).changeInstrument),
	},
	"renew-instrument": {
		entry: "instrument-renewed", stale: []string{"instrument-renewed", "retired"},
		read: erase(readRenewal), check: checking((*State).checkRenewal), apply: applying((*State).renewInstrument),
	},

	"add-fixture": {
		entry: "fixture-added",
		read:  erase(readFixture), check: checking((*State).checkFixture), apply: applying((*State).addFixture),
	},
	"change-fixture": {
		entry: "fixture-changed", stale: []string{"fixture-changed", "retired"},
		read: erase(readFixtureChange), check: checking((*State).checkFixtureChange), apply: applying((*State).changeFixture),
	},

	"add-dimensions": {
		entry: "dimensions-added",
		read:  erase(readDimensions), check: checking((*State).checkDimensions), apply: applying((*State).addDimensions),
	},
	"change-dimensions": {
		entry: "dimensions-changed", stale: []string{"dimensions-changed", "retired"},
		read: erase(readDimensionsChange), check: checking((*State).checkDimensionsChange), apply: applying((*State).changeDimensions),
	},

	"add-procedure": {
		entry: "procedure-added",
		read:  erase(readProcedure), check: checking((*State).checkProcedure), apply: applying((*State).addProcedure),
	},
	"revise-procedure": {
		entry: "procedure-revised", stale: []string{"procedure-revised", "retired"},
		read: erase(readRevision), check: checking((*State).checkRevision), apply: applying((*State).reviseProcedure),
	},
	"add-webhook": {
		entry: "webhook-added",
		read:  erase(readWebhook), check: checking((*State).checkWebhook), apply: applying((*State).addWebhook),
	},
	"change-webhook": {
		entry: "webhook-changed", stale: []string{"webhook-changed", "retired"},
		read: erase(readWebhookChange), check: checking((*State).checkWebhookChange), apply: applying((*State).changeWebhook),
	},

	"add-interface": {
		entry: "interface-added",
		read:  erase(readInterface), check: checking((*State).checkInterface), apply: applying((*State).addInterface),
	},
	"change-interface": {
		entry: "interface-changed", stale: []string{"interface-changed", "retired"},
		read: erase(readInterfaceChange), check: checking((*State).checkInterfaceChange), apply: applying((*State).changeInterface),
	},

	"retire": {
		entry: "retired", stale: []string{"retired"},
		read: erase(readRetirement), check: checking((*State).checkRetirement), apply: applying((*State).retire),
	},
}

// given is one command being decided.
type given[D any] struct {
	data  D
	facts stream.Facts
	now   time.Time
}

func erase[D any](read func(intake) D) func(intake) any {
	return func(in intake) any { return read(in) }
}

func checking[D any](check func(*State, given[D]) error) func(*State, stream.Command, stream.Facts, time.Time) error {
	return func(s *State, cmd stream.Command, facts stream.Facts, now time.Time) error {
		data, err := stream.DecodeData[D](cmd)
		if err != nil {
			return err
		}
		return check(s, given[D]{data, facts, now})
	}
}

func applying[D any](apply func(*State, D) error) func(*State, stream.Entry) error {
	return func(s *State, e stream.Entry) error {
		data, err := stream.DecodeData[D](e.Command)
		if err != nil {
			return err
		}
		return apply(s, data)
	}
}
