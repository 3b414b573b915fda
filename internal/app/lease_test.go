package app_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/stream"
	"readback/internal/testkit/apptest"
	"readback/internal/testkit/pgtest"
	"readback/internal/token"
)

// colleague adds a specialist to the desk, who has a proof for the front camera.
func colleague(s *apptest.Server) *apptest.Client {
	owner := s.As(apptest.DeskOwner)
	desk := &apptest.Stream{Ref: stream.Ref{Kind: stream.Register, ID: owner.Access.Org}}
	desk.Seq = apptest.Read[struct{ Seq uint64 }](owner, owner.Get(desk.Path())).Seq
	id := stream.NewID()
	owner.Do(desk, "add-member", fmt.Sprintf(`{"id":%q,"name":"Invented Colleague","roles":["specialist"]}`, id))
	owner.Do(desk, "grant-competence", fmt.Sprintf(`{"member":%q,"sensor":"front-camera","expires":"2099-12-31","proof":"INV-0003"}`, id))
	return s.Member(token.Access{Org: owner.Access.Org, Member: id})
}

// entryBody is an entry as far as these tests read it.
type entryBody struct {
	By struct {
		Role string
		Org  stream.ID
	}
	Command struct {
		Data struct {
			UnheardS int64 `json:"unheard_s"`
		}
	}
}

// shortLease is far below what the setting allows, so that a test does not take minutes. A node that is busy for a third of it
// begins it anew, so it is no shorter than that a busy machine gets there.
const shortLease = 4 * time.Second

// TestLapse: of two specialists who have claimed, on two nodes, one keeps a connection and one is not heard of any more.
// The claim of that one lapses, once, and the calibration is back in the queue in its old place; the other's stands.
func TestLapse(t *testing.T) {
	t.Parallel()
	cfg := apptest.Config(pgtest.Database(t))
	cfg.LeaseLasts = shortLease
	nodes := [2]*apptest.Server{apptest.Serve(t, cfg), apptest.Serve(t, cfg)}
	tech := nodes[0].As(apptest.Technician)
	gone, kept := colleague(nodes[0]), nodes[1].As(apptest.Specialist)
	left, held := tech.OpenCalibration(tech.OpenJob()), tech.OpenCalibration(tech.OpenJob())
	tech.Request(left)
	tech.Request(held)
	queued := func(cal *apptest.Stream) string {
		rows := apptest.Read[struct {
			Waiting []struct {
				Stream   stream.Ref
				QueuedAt string `json:"queued_at"`
			}
		}](kept, kept.Get("/v1/queue")).Waiting
		for _, r := range rows {
			if r.Stream == cal.Ref {
				return r.QueuedAt
			}
		}
		return ""
	}
	place := queued(left)
	require.NotEmpty(t, place)

	connect(t, nodes[1], kept.Token, nil).want("welcome")
	kept.Do(held, "claim", `{}`)
	bay := connect(t, nodes[1], tech.Token, nil)
	bay.want("welcome")
	bay.follow(left.Ref, left.Seq)
	gone.Do(left, "claim", `{}`)
	require.Equal(t, left.Seq, bay.want("entry").Seq)

	lapsed := bay.want("entry")
	require.Equal(t, left.Seq+1, lapsed.Seq)
	var body struct {
		Type string
		entryBody
	}
	require.NoError(t, json.Unmarshal(lapsed.Body, &body))
	require.Equal(t, "lapsed", body.Type)
	require.Equal(t, "system", body.By.Role)
	require.Equal(t, tech.Access.Org, body.By.Org, "for the shop whose calibration it is")
	require.GreaterOrEqual(t, body.Command.Data.UnheardS, int64(1), "the setting, in whole seconds")
	require.Equal(t, place, queued(left), "its old place")

	view := apptest.Read[struct {
		Seq   uint64
		State struct{ Phase string }
	}](tech, tech.Get(left.Path()))
	require.Equal(t, "waiting", view.State.Phase)
	require.Equal(t, left.Seq+1, view.Seq, "one entry, by one of the two nodes")
	require.Equal(t, http.StatusOK, tech.Post(held.Path()+"/commands", apptest.Body(stream.NewID(), held.Seq, "note", `{"text":"Going on."}`)).Status)
	other := apptest.Read[struct {
		State struct{ Phase string }
	}](tech, tech.Get(held.Path()))
	require.Equal(t, "guided", other.State.Phase, "its specialist is connected all the time")
}

// silent makes as if nothing had been heard of whoever holds a claim for so long.
func silent(t *testing.T, s *apptest.Server, d time.Duration) {
	t.Helper()
	sql := s.SQL()
	for _, change := range []string{
		`insert into readback.lease (stream, desk, member, claimed_at, heard_at)
		select stream, desk, (summary #>> '{queue,member}')::uuid, (summary #>> '{queue,since}')::timestamptz, now() - $1::interval
		from readback.head where desk is not null on conflict (stream) do update set heard_at = excluded.heard_at`,
		`update readback.lease_watch set since = now() - $1::interval`,
	} {
		_, err := sql.Exec(t.Context(), change, d)
		require.NoError(t, err)
	}
}

// TestUnheard: both sides are told how long nothing was heard of the specialist; only then a colleague takes over without
// being asked, on any node, and it is the server that says how long it was.
func TestUnheard(t *testing.T) {
	t.Parallel()
	cfg := apptest.Config(pgtest.Database(t))
	node, other := apptest.Serve(t, cfg), apptest.Serve(t, cfg)
	// The times are the test's: from here on the servers cannot write any, however long this takes.
	_, err := node.SQL().Exec(t.Context(), `revoke update on readback.lease_watch from readback_writer`)
	require.NoError(t, err)
	tech, holder := node.As(apptest.Technician), node.As(apptest.Specialist)
	heir := colleague(other)
	cal := tech.OpenCalibration(tech.OpenJob())
	tech.Request(cal)
	holder.Do(cal, "claim", `{}`)
	type told struct {
		UnheardS *int64 `json:"unheard_s"`
	}
	const why = `{"reason":"Nothing is heard of the colleague."}`
	takes := func(data string) apptest.Answer {
		return heir.Post(cal.Path()+"/commands", apptest.Body(stream.NewID(), cal.Seq, "take-over", data))
	}

	silent(t, node, 2*time.Minute)
	require.InDelta(t, 120, *apptest.Read[told](heir, heir.Get(cal.Path())).UnheardS, 30, "a machine that is half a minute slow")
	require.Contains(t, takes(why).Body, "not-met", "too soon")
	silent(t, node, 4*time.Minute)
	got := takes(`{"reason":"Nothing is heard of the colleague.","unheard_s":10000}`)
	require.Equal(t, http.StatusUnprocessableEntity, got.Status, "senders do not say how long: %s", got.Body)
	again := node.Again() // of what it heard itself before the start it knows nothing
	silent(t, again, 4*time.Minute)
	tech = again.As(apptest.Technician)
	require.InDelta(t, 240, *apptest.Read[told](tech, tech.Get(cal.Path())).UnheardS, 30)
	got = takes(why)
	require.Equal(t, http.StatusOK, got.Status, got.Body)
	entries := apptest.Read[struct{ Entries []struct{ Body entryBody } }](tech, tech.Get(fmt.Sprintf("%s/entries?after=%d", cal.Path(), cal.Seq)))
	require.InDelta(t, 240, entries.Entries[0].Body.Command.Data.UnheardS, 30)
	require.Nil(t, apptest.Read[told](heir, heir.Get(cal.Path())).UnheardS, "there is somebody again")
}
