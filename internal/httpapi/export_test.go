package httpapi_test

import (
	"fmt"
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/register"
	"readback/internal/stream"
	"readback/internal/testkit/apptest"
)

// TestExport changes a register and takes it out as one document, which is for its owners only.
func TestExport(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	owner, tech := s.As(apptest.ShopOwner), s.As(apptest.Technician)
	shop := &apptest.Stream{Ref: stream.Ref{Kind: stream.Register, ID: owner.Access.Org}}
	shop.Seq = apptest.Read[struct{ Seq uint64 }](owner, owner.Get(shop.Path())).Seq
	bay := stream.NewID()
	owner.Do(shop, "add-bay", fmt.Sprintf(`{"id":%q,"name":"Bay 7"}`, bay))
	owner.Do(shop, "change-bay", fmt.Sprintf(`{"id":%q,"name":"Bay seven","size_um":{"length":8000500,"width":5000000}}`, bay))
	owner.Do(shop, "change-member", fmt.Sprintf(`{"id":%q,"name":"Tamsin Newname (invented)"}`, tech.Access.Member))
	owner.Do(shop, "retire", fmt.Sprintf(`{"kind":"bay","id":%q}`, bay))
	require.NotContains(t, s.Stored(), "Tamsin Newname", "a new name is sealed as the first one was")

	got := owner.Get(shop.Path() + "/export")
	require.Equal(t, http.StatusOK, got.Status, got.Body)
	require.Equal(t, "application/json", got.Header.Get("Content-Type"))
	require.Equal(t, `attachment; filename="register-`+shop.ID.String()+`.json"`, got.Header.Get("Content-Disposition"))
	for _, there := range []string{`"Tamsin Newname (invented)"`, `"Bay seven"`, `"length": 8000.5`, `"retired": true`} {
		require.Contains(t, got.Body, there)
	}
	for _, secret := range []string{"sign_in", "password", "Tamsin Exemplar"} {
		require.NotContains(t, got.Body, secret)
	}
	again, err := register.Import([]byte(got.Body), stream.NewID)
	require.NoError(t, err)
	require.Equal(t, shop.ID, again.Organisation)

	problem(t, tech.Get(shop.Path()+"/export"), fault.NotYourRole)
	problem(t, s.As(apptest.Specialist).Get(shop.Path()+"/export"), fault.NotYourRole)
	problem(t, s.Nobody().Get(shop.Path()+"/export"), fault.SignInNeeded)
	problem(t, owner.Get(shop.Path()+"/export?all=1"), fault.InvalidInput, "all")
	problem(t, owner.Get("/v1/registers/x/export"), fault.InvalidInput, "id")
	foreign, missing := s.As(apptest.DeskOwner).Access.Org, stream.NewID()
	require.Equal(t, owner.Get("/v1/registers/"+missing.String()+"/export").Body, owner.Get("/v1/registers/"+foreign.String()+"/export").Body)
	problem(t, owner.Get("/v1/registers/"+foreign.String()+"/export"), fault.NotHere)
}
