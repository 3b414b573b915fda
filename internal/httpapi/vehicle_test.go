package httpapi_test

import (
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/testkit/apptest"
)

// What people have is read into what commands take; what is wrong with it is named as it stands there.
func TestAlignmentsAndCodesAreRead(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech := s.As(apptest.Technician)
	got := ask(t, tech, "POST", "/v1/read-alignment", `{"text":"wheel;toe [min];thrust [deg];positive\nrear left;12;;\nrear right;-6;;\nrear axle;;-0,15;left\n"}`)
	require.Equal(t, http.StatusOK, got.Status, got.Body)
	require.JSONEq(t, `{"alignments":[{"wheels":{"rear_left":{"toe_udeg":200000},"rear_right":{"toe_udeg":-100000}},
		"stated_thrust":{"udeg":-150000,"positive":"left"},"thrust_udeg":150000}]}`, got.Body)
	got = ask(t, tech, "POST", "/v1/read-alignment", `{"text":"wheel;toe [deg];thrust [deg];positive\nrear left;0,2;;\nrear right;-0,1;;\nrear axle;;0,15;left\n"}`)
	require.Equal(t, http.StatusUnprocessableEntity, got.Status)
	require.Contains(t, got.Body, "line 4, thrust")
	require.Contains(t, got.Body, "0.15° to the right; stated is 0.15° to the left")

	// The answer of ISO 14229-1:2013, 11.3.5.3.
	got = ask(t, tech, "POST", "/v1/read-codes", `{"text":"59 02 7F 0A 9B 17 24 08 05 11 2F\r\nwarning lamp is on"}`)
	require.Equal(t, http.StatusOK, got.Status, got.Body)
	require.Contains(t, got.Body, `"code":"P0A9B-17","status":36`)
	require.Contains(t, got.Body, `"not_read":[{"line":2,"text":"warning lamp is on"`)
	require.Equal(t, http.StatusUnprocessableEntity, ask(t, tech, "POST", "/v1/read-codes", `{"text":""}`).Status)
	require.Equal(t, http.StatusUnauthorized, ask(t, s.Nobody(), "POST", "/v1/read-codes", `{"text":"P0143"}`).Status)
}
