package wire

import "readback/internal/fault"

// Problem is the one published form of a refusal: the members of RFC 9457, with errors for the fields. On HTTP it is
// the body, of media type application/problem+json; on a websocket it stands in a refused message.
type Problem struct {
	Type     string        `json:"type"` // "/problems/" and the slug
	Title    string        `json:"title"`
	Status   int           `json:"status"`
	Detail   string        `json:"detail,omitempty"`
	Instance string        `json:"instance,omitempty"` // of the request, on HTTP
	Errors   []fault.Field `json:"errors,omitempty"`
}

// ProblemType is the type of the slug's problems.
func ProblemType(s fault.Slug) string { return "/problems/" + string(s) }

// ProblemOf publishes a refusal. Its cause stays behind.
func ProblemOf(e *fault.Error) Problem {
	return Problem{
		Type: ProblemType(e.Slug), Title: e.Title(), Status: StatusOf(e.Slug), Detail: e.Detail, Errors: e.Fields,
	}
}

// StatusOf is the HTTP status that goes with a slug.
func StatusOf(s fault.Slug) int {
	if status, ok := statusOfSlug[s]; ok {
		return status
	}
	return statusOfKind[fault.KindOf(s)]
}

var statusOfKind = map[fault.Kind]int{
	fault.Internal:    500,
	fault.Invalid:     422,
	fault.NotFound:    404,
	fault.Conflict:    409,
	fault.Denied:      403,
	fault.Unavailable: 503,
}

// statusOfSlug holds the slugs for which HTTP has a status that says more than their kind's.
var statusOfSlug = map[fault.Slug]int{
	fault.Malformed:    400,
	fault.TooLarge:     413,
	fault.WrongMethod:  405,
	fault.SignInNeeded: 401,
	fault.SignInFailed: 401,
	fault.TooMany:      429,
}
