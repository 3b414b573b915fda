// Package access says who may do what: one table over the kind of stream, what somebody's organisation is to it
// (stream.Relation), the role held there, and the action. It is asked before a store or a stream is: what it lets pass,
// the stream's own rules may still refuse, by phase and by guard.
//
// Whoever may not see a stream gets the answer that a missing one gives, word for word. The server itself (role system)
// is of no organisation and may see and command everything; it takes nothing out: no lists, no bundles.
//
// Everything here is a pure function of its arguments.
package access

import (
	"fmt"
	"strings"

	"readback/internal/fault"
	"readback/internal/stream"
)

// Action is what somebody wants of a stream.
type Action string

// The actions.
const (
	See     Action = "see"     // read its entries and follow it
	Command Action = "command" // give it a command
	Show    Action = "show"    // show in it what instruments read now
	Open    Action = "open"    // give the command that makes its first entry
	Bundle  Action = "bundle"  // take it out as one archive that verifies off-line
	List    Action = "list"    // find it in lists
)

// Actions lists all actions.
func Actions() []Action { return []Action{See, Command, Show, Open, Bundle, List} }

// Relations lists all relations, the nearest first.
func Relations() []stream.Relation {
	return []stream.Relation{stream.Own, stream.Claimed, stream.Agreed, stream.Ended, stream.Foreign}
}

// Nearest gives the nearest of the relations. A job knows nothing of desks: a desk is to a job what it is to the nearest
// of the job's calibrations.
func Nearest(relations ...stream.Relation) stream.Relation {
	for _, near := range Relations() {
		for _, r := range relations {
			if r == near {
				return near
			}
		}
	}
	return stream.Foreign
}

// Allowed reports whether somebody with these roles may do it.
func Allowed(roles []stream.Role, relation stream.Relation, kind stream.Kind, action Action) bool {
	for _, role := range roles {
		if allowed(role, relation, kind, action) {
			return true
		}
	}
	return false
}

// Check is nil if the actor may, a not-found fault if the stream does not exist for the actor, and a not-your-role fault
// if the actor may see it but not do that. To open is to make what is not there yet, so that nothing is given away by
// saying whose business it is.
func Check(actor stream.Actor, relation stream.Relation, kind stream.Kind, action Action) error {
	switch {
	case Allowed(actor.Roles, relation, kind, action):
		return nil
	case relation == stream.Own && action == Open, Allowed(actor.Roles, relation, kind, See):
		return fault.New(fault.NotYourRole, fmt.Sprintf("To %s this %s is %s.", inWords[action], kind, whose(relation, kind, action)))
	}
	return NotHere()
}

var inWords = map[Action]string{See: "read", Command: "give commands to", Show: "show readings in", Open: "open", Bundle: "take out", List: "list"}

// whose says which of the people to whom the stream is that may.
func whose(relation stream.Relation, kind stream.Kind, action Action) string {
	var may []string
	for _, role := range []stream.Role{stream.Technician, stream.Specialist, stream.Owner} {
		if allowed(role, relation, kind, action) {
			may = append(may, string(role)+"s")
		}
	}
	if may == nil {
		return "not for your organisation as things stand"
	}
	return "for " + strings.Join(may, " and ")
}

// NotHere is the one answer for what is missing and for what is somebody else's.
func NotHere() error {
	return fault.New(fault.NotHere, "There is no such thing, or it is not yours to see.")
}

func allowed(role stream.Role, relation stream.Relation, kind stream.Kind, action Action) bool {
	for _, row := range table {
		if row.kind == kind && row.relation == relation && row.role == role {
			for _, a := range row.may {
				if a == action {
					return true
				}
			}
		}
	}
	return false
}
