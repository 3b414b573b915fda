package postgres

import (
	"context"
	"crypto/rand"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/session"
	"readback/internal/stream"
	"readback/internal/testkit/pgtest"
)

const idle, atMost = time.Hour, 3 * time.Hour

// someone makes an account.
func someone(t *testing.T, d *DB) Account {
	t.Helper()
	a := Account{Member: stream.NewID(), Org: stream.NewID(), Login: stream.NewID().String(), PasswordHash: "$argon2id$invented"}
	require.NoError(t, d.PutAccount(t.Context(), a))
	return a
}

func begin(t *testing.T, d *DB, a Account) (session.Session, string) {
	t.Helper()
	text := rand.Text()
	s, err := d.OpenSession(t.Context(), session.Opening{
		ID: stream.NewID(), Member: a.Member, Org: a.Org, Seen: session.Seen{Origin: "192.0.2.7", Device: "tablet"},
		Idle: idle, AtMost: atMost, Refresh: session.HashOf(text), PasswordHash: a.PasswordHash,
	})
	require.NoError(t, err)
	return s, text
}

// swap exchanges a refresh token and gives the next.
func swap(ctx context.Context, d *DB, text string, page bool) (string, session.Step, error) {
	next := rand.Text()
	_, step, err := d.ExchangeToken(ctx, session.Exchange{
		Presented: session.HashOf(text), Next: session.HashOf(next), Seen: session.Seen{Origin: "192.0.2.8", Device: "desk"}, Idle: idle, Page: page,
	})
	return next, step, err
}

func swapped(t *testing.T, d *DB, text string, page bool, want session.Step) string {
	t.Helper()
	next, step, err := swap(t.Context(), d, text, page)
	require.NoError(t, err)
	require.Equal(t, want, step)
	return next
}

var (
	first  = session.Step{}
	repeat = session.Step{Repeat: true}
	copied = session.Step{Over: session.Reused}
)

func TestSessions(t *testing.T) {
	t.Parallel()
	d := open(t, pgtest.Database(t), Options{})
	a := someone(t, d)
	s, r0 := begin(t, d, a)
	require.Equal(t, s.CreatedAt.Add(idle), s.ExpiresAt)
	require.Equal(t, s.CreatedAt.Add(atMost), s.EndsAt)

	r1 := swapped(t, d, r0, false, first)
	got, err := d.UseSession(t.Context(), s.ID, 0)
	require.NoError(t, err)
	require.True(t, got.UsedAt.After(s.UsedAt))
	require.Equal(t, got.UsedAt.Add(idle), got.ExpiresAt)
	require.Equal(t, "192.0.2.8 desk", got.Origin+" "+got.Device)

	// A lost answer: the same again, and what came before is void.
	r2 := swapped(t, d, r0, false, repeat)
	swapped(t, d, r2, false, first)
	other, _ := begin(t, d, a)
	all, err := d.LivingSessions(t.Context(), a.Org, &a.Member)
	require.NoError(t, err)
	require.Len(t, all, 2)
	swapped(t, d, r1, false, copied)
	_, err = d.UseSession(t.Context(), s.ID, idle)
	require.True(t, fault.Is(err, fault.NotHere), "%v", err)
	all, err = d.LivingSessions(t.Context(), a.Org, nil)
	require.NoError(t, err)
	require.Len(t, all, 1, "the other session has nothing to do with it")
	require.Equal(t, other.ID, all[0].ID)
	_, _, err = swap(t.Context(), d, "nobody's", false)
	require.True(t, fault.Is(err, fault.NotHere), "%v", err)

	nobody := stream.Person{Org: a.Org, Member: stream.NewID()}
	ids, err := d.EndSessions(t.Context(), nobody, &other.ID, nil, session.Revoked)
	require.NoError(t, err)
	require.Empty(t, ids, "another member's")
	ids, err = d.EndSessions(t.Context(), a.Person(), &other.ID, nil, session.Revoked)
	require.NoError(t, err)
	require.Equal(t, []stream.ID{other.ID}, ids)
}

// TestWhatComesLate: the same exchange half a minute later, and the limits of a session. Time passes by moving what the
// database has.
func TestWhatComesLate(t *testing.T) {
	t.Parallel()
	url := pgtest.Database(t)
	d, admin := open(t, url, Options{}), superuser(t, url)
	pass := func(d time.Duration) {
		_, err := admin.Exec(t.Context(), `update session set created_at = created_at - $1::interval, used_at = used_at - $1::interval,
			expires_at = expires_at - $1::interval, ends_at = ends_at - $1::interval, ended_at = ended_at - $1::interval`, d)
		require.NoError(t, err)
		_, err = admin.Exec(t.Context(), `update refresh_token set exchanged_at = exchanged_at - $1::interval`, d)
		require.NoError(t, err)
	}
	_, r0 := begin(t, d, someone(t, d))
	swapped(t, d, r0, false, first)
	pass(session.Again + time.Second)
	swapped(t, d, r0, false, copied)

	s, r := begin(t, d, someone(t, d))
	for range 3 { // used every 50 minutes, up to the end
		pass(50 * time.Minute)
		r = swapped(t, d, r, false, first)
	}
	got, err := d.UseSession(t.Context(), s.ID, idle)
	require.NoError(t, err)
	require.Equal(t, got.EndsAt, got.ExpiresAt)
	pass(31 * time.Minute)
	swapped(t, d, r, false, session.Step{Over: session.Expired})

	_, r = begin(t, d, someone(t, d))
	pass(idle + time.Second)
	swapped(t, d, r, false, session.Step{Over: session.Expired})
	require.NoError(t, d.ForgetSessions(t.Context()))
	require.Equal(t, 3, one[int](t, admin, `select count(*)::int from session`))
	pass(keepEnded)
	require.NoError(t, d.ForgetSessions(t.Context()))
	require.Zero(t, one[int](t, admin, `select count(*)::int from session`)+one[int](t, admin, `select count(*)::int from refresh_token`))
}

// TestSeveralRequestsOfOnePage present the same token at once; whichever answer the page keeps, it goes on with that one,
// and only that one.
func TestSeveralRequestsOfOnePage(t *testing.T) {
	t.Parallel()
	d := open(t, pgtest.Database(t), Options{})
	for kept := range 4 {
		_, r0 := begin(t, d, someone(t, d))
		next := make([]string, 4)
		var wg sync.WaitGroup
		for i := range next {
			wg.Go(func() {
				var step session.Step
				var err error
				if next[i], step, err = swap(t.Context(), d, r0, true); err != nil || step.Over != "" {
					t.Errorf("%v %v", step, err)
				}
			})
		}
		wg.Wait()
		swapped(t, d, next[kept], true, first)
		swapped(t, d, next[(kept+1)%4], true, copied)
	}
}

// TestExchangesAreBounded: whoever exchanges in a loop, or presents one token again and again, fills no disk; the session goes on
// later, and another's is not touched.
func TestExchangesAreBounded(t *testing.T) {
	t.Parallel()
	d := open(t, pgtest.Database(t), Options{})
	s, r0 := begin(t, d, someone(t, d))
	_, other := begin(t, d, someone(t, d))
	made := func(n int, ago string) {
		_, err := d.writer.Exec(t.Context(), `insert into refresh_token (hash, session, made_at)
			select sha256(convert_to($3 || n, 'UTF8')), $1, clock_timestamp() - $3::interval from generate_series(1, $2) n`, given(s.ID), n, ago)
		require.NoError(t, err)
	}
	made(mostTokensMinute-2, "0 seconds")
	r1 := swapped(t, d, r0, true, first)
	_, _, err := swap(t.Context(), d, r0, true)
	require.True(t, fault.Is(err, fault.TooMany), "%v", err)
	_, _, err = swap(t.Context(), d, r1, false)
	require.True(t, fault.Is(err, fault.TooMany), "%v", err)
	swapped(t, d, other, false, first)
	_, err = d.writer.Exec(t.Context(), `update refresh_token set made_at = made_at - interval '1 hour' where session = $1`, given(s.ID))
	require.NoError(t, err)
	r2 := swapped(t, d, r1, false, first)
	made(mostTokens-mostTokensMinute-1, "2 hours")
	_, _, err = swap(t.Context(), d, r2, false)
	require.True(t, fault.Is(err, fault.TooMany), "%v", err)
}

// TestTwoNodesRace: of two that exchange the same token at once, one is first and one repeats; of one that goes on and one
// that comes with the token before, whatever the order, the session is over. After every round at most one token is good.
func TestTwoNodesRace(t *testing.T) {
	t.Parallel()
	url := pgtest.Database(t)
	nodes := []*DB{open(t, url, Options{}), open(t, url, Options{})}
	type result struct {
		next string
		step session.Step
	}
	race := func(tokens [2]string) (out [2]result) {
		var wg sync.WaitGroup
		for i, d := range nodes {
			wg.Go(func() {
				next, step, err := swap(t.Context(), d, tokens[i], false)
				if err != nil {
					t.Error(err)
				}
				out[i] = result{next, step}
			})
		}
		wg.Wait()
		return out
	}
	a := someone(t, nodes[0])
	for round := range 60 {
		_, r0 := begin(t, nodes[0], a)
		got := race([2]string{r0, r0})
		require.ElementsMatch(t, []session.Step{first, repeat}, []session.Step{got[0].step, got[1].step})
		good, void := got[0], got[1]
		if good.step == first {
			good, void = void, good
		}
		if round%2 == 0 { // the one that repeats gave the good token
			swapped(t, nodes[1], good.next, false, first)
			swapped(t, nodes[0], void.next, false, copied)
			continue
		}
		got = race([2]string{good.next, r0})
		over := 0
		for _, g := range got {
			if g.step.Over == session.Reused {
				over++
			}
		}
		require.Equal(t, 1, over, fmt.Sprint(got))
		for _, g := range got {
			if g.step.Over == "" {
				swapped(t, nodes[0], g.next, false, copied)
			}
		}
	}
}

// TestPasswordsAndSessions: a session is opened by the password that holds, and goes when it no longer does.
func TestPasswordsAndSessions(t *testing.T) {
	t.Parallel()
	d := open(t, pgtest.Database(t), Options{})
	a := someone(t, d)
	kept, _ := begin(t, d, a)
	gone, _ := begin(t, d, a)
	link := session.HashOf("a link that was asked for before")
	_, err := d.Invite(t.Context(), session.Invitation{ID: stream.NewID(), Member: a.Member, Org: a.Org, Kind: session.Reset, Login: a.Login}, link)
	require.NoError(t, err)
	ended, err := d.ChangePassword(t.Context(), a.Person(), a.PasswordHash, "$argon2id$next", &kept.ID)
	require.NoError(t, err)
	require.Equal(t, []stream.ID{gone.ID}, ended)
	_, _, err = d.Join(t.Context(), link, "$argon2id$by-the-link")
	require.True(t, fault.Is(err, fault.NotHere), "the new password holds: %v", err)
	_, err = d.ChangePassword(t.Context(), a.Person(), a.PasswordHash, "$argon2id$other", nil)
	require.True(t, fault.Is(err, fault.Stale), "%v", err)
	_, err = d.OpenSession(t.Context(), session.Opening{ID: stream.NewID(), Member: a.Member, Org: a.Org, Idle: idle, AtMost: atMost, PasswordHash: a.PasswordHash})
	require.True(t, fault.Is(err, fault.NotHere), "verified before the change: %v", err)

	a.PasswordHash = "$argon2id$next"
	a.Disabled = true
	require.NoError(t, d.PutAccount(t.Context(), a))
	_, err = d.UseSession(t.Context(), kept.ID, 0)
	require.True(t, fault.Is(err, fault.NotHere), "%v", err)
	_, err = d.OpenSession(t.Context(), session.Opening{ID: stream.NewID(), Member: a.Member, Org: a.Org, Idle: idle, AtMost: atMost, PasswordHash: a.PasswordHash})
	require.True(t, fault.Is(err, fault.NotHere), "%v", err)
}

// TestOpenLinksAreBounded: an organisation's owners have so many links open and no more; a newer one in the place of an older
// is none more, and neither other organisations nor members who ask for a new password are held back.
func TestOpenLinksAreBounded(t *testing.T) {
	t.Parallel()
	url := pgtest.Database(t)
	d, a := open(t, url, Options{}), stream.NewID()
	_, err := superuser(t, url).Exec(t.Context(), `
		insert into invitation (id, hash, kind, member, org, login, made_by, made_at, expires_at)
		select gen_random_uuid(), sha256(i::text::bytea), 'invitation', gen_random_uuid(), $1, 'login' || i, gen_random_uuid(), now(), now() + interval '1 day'
		from generate_series(1, $2) as i`, a.String(), session.MostOpen-1)
	require.NoError(t, err)
	owner, n := stream.NewID(), 0
	invite := func(org, member stream.ID, by *stream.ID) (session.Invitation, error) {
		n++
		i := session.Invitation{ID: stream.NewID(), Member: member, Org: org, Kind: session.Invited, Login: "newcomer", MadeBy: by}
		return d.Invite(t.Context(), i, session.HashOf(fmt.Sprint("link ", n)))
	}
	last := stream.NewID()
	_, err = invite(a, last, &owner)
	require.NoError(t, err)
	_, err = invite(a, stream.NewID(), &owner)
	require.True(t, fault.Is(err, fault.TooMany), "%v", err)
	require.Contains(t, fault.Of(err).Detail, "200 links")
	_, err = invite(stream.NewID(), last, &owner)
	require.NoError(t, err, "another organisation's")
	_, err = invite(a, stream.NewID(), nil)
	require.NoError(t, err, "who asked for it")
	newer, err := invite(a, last, &owner)
	require.NoError(t, err, "in the place of the older")
	require.NoError(t, d.WithdrawInvitation(t.Context(), a, newer.ID))
	_, err = invite(a, stream.NewID(), &owner)
	require.NoError(t, err)
}

// TestNamesakesSessions: two organisations have a member of the same id. A session is opened by the password of the one
// account, and what ends, changes or disables that account leaves the other's sessions and links alone.
func TestNamesakesSessions(t *testing.T) {
	t.Parallel()
	d := open(t, pgtest.Database(t), Options{})
	a := someone(t, d)
	other := Account{Member: a.Member, Org: stream.NewID(), Login: "namesake", PasswordHash: "$argon2id$theirs"}
	require.NoError(t, d.PutAccount(t.Context(), other))
	for _, who := range []Account{a, other} {
		got, err := d.AccountOf(t.Context(), who.Person())
		require.NoError(t, err)
		require.Equal(t, who.Login, got.Login)
	}
	_, err := d.OpenSession(t.Context(), session.Opening{ID: stream.NewID(), Member: a.Member, Org: a.Org, Idle: idle, AtMost: atMost, PasswordHash: other.PasswordHash})
	require.True(t, fault.Is(err, fault.NotHere), "by the other's password: %v", err)
	mine, _ := begin(t, d, a)
	link := session.HashOf("a link of mine")
	_, err = d.Invite(t.Context(), session.Invitation{ID: stream.NewID(), Member: a.Member, Org: a.Org, Kind: session.Reset, Login: a.Login}, link)
	require.NoError(t, err)
	theirs := func() stream.ID {
		s, _ := begin(t, d, other)
		return s.ID
	}
	for name, end := range map[string]func() ([]stream.ID, error){
		"ended": func() ([]stream.ID, error) {
			return d.EndSessions(t.Context(), other.Person(), nil, nil, session.Revoked)
		},
		"a new password": func() ([]stream.ID, error) {
			return d.ChangePassword(t.Context(), other.Person(), other.PasswordHash, other.PasswordHash, nil)
		},
		"a link used": func() ([]stream.ID, error) {
			hash := session.HashOf("a link of theirs")
			if _, err := d.Invite(t.Context(), session.Invitation{ID: stream.NewID(), Member: other.Member, Org: other.Org, Kind: session.Reset, Login: other.Login}, hash); err != nil {
				return nil, err
			}
			_, ended, err := d.Join(t.Context(), hash, other.PasswordHash)
			return ended, err
		},
	} {
		id := theirs()
		ended, err := end()
		require.NoError(t, err, name)
		require.Equal(t, []stream.ID{id}, ended, name)
	}
	id := theirs()
	other.Disabled = true
	require.NoError(t, d.PutAccount(t.Context(), other))
	_, err = d.UseSession(t.Context(), id, 0)
	require.True(t, fault.Is(err, fault.NotHere), "%v", err)
	_, err = d.UseSession(t.Context(), mine.ID, 0)
	require.NoError(t, err)
	_, err = d.InvitationOf(t.Context(), link)
	require.NoError(t, err)
}

// TestNodesHearOfEnds: whoever ends a session, every node is told; one that was not told looks; one that starts is told
// of those whose tokens may still be good.
func TestNodesHearOfEnds(t *testing.T) {
	t.Parallel()
	url := pgtest.Database(t)
	d, admin := open(t, url, Options{}), superuser(t, url)
	a := someone(t, d)
	hearing := func(poll time.Duration) chan stream.ID {
		heard := make(chan stream.ID, 100)
		node := open(t, url, Options{PollEvery: poll})
		b, err := node.Listen(t.Context(), Ended{Memory: time.Minute, Heard: func(ids []stream.ID) {
			for _, id := range ids {
				heard <- id
			}
		}})
		require.NoError(t, err)
		t.Cleanup(b.Close)
		return heard
	}
	told, looks := hearing(never), hearing(20*time.Millisecond)
	for _, sql := range []string{
		`update session set ended_at = clock_timestamp(), ended_why = 'revoked' where id = $1`, // by hand
		`update account set disabled = true from session where session.id = $1 and session.member = account.member`,
	} {
		s, _ := begin(t, d, a)
		_, err := admin.Exec(t.Context(), sql, s.ID.String())
		require.NoError(t, err)
		require.Equal(t, s.ID, <-told)
		for <-looks != s.ID { // may be told of the one before again
		}
	}
	_, err := admin.Exec(t.Context(), `update account set disabled = false`)
	require.NoError(t, err)
	s, _ := begin(t, d, a)
	_, err = admin.Exec(t.Context(), `alter table session disable trigger tell_ended`)
	require.NoError(t, err)
	_, err = d.EndSessions(t.Context(), a.Person(), nil, nil, session.SignedOut)
	require.NoError(t, err)
	for <-looks != s.ID {
	}
	late := hearing(never)
	seen := map[stream.ID]bool{<-late: true, <-late: true, <-late: true}
	require.True(t, seen[s.ID])
}
