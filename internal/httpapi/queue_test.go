package httpapi_test

import (
	"encoding/json"
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/testkit/apptest"
)

// TestQueueSaysWhy: a specialist is told why a request is not offered, and is offered it once on duty; declined, it stays
// in the queue and is offered no more; and claimed, it is gone from there.
func TestQueueSaysWhy(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech, specialist := s.As(apptest.Technician), s.As(apptest.Specialist)
	me := s.Person(apptest.Specialist)
	cal := tech.OpenCalibration(tech.OpenJob())
	tech.Request(cal)
	type answer struct {
		Waiting []struct {
			Stream stream.Ref
			Place  struct {
				Position int
				Class    string
				Reasons  []struct{ Code, Words string }
				Offered  []stream.ID                    `json:"offered_to"`
				NotYou   []struct{ Code, Words string } `json:"not_you"`
			}
		}
	}
	look := func() answer {
		t.Helper()
		return apptest.Read[answer](specialist, ask(t, specialist, "GET", "/v1/queue", ""))
	}
	got := look().Waiting
	require.Len(t, got, 1)
	require.Equal(t, cal.ID, got[0].Stream.ID)
	require.Equal(t, 1, got[0].Place.Position)
	require.Equal(t, "ordinary", got[0].Place.Class)
	require.Equal(t, "ordinary", got[0].Place.Reasons[0].Code)
	require.Equal(t, "off-duty", got[0].Place.NotYou[0].Code)
	require.Empty(t, got[0].Place.Offered)

	desk := &apptest.Stream{Ref: stream.Ref{Kind: stream.Register, ID: me.Org}}
	desk.Seq = apptest.Read[struct{ Seq uint64 }](specialist, ask(t, specialist, "GET", desk.Path(), "")).Seq
	specialist.Do(desk, "go-on-duty", fmt.Sprintf(`{"member":%q}`, me.Member))
	got = look().Waiting
	require.Equal(t, []stream.ID{me.Member}, got[0].Place.Offered)
	require.Empty(t, got[0].Place.NotYou)

	specialist.Do(cal, "decline", `{"reason":"I do not have the method."}`)
	got = look().Waiting
	require.Empty(t, got[0].Place.Offered)
	require.Equal(t, "declined", got[0].Place.NotYou[0].Code)
	specialist.Do(cal, "claim", `{}`)
	type told struct {
		State struct {
			Request struct {
				Claimed  *string
				Estimate *struct {
					Nobody bool
					High   int `json:"high_s"`
					OnDuty int `json:"on_duty"`
				}
			}
		}
	}
	said := apptest.Read[told](tech, ask(t, tech, "GET", cal.Path(), "")).State.Request
	require.True(t, said.Estimate.Nobody, "said at once, when nobody was on duty")
	require.NotNil(t, said.Claimed, "and what then happened")
	second := tech.OpenCalibration(tech.OpenJob())
	tech.Request(second)
	said = apptest.Read[told](tech, ask(t, tech, "GET", second.Path(), "")).State.Request
	require.False(t, said.Estimate.Nobody)
	require.Equal(t, 1, said.Estimate.OnDuty)
	require.Positive(t, said.Estimate.High)
	specialist.Do(second, "claim", `{}`)
	require.Empty(t, look().Waiting)
}

// TestTheDesksNumber: a shop is told whom to call when the line is gone; a desk is not told of other desks. The number is that
// of testdata/import/desk.json.
func TestTheDesksNumber(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech, owner, specialist := s.As(apptest.Technician), s.As(apptest.DeskOwner), s.As(apptest.Specialist)
	cal := tech.OpenCalibration(tech.OpenJob())
	told := func(who *apptest.Client) string {
		t.Helper()
		got := apptest.Read[struct{ Telephones json.RawMessage }](who, ask(t, who, "GET", cal.Path()+"/place", ""))
		return string(got.Telephones)
	}
	number := fmt.Sprintf(`[{"desk":%q,"name":"Demo Desk (invented)","phone":"+00 555 0199"}]`, specialist.Access.Org)
	require.JSONEq(t, number, told(tech))
	tech.Request(cal)
	require.Empty(t, told(specialist))
	specialist.Do(cal, "claim", `{}`)
	require.JSONEq(t, number, told(tech))
	owner.Do(owner.Register(), "change-organisation", `{"phone":""}`)
	require.JSONEq(t, `[]`, told(tech))
}

// TestNoAgreement: without an agreement with a desk a request is there for nobody, and the shop is told that it is so and not
// only that nobody is on duty. It waits, and is there for the desk as soon as there is one.
func TestNoAgreement(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech, owner, specialist := s.As(apptest.Technician), s.As(apptest.ShopOwner), s.As(apptest.Specialist)
	goes := func(command string) {
		owner.Do(owner.Register(), command, fmt.Sprintf(`{"desk":%q}`, specialist.Access.Org))
	}
	type place struct {
		Phase    string
		Estimate struct{ Nobody bool }
		Desks    *int
	}
	cal := tech.OpenCalibration(tech.OpenJob())
	look := func(who *apptest.Client) place {
		return apptest.Read[place](who, ask(t, who, "GET", cal.Path()+"/place", ""))
	}
	require.Equal(t, 1, *look(tech).Desks)
	goes("end-agreement")
	require.Zero(t, *look(tech).Desks, "before it is asked for")
	tech.Request(cal)
	got := look(tech)
	require.Equal(t, "waiting", got.Phase)
	require.True(t, got.Estimate.Nobody)
	require.Zero(t, *got.Desks)
	claim := apptest.Body(stream.NewID(), cal.Seq, "claim", `{}`)
	problem(t, ask(t, specialist, "POST", cal.Path()+"/commands", claim), fault.NotHere)
	require.JSONEq(t, `{"waiting":[]}`, specialist.Get("/v1/queue").Body)

	goes("make-agreement")
	require.Equal(t, 1, *look(tech).Desks)
	require.Nil(t, look(specialist).Desks, "with whom else a shop works is nothing for a desk")
	specialist.Do(cal, "claim", `{}`)
	require.Nil(t, look(tech).Desks, "nothing waits any more")
}
