package httpapi_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"readback/api/client"
	"readback/internal/testkit/apptest"
)

// TestTheClientLetsInAndOut: with the Go client an owner invites, takes it back, and ends a member's session, whose token is
// refused from then on.
func TestTheClientLetsInAndOut(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	in := func(login, password string) *client.Client {
		c, err := client.New(client.Config{URL: s.URL, Name: "test/1"})
		require.NoError(t, err)
		t.Cleanup(c.Close)
		_, err = c.SignIn(t.Context(), login, password)
		require.NoError(t, err)
		return c
	}
	ctx := t.Context()
	owner, tech := in(apptest.ShopOwner, "demo shop owner"), in(apptest.Technician, "demo technician")
	member := s.Person(apptest.Technician).Member.String()

	made, err := owner.Invite(ctx, member, apptest.Technician)
	require.NoError(t, err)
	require.Contains(t, made.Link, "/join#")
	open, err := owner.Invitations(ctx)
	require.NoError(t, err)
	require.Len(t, open, 1)
	made.Link = ""
	require.Equal(t, made, open[0])
	_, err = tech.Invitations(ctx)
	require.True(t, client.IsProblem(err, "not-your-role"), "%v", err)
	require.NoError(t, owner.Withdraw(ctx, made.ID))
	open, err = owner.Invitations(ctx)
	require.NoError(t, err)
	require.Empty(t, open)
	require.True(t, client.IsProblem(owner.Withdraw(ctx, made.ID), "not-found"))

	own, err := tech.Sessions(ctx, "")
	require.NoError(t, err)
	require.Len(t, own, 1)
	require.True(t, own[0].Current)
	require.Equal(t, "test/1", own[0].Device)
	theirs, err := owner.Sessions(ctx, member)
	require.NoError(t, err)
	require.Equal(t, own[0].ID, theirs[0].ID)
	require.NoError(t, owner.EndSession(ctx, own[0].ID))
	_, err = tech.Sessions(ctx, "")
	require.True(t, client.IsProblem(err, "sign-in-needed"), "%v", err)
	require.True(t, client.IsProblem(owner.EndSession(ctx, own[0].ID), "not-found"))
}
