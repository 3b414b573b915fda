package httpapi_test

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/api/client"
	"readback/internal/config"
	"readback/internal/stream"
	"readback/internal/testkit/apptest"
	"readback/internal/testkit/pgtest"
)

// told is a receiver's list of what it was told of: event, stream, and whether the signature was good.
func told(t *testing.T) (url string, got chan [2]string, secret *string) {
	t.Helper()
	got, secret = make(chan [2]string, 1000), new(string)
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		if err == nil {
			_, err = client.VerifyWebhook(*secret, r.Header, body, time.Now())
		}
		if err != nil {
			t.Errorf("%v", err)
			w.WriteHeader(http.StatusBadRequest)
			return
		}
		var message struct {
			Type string
			Data struct{ Stream stream.Ref }
		}
		if err := json.Unmarshal(body, &message); err != nil {
			t.Errorf("%v", err)
		}
		got <- [2]string{message.Type, message.Data.Stream.ID.String()}
	}))
	t.Cleanup(server.Close)
	return server.URL, got, secret
}

// TestWebhooksOfBothSides: a shop and a desk each have a webhook for everything. The shop is told of its streams, the
// desk of the calibration while it has claimed it, and neither of anything else.
func TestWebhooksOfBothSides(t *testing.T) {
	t.Parallel()
	s := apptest.Serve(t, config.Config{
		DatabaseURL: pgtest.Database(t), KeyFile: apptest.KeyFile(), WebhookNetworks: []netip.Prefix{netip.MustParsePrefix("127.0.0.0/8")},
	})
	type side struct {
		owner *apptest.Client
		hook  stream.ID
		got   chan [2]string
	}
	sides := map[string]*side{}
	for _, login := range []string{apptest.ShopOwner, apptest.DeskOwner, apptest.OtherOwner} {
		url, got, secret := told(t)
		v := &side{owner: s.As(login), hook: stream.NewID(), got: got}
		sides[login] = v
		register := &apptest.Stream{Ref: stream.Ref{Kind: stream.Register, ID: v.owner.Access.Org}}
		register.Seq = apptest.Read[struct{ Seq uint64 }](v.owner, v.owner.Get(register.Path())).Seq
		v.owner.Do(register, "add-webhook", fmt.Sprintf(`{"id":%q,"url":%q,"events":["calibration.*","job.*"]}`, v.hook, url))
		answer := ask(t, v.owner, "POST", "/v1/webhooks/"+v.hook.String()+"/secret", "")
		require.Equal(t, http.StatusOK, answer.Status, answer.Body)
		*secret = apptest.Read[struct{ Secret string }](v.owner, answer).Secret
	}
	next := func(login string) [2]string {
		t.Helper()
		select {
		case m := <-sides[login].got:
			return m
		case <-time.After(30 * time.Second):
			t.Fatal("nothing is sent")
		}
		return [2]string{}
	}
	tech, specialist := s.As(apptest.Technician), s.As(apptest.Specialist)
	job := tech.OpenJob()
	cal := tech.OpenCalibration(job)
	tech.Request(cal)
	specialist.Do(cal, "claim", `{}`)
	specialist.Do(cal, "return", `{"reason":"Called away."}`)
	tech.Do(cal, "note", `{"text":"Nobody here."}`)

	desk := map[[2]string]bool{}
	for len(desk) < 2 {
		desk[next(apptest.DeskOwner)] = true
	}
	require.Equal(t, map[[2]string]bool{{"calibration.claimed", cal.ID.String()}: true, {"calibration.returned", cal.ID.String()}: true}, desk)
	shop := map[string]int{}
	for range job.Seq + cal.Seq {
		m := next(apptest.ShopOwner)
		shop[m[0]]++
		require.Contains(t, []string{job.ID.String(), cal.ID.String()}, m[1])
	}
	require.Equal(t, 1, shop["calibration.noted"])
	require.Equal(t, 1, shop["job.job_opened"])
	require.NoError(t, s.Stop()) // what is under way is finished
	for _, v := range sides {
		require.Empty(t, v.got)
	}

	// How they fare, as described.
	again := s.Again()
	owner := again.As(apptest.ShopOwner)
	mine := "/v1/webhooks/" + sides[apptest.ShopOwner].hook.String()
	list := apptest.Read[struct {
		Webhooks []struct {
			ID                  stream.ID
			Secrets, Done, Dead int
		}
	}](owner, ask(t, owner, "GET", "/v1/webhooks", ""))
	require.Len(t, list.Webhooks, 1)
	require.Equal(t, 1, list.Webhooks[0].Secrets)
	require.Equal(t, int(job.Seq+cal.Seq), list.Webhooks[0].Done)
	rows := apptest.Read[struct {
		Deliveries []struct{ ID stream.ID }
	}](owner, ask(t, owner, "GET", mine+"/deliveries?state=done&limit=2", ""))
	require.Len(t, rows.Deliveries, 2)
	retry := mine + "/deliveries/" + rows.Deliveries[0].ID.String() + "/retry"

	// Nobody else's: another organisation's is as one that is not there, and its own people who are no owners may not.
	for _, c := range []struct {
		who    *apptest.Client
		status int
	}{{again.As(apptest.OtherOwner), 404}, {again.As(apptest.DeskOwner), 404}, {again.As(apptest.Technician), 403}, {again.Nobody(), 401}} {
		for _, to := range []struct{ method, path string }{
			{"POST", mine + "/secret"}, {"POST", mine + "/enable"}, {"GET", mine + "/deliveries"}, {"POST", retry},
		} {
			got := ask(t, c.who, to.method, to.path, "")
			require.Equal(t, c.status, got.Status, "%s %s", to.method, to.path)
			none := c.who.Ask(to.method, strings.Replace(to.path, sides[apptest.ShopOwner].hook.String(), stream.NewID().String(), 1), "")
			require.Equal(t, none.Body, got.Body)
		}
	}
	require.Equal(t, http.StatusUnprocessableEntity, ask(t, owner, "GET", mine+"/deliveries?state=lost", "").Status)
	require.Equal(t, http.StatusNotFound, ask(t, owner, "POST", mine+"/deliveries/"+stream.NewID().String()+"/retry", "").Status)
	require.Equal(t, http.StatusOK, ask(t, owner, "POST", retry, "").Status)
	require.Equal(t, http.StatusOK, ask(t, owner, "POST", mine+"/enable", "").Status)
	next(apptest.ShopOwner)
}

// TestTheIdOfAnothersWebhook: a desk sees the registers of its shops, and so the ids of their webhooks. One of its own with
// such an id works as any other, so that an id tells nobody whether it is taken; and it gets the desk nothing of the shop's: not
// what the shop is told, no secret that the shop's deliveries are signed with, and no look at them.
func TestTheIdOfAnothersWebhook(t *testing.T) {
	t.Parallel()
	cfg := apptest.Config(pgtest.Database(t))
	cfg.WebhookNetworks = []netip.Prefix{netip.MustParsePrefix("127.0.0.0/8")}
	s := apptest.Serve(t, cfg)
	shop, desk, tech := s.As(apptest.ShopOwner), s.As(apptest.DeskOwner), s.As(apptest.Technician)
	url, got, secret := told(t)
	hook := stream.NewID()
	path := "/v1/webhooks/" + hook.String()
	shop.Do(shop.Register(), "add-webhook", fmt.Sprintf(`{"id":%q,"url":%q,"events":["job.*"]}`, hook, url))
	answer := ask(t, shop, "POST", path+"/secret", "")
	require.Equal(t, http.StatusOK, answer.Status, answer.Body)
	*secret = apptest.Read[struct{ Secret string }](shop, answer).Secret

	require.Contains(t, desk.Get(shop.Register().Path()).Body, hook.String())
	desksURL, desksGot, desksSecret := told(t)
	desk.Do(desk.Register(), "add-webhook", fmt.Sprintf(`{"id":%q,"url":%q,"events":["job.*","register.organisation_changed"]}`, hook, desksURL))
	answer = ask(t, desk, "POST", path+"/secret", "")
	require.Equal(t, http.StatusOK, answer.Status, answer.Body)
	*desksSecret = apptest.Read[struct{ Secret string }](desk, answer).Secret
	desk.Do(desk.Register(), "change-organisation", `{"phone":"+00 555 0731"}`)

	job := tech.OpenJob()
	for range job.Seq {
		select {
		case m := <-got:
			require.Equal(t, job.ID.String(), m[1])
		case <-time.After(30 * time.Second):
			t.Fatal("the shop is not told")
		}
	}
	select {
	case m := <-desksGot:
		require.Equal(t, [2]string{"register.organisation_changed", desk.Access.Org.String()}, m)
	case <-time.After(30 * time.Second):
		t.Fatal("the desk is not told")
	}
	type page struct {
		Deliveries []struct {
			ID    stream.ID
			Event string
		}
	}
	theirs := apptest.Read[page](shop, ask(t, shop, "GET", path+"/deliveries", "")).Deliveries
	require.Len(t, theirs, int(job.Seq))
	own := apptest.Read[page](desk, ask(t, desk, "GET", path+"/deliveries", "")).Deliveries
	require.Len(t, own, 1)
	require.Equal(t, "register.organisation_changed", own[0].Event)
	require.Equal(t, http.StatusNotFound, ask(t, desk, "POST", path+"/deliveries/"+theirs[0].ID.String()+"/retry", "").Status)
	desk.Do(desk.Register(), "retire", fmt.Sprintf(`{"kind":"webhook","id":%q}`, hook))
	tech.Do(job, "note", `{"text":"Still told."}`)
	select {
	case m := <-got:
		require.Equal(t, [2]string{"job.noted", job.ID.String()}, m)
	case <-time.After(30 * time.Second):
		t.Fatal("the shop is not told any more")
	}
	require.NoError(t, s.Stop())
	require.Empty(t, desksGot)
}

// TestAWebhookThatHangs takes what it is sent and never answers. The shop's other webhook is told of everything meanwhile,
// and nobody who works waits for either.
func TestAWebhookThatHangs(t *testing.T) {
	t.Parallel()
	cfg := apptest.Config(pgtest.Database(t))
	cfg.WebhookNetworks = []netip.Prefix{netip.MustParsePrefix("127.0.0.0/8")}
	s := apptest.Serve(t, cfg)
	owner, tech := s.As(apptest.ShopOwner), s.As(apptest.Technician)
	add := func(url string) (hook stream.ID, secret string) {
		hook = stream.NewID()
		owner.Do(owner.Register(), "add-webhook", fmt.Sprintf(`{"id":%q,"url":%q,"events":["job.*"]}`, hook, url))
		answer := ask(t, owner, "POST", "/v1/webhooks/"+hook.String()+"/secret", "")
		require.Equal(t, http.StatusOK, answer.Status, answer.Body)
		return hook, apptest.Read[struct{ Secret string }](owner, answer).Secret
	}
	ended, asked := make(chan struct{}), make(chan struct{}, 1000)
	hangs := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {
		asked <- struct{}{}
		<-ended
	}))
	t.Cleanup(hangs.Close)
	t.Cleanup(func() { close(ended) })
	hung, _ := add(hangs.URL)
	url, got, secret := told(t)
	_, *secret = add(url)

	const entries = 30
	job := apptest.NewStream(stream.Job)
	tech.Do(job, "open-job", `{"plate":"DEMO 7"}`)
	<-asked
	for range entries - 1 {
		tech.Do(job, "note", `{"text":"Somebody hangs."}`)
	}
	for range entries {
		select {
		case m := <-got:
			require.Equal(t, job.ID.String(), m[1])
		case <-time.After(30 * time.Second):
			t.Fatal("the one that answers is not told")
		}
	}
	for _, h := range apptest.Read[struct {
		Webhooks []struct {
			ID            stream.ID
			Waiting, Done int
		}
	}](owner, ask(t, owner, "GET", "/v1/webhooks", "")).Webhooks {
		if h.ID == hung {
			require.Zero(t, h.Done)
			require.Equal(t, entries, h.Waiting, "nothing is lost: it is shown as waiting")
		}
	}
}
