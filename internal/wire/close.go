package wire

// CloseCode is the status a connection is closed with. The codes 1000 to 1011 mean what RFC 6455, section 7.4.1 says;
// ours follow one rule that a client may rely on for codes it does not know: 4000 to 4099 say connect again and resume
// from the last entry you have, 4100 to 4199 say do not, somebody has to act first.
type CloseCode int

const (
	CloseDone     CloseCode = 1000 // the client asked for it
	CloseLeaving  CloseCode = 1001 // this server stops; another, or the same one, will be there soon
	CloseProtocol CloseCode = 1002 // not the websocket protocol
	CloseBinary   CloseCode = 1003
	CloseGone     CloseCode = 1006 // never sent: how a client's own side reports a connection that broke
	CloseTooLong  CloseCode = 1009 // a frame above MaxFrame
	CloseInternal CloseCode = 1011

	CloseSlow    CloseCode = 4008 // messages came faster than they were read; nothing is lost, the rest is in the trail
	CloseSilent  CloseCode = 4009 // no sign of life for longer than the server waits
	CloseNoHello CloseCode = 4010 // hello did not come in time
	CloseCrowded CloseCode = 4011 // as many connections as one member may have

	CloseSignIn    CloseCode = 4101 // the access token is not valid
	CloseExpired   CloseCode = 4102 // the access token that was brought had run out, or the session has
	CloseSignedOut CloseCode = 4103 // signed out, or no longer a member
	CloseGarbage   CloseCode = 4104 // one unreadable message after another
)

// Closing is one row of the table of close codes.
type Closing struct {
	Code   CloseCode
	Name   string
	Resume bool   // connect again without asking anybody
	Reason string // sent with the code; at most 123 bytes, the room of a close frame
}

// Closings is the table of close codes, in order.
func Closings() []Closing {
	return []Closing{
		{CloseDone, "done", false, "Good-bye."},
		{CloseLeaving, "leaving", true, "The server stops. Connect again and resume after your last entry."},
		{CloseProtocol, "protocol", false, "That is not the websocket protocol."},
		{CloseBinary, "binary", false, "Send text frames: one JSON object each."},
		{CloseGone, "gone", true, "The connection broke."},
		{CloseTooLong, "too-long", false, "A frame holds at most 65536 bytes."},
		{CloseInternal, "internal", true, "Something failed on our side. Connect again and resume."},
		{CloseSlow, "slow", true, "You read too slowly. Nothing is lost: connect again and resume after your last entry."},
		{CloseSilent, "silent", true, "No sign of life from you. Connect again and resume."},
		{CloseNoHello, "no-hello", true, "Say hello first, and within the time given."},
		{CloseCrowded, "crowded", true, "You have too many connections open. Close one, or try again later."},
		{CloseSignIn, "sign-in", false, "The access token is not valid. Sign in, then connect again."},
		{CloseExpired, "expired", false, "The access token or the session ran out. Refresh it or sign in again, then resume after your last entry."},
		{CloseSignedOut, "signed-out", false, "You have been signed out."},
		{CloseGarbage, "garbage", false, "Too many messages in a row could not be read."},
	}
}

// Reason is the sentence that goes with a code.
func (c CloseCode) Reason() string {
	for _, row := range Closings() {
		if row.Code == c {
			return row.Reason
		}
	}
	return ""
}

// Resumes reports whether a client may connect again by itself after the code, by the rule of CloseCode for those that
// are not in the table. A connection that ended without a code resumes.
func (c CloseCode) Resumes() bool {
	for _, row := range Closings() {
		if row.Code == c {
			return row.Resume
		}
	}
	return c < 4100 || c > 4199
}
