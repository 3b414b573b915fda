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

	// Toe in millimetres at the stated diameter, and an angle in either published sign: arcsin(1.2/645) is 0.106597°, of -0.4
	// -0.035532°, and half of the difference 0.071065°, to the right (by a calculator; the relation is that of the sine).
	got = ask(t, tech, "POST", "/v1/read-alignment", `{"text":"wheel;diameter [mm];toe [mm];thrust [deg];positive;when\nrear left;645;1,2;;;before\nrear right;645;-0,4;;;before\nrear axle;;;-0,07;left;before\nrear left;645;0,6;;;after\nrear right;645;0,6;;;after\nrear axle;;;0,00;right;after\n"}`)
	require.Equal(t, http.StatusOK, got.Status, got.Body)
	require.JSONEq(t, `{"alignments":[{"when":"before","wheels":{"rear_left":{"toe_udeg":106597},"rear_right":{"toe_udeg":-35532}},
		"stated_thrust":{"udeg":-70000,"positive":"left"},"thrust_udeg":71065},
		{"when":"after","wheels":{"rear_left":{"toe_udeg":53298},"rear_right":{"toe_udeg":53298}},
		"stated_thrust":{"udeg":0,"positive":"right"},"thrust_udeg":0}]}`, got.Body)
	got = ask(t, tech, "POST", "/v1/read-alignment", `{"text":"wheel;toe [mm]\nrear left;1,2\nrear right;-0,4\n"}`)
	require.Equal(t, http.StatusUnprocessableEntity, got.Status)
	require.Contains(t, got.Body, "diameter")

	// The answer of ISO 14229-1:2013, 11.3.5.3.
	got = ask(t, tech, "POST", "/v1/read-codes", `{"text":"59 02 7F 0A 9B 17 24 08 05 11 2F\r\nwarning lamp is on"}`)
	require.Equal(t, http.StatusOK, got.Status, got.Body)
	require.Contains(t, got.Body, `"code":"P0A9B-17","status":36`)
	require.Contains(t, got.Body, `"not_read":[{"line":2,"text":"warning lamp is on"`)
	require.Equal(t, http.StatusUnprocessableEntity, ask(t, tech, "POST", "/v1/read-codes", `{"text":""}`).Status)
	require.Equal(t, http.StatusUnauthorized, ask(t, s.Nobody(), "POST", "/v1/read-codes", `{"text":"P0143"}`).Status)
}
