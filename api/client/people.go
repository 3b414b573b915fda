package client

import (
	"context"
	"net/http"
	"net/url"
	"time"
)

// SignedIn is one session of a member: where somebody is signed in.
type SignedIn struct {
	ID      string    `json:"id"`
	Member  string    `json:"member"`
	Created time.Time `json:"created"`
	Used    time.Time `json:"used"`
	Expires time.Time `json:"expires"` // unless it is used before
	Origin  string    `json:"origin"`  // the address it was last used from, if that is known
	Device  string    `json:"device"`  // what the client calls itself
	Current bool      `json:"current"` // the one that asks
}

// Sessions lists where a member is signed in. member is one of one's own organisation, for its owners; empty is oneself.
func (c *Client) Sessions(ctx context.Context, member string) ([]SignedIn, error) {
	path := "/v1/sessions"
	if member != "" {
		path += "?member=" + url.QueryEscape(member)
	}
	var answer struct{ Sessions []SignedIn }
	err := c.Get(ctx, path, &answer)
	return answer.Sessions, err
}

// EndSession ends a session of one's own, or for owners one of any member of the organisation: its tokens are refused and its
// connections closed from then on. One that is over already is not there.
func (c *Client) EndSession(ctx context.Context, id string) error {
	return c.Delete(ctx, "/v1/sessions/"+url.PathEscape(id))
}

// Invitation lets a member in by a link that works once: for the first time, or after a forgotten password.
type Invitation struct {
	ID      string    `json:"id"`
	Member  string    `json:"member"`
	Kind    string    `json:"kind"` // invitation or reset
	Login   string    `json:"login"`
	Made    time.Time `json:"made"`
	Expires time.Time `json:"expires"`
	Link    string    `json:"link"` // shown to who made it where no mail is sent, and never again
}

// Invitations lists those of the owner's organisation that still let somebody in.
func (c *Client) Invitations(ctx context.Context) ([]Invitation, error) {
	var answer struct{ Invitations []Invitation }
	err := c.Get(ctx, "/v1/invitations", &answer)
	return answer.Invitations, err
}

// Invite invites a member of the owner's organisation to sign in by the name login.
func (c *Client) Invite(ctx context.Context, member, login string) (i Invitation, err error) {
	return i, c.Post(ctx, "/v1/invitations", map[string]string{"member": member, "login": login}, &i)
}

// Withdraw takes an invitation back: its link lets nobody in any more. One that was used, replaced or withdrawn is not there.
func (c *Client) Withdraw(ctx context.Context, invitation string) error {
	return c.Delete(ctx, "/v1/invitations/"+url.PathEscape(invitation))
}

// Delete asks for what is at path to be ended or taken back.
func (c *Client) Delete(ctx context.Context, path string) error {
	return c.ask(ctx, http.MethodDelete, path, nil, nil)
}
