package calibration

import (
	"slices"

	"readback/internal/stream"
)

var (
	beforeClaim = []Phase{Preparing, Waiting, Guided, Stopped} // the technician's part goes on in all of these
	guided      = []Phase{Guided, Stopped}
	open        = []Phase{Preparing, Waiting, Guided, Running, Stopped}
	seen        = []Phase{Waiting, Guided, Running, Stopped} // a desk sees it from the request on
)

// What a sender must have seen.
var (
	// turns are the entries that change who may do what next.
	turns = []string{"claimed", "returned", "lapsed", "handed-over", "taken-over", "leg-started", "leg-ended", "stopped", "restarted"}

	// placeChanges change what is known of the set-up at this position.
	placeChanges = []string{"sheet-issued", "readings-reported", "step-done", "setup-voided", "leg-started", "leg-ended", "drive-recorded"}

	// legChanges change what a leg rests on. A word given is not among them: it is what the other side waits for.
	legChanges = append(slices.Concat(placeChanges, turns),
		"sheet-adopted", "instructed", "closing-reported", "gate-recorded", "waived", "locked", "frozen")
)

// legGuards are asked of both words, so that each of the two vouches for everything.
var legGuards = []guard{
	jobGoesOn, carDescribed, oneVIN, personCompetent, gatesByLeg, noBlockingCode, sheetAdopted, targetFitted, noOpenStep, positionNotRun, withinHere,
	frozenHere, closingHeld, closingSees, setupFresh, factsUnchanged, surveyCurrent, instrumentsCurrent, notAlreadySaid,
}

// table is every command there is, in the order in which a calibration meets them. docs/state-machine.md shows it.
var table = []row{
	{
		command: "open", title: "open it", entries: []string{"opened"},
		may:    []may{{stream.Technician, anyone, []Phase{Unopened}}},
		guards: []guard{jobKnown, jobGoesOn, sensorNotRuledOut, procedureKnown, procedureForSensor},
		read:   readOpen, needs: needsOpen, decide: decideOpen,
	},
	{
		command: "record-gate", title: "record a gate", entries: []string{"gate-recorded"},
		may:    []may{{stream.Technician, anyone, beforeClaim}, {stream.Specialist, claiming, guided}},
		guards: []guard{gateKnown, gateEvidence, gatePhotographed, gateFigure},
		read:   readGate, decide: decideGate,
	},
	{
		command: "request", title: "request guidance", entries: []string{"guidance-requested"},
		may:    []may{{stream.Technician, anyone, []Phase{Preparing}}},
		guards: []guard{jobGoesOn, workDescribed, sensorAffected, gatesUnlessAdvice, leadOfJob},
		read:   readRequest, needs: needsRequest, decide: decideRequest,
	},
	{
		command: "claim", title: "claim it", entries: []string{"claimed"},
		may:    []may{{stream.Specialist, anyone, []Phase{Waiting}}},
		guards: []guard{jobGoesOn, deskAgreed, personCompetent, languageSpoken, onDuty, leadFirst},
		read:   readNothing, needs: needsClaim, decide: decideClaim,
	},
	{
		command: "decline", title: "decline it", entries: []string{"declined"},
		may:    []may{{stream.Specialist, anyone, []Phase{Waiting}}},
		guards: []guard{deskAgreed, personCompetent, notDeclined},
		seal:   []string{"reason"},
		read:   readReturn, needs: needsDecline, decide: decideDecline,
	},
	{
		command: "return", title: "return it to the queue", entries: []string{"returned"},
		may:  []may{{stream.Specialist, claiming, guided}},
		seal: []string{"reason"},
		read: readReturn, decide: decideReturn,
	},
	{
		command: "lapse", title: "let the claim lapse", entries: []string{"lapsed"},
		may:   []may{{stream.System, anyone, guided}},
		stale: []string{"claimed", "handed-over", "taken-over"},
		read:  readLapse, decide: decideLapse,
	},
	{
		command: "offer-handover", title: "offer a hand-over", entries: []string{"handover-offered"},
		may:  []may{{stream.Specialist, claiming, guided}, {stream.Technician, anyone, beforeClaim}},
		seal: []string{"points"},
		read: readOffer, decide: decideOffer,
	},
	{
		command: "take-handover", title: "take a hand-over", entries: []string{"handed-over"},
		may:    []may{{stream.Specialist, colleagues, guided}, {stream.Technician, anyone, beforeClaim}},
		guards: []guard{personCompetent, handoverOffered, handoverNotOwn, handoverCurrent, restated},
		stale:  append([]string{"handover-offered", "sheet-adopted", "closing-reported", "locked", "frozen"}, append(slices.Clone(placeChanges), turns...)...),
		read:   readRestatement, decide: decideHandover,
	},
	{
		command: "take-over", title: "take it over", entries: []string{"taken-over"},
		may:    []may{{stream.Specialist, colleagues, guided}},
		guards: []guard{personCompetent, holderAway},
		stale:  []string{"claimed", "handed-over", "taken-over"},
		seal:   []string{"reason"},
		read:   readTakeOver, needs: needsTakeOver, decide: decideTakeOver,
	},
	{
		command: "waive", title: "waive", entries: []string{"waived"},
		may:    []may{{stream.Specialist, claiming, guided}},
		guards: []guard{gateKnown, waivable},
		stale:  []string{"gate-recorded", "readings-reported", "sheet-issued", "step-done", "setup-voided"},
		seal:   []string{"reason"},
		read:   readWaive, decide: decideWaive,
	},
	{
		command: "issue-sheet", title: "issue a set-up sheet", entries: []string{"sheet-issued"},
		may:    []may{{stream.Technician, anyone, beforeClaim}, {stream.Specialist, claiming, guided}},
		guards: []guard{jobGoesOn, setUpKnown, sheetForSensor, dimensionsKnown, fixtureKnown, targetAsked, bayKnown, instrumentsKnown, noOpenStep, notFrozen, noLegInAttempt},
		stale:  []string{"sheet-issued", "sheet-adopted"},
		read:   readSheet, needs: needsSheet, decide: decideSheet,
	},
	{
		command: "adopt-sheet", title: "adopt a set-up sheet", entries: []string{"sheet-adopted"},
		may:    []may{{stream.Specialist, claiming, guided}},
		guards: []guard{sheetNewest, sheetNotAdopted},
		stale:  []string{"sheet-issued"},
		read:   readAdopt, decide: decideAdopt,
	},
	{
		command: "instruct", title: "instruct a step", entries: []string{"instructed"},
		may:    []may{{stream.Specialist, claiming, guided}},
		guards: []guard{jobGoesOn, sheetAdopted, noOpenStep, notFrozen, positionKnown, largeMove, alignmentKnown},
		stale:  append([]string{"sheet-issued", "instructed", "step-done", "readings-reported", "setup-voided", "frozen"}, turns...),
		read:   readInstruct, needs: needsInstruct, decide: decideInstruct,
	},
	{
		command: "read-back", title: "read a step back", entries: []string{"read-back"},
		may:    []may{{stream.Technician, anyone, guided}},
		guards: []guard{stepOpen, notYetMatched},
		stale:  []string{"instructed", "corrected", "step-withdrawn"},
		read:   readReadBack, decide: decideReadBack,
	},
	{
		command: "confirm", title: "confirm a read-back", entries: []string{"confirmed"},
		may:    []may{{stream.Specialist, claiming, guided}},
		guards: []guard{stepOpen, readBackMatches, notYetConfirmed},
		stale:  []string{"read-back", "corrected", "step-withdrawn"},
		read:   readStep, decide: decideStep,
	},
	{
		command: "correct", title: "correct a read-back", entries: []string{"corrected"},
		may:    []may{{stream.Specialist, claiming, guided}},
		guards: []guard{stepOpen, hasReadBack, notYetConfirmed},
		stale:  []string{"read-back", "step-withdrawn"},
		read:   readStep, decide: decideStep,
	},
	{
		command: "withdraw-step", title: "withdraw a step", entries: []string{"step-withdrawn"},
		may:    []may{{stream.Specialist, claiming, guided}},
		guards: []guard{stepOpen, notYetConfirmed},
		stale:  []string{"instructed"},
		read:   readStep, decide: decideStep,
	},
	{
		command: "done", title: "report a step done", entries: []string{"step-done"},
		may:    []may{{stream.Technician, anyone, guided}},
		guards: []guard{stepOpen, confirmed},
		stale:  []string{"corrected", "step-withdrawn", "instructed"},
		read:   readDone, decide: decideDone,
	},
	{
		command: "report-readings", title: "report readings", entries: []string{"readings-reported"},
		may:    []may{{stream.Technician, anyone, beforeClaim}},
		guards: []guard{jobGoesOn, sheetKnown, notFrozen, instrumentsKnown, instrumentsCurrent, alignmentKnown},
		stale:  []string{"sheet-issued", "step-done", "setup-voided"},
		read:   readReport, needs: needsReport, decide: decideReport,
	},
	{
		command: "lock", title: "lock the set-up", entries: []string{"locked"},
		may:    []may{{stream.Technician, anyone, beforeClaim}},
		guards: []guard{jobGoesOn, withinHere, notLocked},
		stale:  placeChanges,
		read:   readNothing, needs: needsLock, decide: decideLock,
	},
	{
		command: "freeze", title: "freeze the set-up", entries: []string{"frozen"},
		may:    []may{{stream.Technician, anyone, beforeClaim}},
		guards: []guard{jobGoesOn, lockedHere, notFrozen, noOpenStep, positionNotRun, factsUnchanged, surveyCurrent, instrumentsCurrent},
		stale:  placeChanges,
		read:   readNothing, needs: needsFreeze, decide: decideFreeze,
	},
	{
		command: "report-closing", title: "report closing readings", entries: []string{"closing-reported"},
		may:    []may{{stream.Technician, anyone, guided}},
		guards: []guard{jobGoesOn, sheetAdopted, frozenHere, instrumentsKnown, instrumentsCurrent, factsUnchanged},
		stale:  placeChanges,
		read:   readClosing, needs: needsClosing, decide: decideClosing,
	},
	{
		command: "bay-clear", title: "say that the bay is clear", entries: []string{"word-given", "leg-started"},
		may:    []may{{stream.Technician, anyone, []Phase{Guided}}},
		guards: legGuards, stale: legChanges,
		read: readNothing, needs: needsWord, decide: decideWord,
	},
	{
		command: "go", title: "say go", entries: []string{"word-given", "leg-started"},
		may:    []may{{stream.Specialist, claiming, []Phase{Guided}}},
		guards: legGuards, stale: legChanges,
		read: readNothing, needs: needsWord, decide: decideWord,
	},
	{
		command: "end-leg", title: "end the leg", entries: []string{"leg-ended"},
		may:   []may{{stream.Specialist, claiming, []Phase{Running}}},
		stale: []string{"leg-started", "stopped", "setup-voided"},
		seal:  []string{"note"},
		read:  readEnd, decide: decideEnd,
	},
	{
		command: "record-drive", title: "record a drive", entries: []string{"drive-recorded"},
		may:    []may{{stream.Technician, anyone, []Phase{Guided}}},
		guards: []guard{jobGoesOn, carDescribed, oneVIN, personCompetent, driveAsked, gatesByDrive, noBlockingCode, noOpenStep, driveInAttempt, conditionsKnown},
		stale:  append([]string{"gate-recorded", "drive-recorded"}, turns...),
		seal:   []string{"driver", "second_person", "note"},
		read:   readDrive, needs: needsDrive, decide: decideDrive,
	},
	{
		command: "stop", title: "stop", entries: []string{"stopped"},
		may: []may{
			{stream.Technician, anyone, open}, {stream.Specialist, ofDesk, seen}, {stream.Owner, anyone, open},
		},
		read: readNothing, needs: needsSee, decide: decideStop,
	},
	{
		command: "restart", title: "agree to restart", entries: []string{"restart-agreed", "restarted"},
		may:    []may{{stream.Technician, anyone, []Phase{Stopped}}, {stream.Specialist, claiming, []Phase{Stopped}}},
		guards: []guard{restartNotSaid},
		stale:  []string{"stopped", "setup-voided"},
		read:   readRestart, decide: decideRestart,
	},
	{
		command: "void-setup", title: "void the set-up", entries: []string{"setup-voided"},
		may: []may{
			{stream.Technician, anyone, open}, {stream.Specialist, claiming, seen}, {stream.Owner, anyone, open},
		},
		read: readVoid, decide: decideVoid,
	},
	{
		command: "note", title: "add a note", entries: []string{"noted"},
		may: []may{
			{stream.Technician, anyone, append([]Phase{Declared}, open...)},
			{stream.Specialist, ofDesk, append([]Phase{Declared}, seen...)},
			{stream.Owner, anyone, append([]Phase{Declared}, open...)},
		},
		seal: []string{"text"},
		read: readNote, needs: needsSee, decide: decideNote,
	},
	{
		command: "attach-photo", title: "attach a photo", entries: []string{"photo-attached"},
		may: []may{
			{stream.Technician, anyone, append([]Phase{Declared}, beforeClaim...)},
			{stream.Specialist, claiming, append([]Phase{Declared}, guided...)},
		},
		guards: []guard{photoNew, photoOfSomething},
		seal:   []string{"caption"},
		read:   readAttach, decide: decideAttach,
	},
	{
		command: "mark-photo", title: "draw on a photo", entries: []string{"photo-marked"},
		may: []may{
			{stream.Technician, anyone, append([]Phase{Declared}, beforeClaim...)},
			{stream.Specialist, claiming, append([]Phase{Declared}, guided...)},
		},
		guards: []guard{photoAttached},
		seal:   []string{"text"},
		read:   readMarks, decide: decideMarks,
	},
	{
		command: "declare", title: "declare the outcome", entries: []string{"result-declared"},
		may:    []may{{stream.Specialist, claiming, guided}, {stream.Technician, anyone, beforeClaim}},
		guards: []guard{outcomeYours, notStopped, allRun, driveMet, noOpenStepIfCompleted},
		stale:  []string{"leg-started", "leg-ended", "drive-recorded", "stopped", "setup-voided", "sheet-issued"},
		seal:   []string{"reason", "remarks"},
		read:   readDeclare, needs: needsDeclare, decide: decideDeclare,
	},
	{
		command: "sign", title: "sign the result", entries: []string{"signed"},
		may: []may{
			{stream.Technician, anyone, []Phase{Declared}}, {stream.Specialist, claiming, []Phase{Declared}},
			{stream.Owner, anyone, []Phase{Declared}},
		},
		guards: []guard{notSigned, personCompetent},
		stale:  []string{"result-declared", "reopened"},
		read:   readSign, decide: decideSign,
	},
	{
		command: "hand-over-notice", title: "record that the notice was handed over", entries: []string{"notice-handed-over"},
		may:    []may{{stream.Technician, anyone, []Phase{Declared}}, {stream.Owner, anyone, []Phase{Declared}}},
		guards: []guard{notCompletedHere},
		stale:  []string{"result-declared", "reopened"},
		read:   readHandOver, decide: decideHandOver,
	},
	{
		command: "close", title: "close it", entries: []string{"closed"},
		may: []may{
			{stream.Technician, anyone, []Phase{Declared}}, {stream.Specialist, claiming, []Phase{Declared}},
			{stream.Owner, anyone, []Phase{Declared}},
		},
		guards: []guard{bothSigned, noticeHanded},
		stale:  []string{"reopened"},
		read:   readNothing, decide: decideCloseOff,
	},
	{
		command: "reopen", title: "reopen it", entries: []string{"reopened"},
		may: []may{
			{stream.Technician, anyone, []Phase{Declared, Closed}}, {stream.Specialist, claiming, []Phase{Declared}},
			{stream.Owner, anyone, []Phase{Declared, Closed}},
		},
		stale: []string{"result-declared", "signed", "closed", "reopened"},
		seal:  []string{"reason"},
		read:  readReopen, decide: decideReopen,
	},
}

// rowOf finds a command's row; nil if there is no such command. Every command asks for its row some six times.
func rowOf(command string) *row { return rows[command] }

var rows = func() map[string]*row {
	rows := make(map[string]*row, len(table))
	for i := range table {
		rows[table[i].command] = &table[i]
	}
	return rows
}()
