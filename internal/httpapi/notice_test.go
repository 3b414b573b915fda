package httpapi_test

import (
	"crypto/sha256"
	"encoding/base64"
	"fmt"
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/testkit/apptest"
)

// TestNotice makes the customer's notice of a withdrawn calibration, and records its handing over by its hash.
func TestNotice(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech, spec := s.As(apptest.Technician), s.As(apptest.Specialist)
	job := tech.OpenJob()
	cal := tech.OpenCalibration(job)
	at := cal.Path() + "/notice"
	problem(t, ask(t, tech, "GET", at, ""), fault.NotMet, "outcome")
	tech.Request(cal)
	spec.Do(cal, "claim", `{}`)
	spec.Do(cal, "declare", `{"outcome":"not-completed","reason":"It would not <learn>."}`)

	for _, who := range []*apptest.Client{tech, spec, s.As(apptest.ShopOwner)} {
		got := ask(t, who, "GET", at+"?lang=de", "")
		require.Equal(t, http.StatusOK, got.Status, got.Body)
		for _, there := range []string{"ZZZDEM0A4CR000017", "It would not &lt;learn&gt;.", "Frontkamera", `lang="de"`} {
			require.Contains(t, got.Body, there)
		}
		sum := sha256.Sum256([]byte(got.Body))
		require.Equal(t, "sha-256=:"+base64.StdEncoding.EncodeToString(sum[:])+":", got.Header.Get("Repr-Digest"))
	}
	page := ask(t, tech, "GET", at, "").Body
	require.Equal(t, page, ask(t, tech, "GET", at+"?lang=en", "").Body)
	tech.Do(cal, "sign", `{}`)
	spec.Do(cal, "sign", `{}`)
	got := tech.Post(cal.Path()+"/commands", apptest.Body(cal.ID, cal.Seq, "close", `{}`))
	problem(t, got, fault.NotMet, "guard")
	tech.Do(cal, "hand-over-notice", fmt.Sprintf(`{"to":"customer","how":"in-hand","language":"en","sha256":"%x"}`, sha256.Sum256([]byte(page))))
	require.Equal(t, page, ask(t, tech, "GET", at, "").Body, "the notice is the same after its handing over")
	tech.Do(cal, "close", `{}`)

	problem(t, ask(t, tech, "GET", at+"?lang=xx", ""), fault.InvalidInput, "lang")
	problem(t, ask(t, s.As(apptest.OtherOwner), "GET", at, ""), fault.NotHere)
	problem(t, ask(t, s.Nobody(), "GET", at, ""), fault.SignInNeeded)
}
