package httpapi_test

import (
	"crypto/sha256"
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/testkit/apptest"
)

// TestOutcomesAndAttempts: completed needs every position; interrupted and not completed need their notice, and its refusal
// counts when it is recorded; and what is reopened goes on in an attempt of its own, with what was before still there.
func TestOutcomesAndAttempts(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech, desk, owner := s.As(apptest.Technician), s.As(apptest.Specialist), s.As(apptest.ShopOwner)
	job := tech.OpenJob()
	tech.Scanned(job)
	cal := tech.OpenCalibration(job)
	tech.Placed(desk, cal)
	type view struct {
		State struct {
			Phase    string
			Result   *struct{ Outcome string }
			Attempts []struct {
				Number int
				Legs   []struct {
					Outcome string
					Values  []struct{ Name, Value, Unit string }
				}
			}
			Signs   []struct{ Again bool }
			Earlier []struct{ Result struct{ Outcome string } }
		}
	}
	look := func() view { return apptest.Read[view](tech, ask(t, tech, "GET", cal.Path(), "")) }
	refused := func(who *apptest.Client, typ, data, guard string) {
		t.Helper()
		got := ask(t, who, "POST", cal.Path()+"/commands", apptest.Body(stream.NewID(), cal.Seq, typ, data))
		problem(t, got, fault.NotMet, "guard")
		require.Contains(t, got.Body, `"want":"`+guard, typ)
	}
	leg := func(end string) {
		t.Helper()
		tech.Held(cal)
		tech.Do(cal, "bay-clear", `{}`)
		desk.Do(cal, "go", `{}`)
		desk.Do(cal, "end-leg", end)
	}

	leg(`{"outcome":"completed","values":[{"name":"pitch","value":"-0.42","unit":"deg"}]}`)
	refused(desk, "declare", `{"outcome":"completed"}`, "all-positions-run")
	refused(tech, "declare", `{"outcome":"not-completed","reason":"It would not."}`, "outcome-yours")
	tech.Do(cal, "declare", `{"outcome":"interrupted","reason":"The power failed."}`)
	tech.Do(cal, "sign", `{}`)
	desk.Do(cal, "sign", `{}`)
	refused(tech, "close", `{}`, "notice-handed")
	first := look().State
	require.Equal(t, "interrupted", first.Result.Outcome)
	require.Len(t, first.Attempts, 1)
	require.Equal(t, "-0.42", first.Attempts[0].Legs[0].Values[0].Value, "what the routine gave")

	desk.Do(cal, "reopen", `{"reason":"The power is back."}`)
	got := look().State
	require.Equal(t, "guided", got.Phase)
	require.Nil(t, got.Result)
	require.Len(t, got.Earlier, 1)
	require.Equal(t, "interrupted", got.Earlier[0].Result.Outcome)
	tech.Do(cal, "report-readings", `{"moved":true,"readings":`+apptest.Readings+`}`)
	leg(`{"outcome":"not-completed"}`)
	got = look().State
	require.Len(t, got.Attempts, 2, "another attempt")
	require.Equal(t, first.Attempts[0], got.Attempts[0], "none is overwritten")
	require.Equal(t, 2, got.Attempts[1].Number)

	desk.Do(cal, "declare", `{"outcome":"not-completed","reason":"It does not learn."}`)
	tech.Do(cal, "sign", `{}`)
	desk.Do(cal, "sign", `{}`)
	page := ask(t, tech, "GET", cal.Path()+"/notice", "").Body
	tech.Do(cal, "hand-over-notice", fmt.Sprintf(`{"to":"customer","how":"in-hand","refused":true,"language":"en","sha256":"%x"}`, sha256.Sum256([]byte(page))))
	owner.Do(cal, "sign", `{"as":"owner"}`)
	require.Equal(t, []struct{ Again bool }{{false}, {false}, {false}}, look().State.Signs, "three people")
	tech.Do(cal, "close", `{}`)
	require.Equal(t, "closed", look().State.Phase)
}
