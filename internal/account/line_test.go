package account

import (
	"context"
	"fmt"
	"net/netip"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/pace"
)

// cheap is the hash of "password" at a low cost (see TestHash).
const cheap = "$argon2id$v=19$m=256,t=2,p=1$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4"

// slowly gives accounts, and takes as long for it as hashing takes.
type slowly struct {
	accounts
	takes time.Duration
}

func (s slowly) AccountByLogin(ctx context.Context, login string) (Account, error) {
	<-time.After(s.takes)
	return s.accounts.AccountByLogin(ctx, login)
}

// TestFlood has strangers keep every turn busy with names that nobody has, from one address and from many, on
// 150 connections or more. People of the house sign in meanwhile: at the first try, and within seconds.
func TestFlood(t *testing.T) {
	for _, addresses := range []int{1, 15, 60} {
		t.Run(fmt.Sprint(addresses), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				house := accounts{}
				for i := range 20 {
					house[fmt.Sprint("p", i)] = Account{Login: fmt.Sprint("p", i), Hash: cheap}
				}
				d := NewDesk(slowly{house, 100 * time.Millisecond})
				d.decoy = cheap
				ctx, stop := context.WithCancel(t.Context())
				var strangers sync.WaitGroup
				for a := range addresses {
					for n := range max(5, 150/addresses) {
						strangers.Go(func() {
							for i := 0; ctx.Err() == nil; i++ {
								_, err := d.SignIn(ctx, addr(a), fmt.Sprintf("x%d.%d.%d", a, n, i), "password")
								if err == nil {
									t.Error("a stranger is in")
								}
								<-time.After(50 * time.Millisecond)
							}
						})
					}
				}
				for i := range 20 {
					<-time.After(300 * time.Millisecond)
					came := time.Now()
					_, err := d.SignIn(t.Context(), netip.AddrFrom4([4]byte{192, 0, 2, byte(i)}), fmt.Sprint("p", i), "password")
					require.NoError(t, err)
					// Once around all addresses at 100 ms each, two at a time, and the one under way: 3.25 s for 60.
					require.LessOrEqual(t, time.Since(came), time.Duration(addresses+3)*100*time.Millisecond/atOnce+100*time.Millisecond)
				}
				stop()
				strangers.Wait()
				require.Zero(t, d.line.busy)
				require.Zero(t, d.line.count)
				require.Empty(t, d.line.waiting)
			})
		})
	}
}

// TestTurnsGoRound has three wait from one address and one from another, who came last and goes second.
func TestTurnsGoRound(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLine()
		for range atOnce {
			turn, err := l.enter(t.Context(), pace.Origin(home))
			require.True(t, turn)
			require.NoError(t, err)
		}
		var went []string
		var all sync.WaitGroup
		for _, c := range []struct {
			from int
			name string
		}{{1, "a1"}, {1, "a2"}, {1, "a3"}, {2, "b1"}} {
			all.Go(func() {
				if turn, err := l.enter(t.Context(), pace.Origin(addr(c.from))); turn && err == nil {
					went = append(went, c.name) // one after the other: each waits for the leave before
				}
			})
			synctest.Wait()
		}
		for range 4 {
			l.leave()
			synctest.Wait()
		}
		all.Wait()
		require.Equal(t, []string{"a1", "b1", "a2", "a3"}, went)
	})
}

// TestLineIsBounded fills the line: an address may not have more than its share of it, the last of the longest gives way
// to a newcomer, and the place of whoever gave up is free again.
func TestLineIsBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLine()
		ctx, cancel := context.WithCancel(t.Context())
		told := make(chan netip.Prefix, 200)
		wait := func(n int) {
			go func() {
				if turn, err := l.enter(ctx, pace.Origin(addr(n))); err == nil && !turn {
					told <- pace.Origin(addr(n))
				}
			}()
			synctest.Wait()
		}
		for i := range atOnce + mostOfOrigin {
			wait(0)
			require.Equal(t, max(0, i+1-atOnce), l.count)
		}
		wait(0)
		require.Equal(t, pace.Origin(addr(0)), <-told)
		for i := range mostWaiting - mostOfOrigin {
			wait(1 + i)
		}
		require.Equal(t, mostWaiting, l.count)
		for i := range mostOfOrigin - 1 {
			wait(1000 + i)
			require.Equal(t, pace.Origin(addr(0)), <-told, "the longest gives way")
			require.Equal(t, mostWaiting, l.count)
		}
		wait(2000)
		require.Equal(t, pace.Origin(addr(2000)), <-told, "everybody has one place: there is none to give")

		cancel()
		synctest.Wait()
		require.Zero(t, l.count)
		require.Empty(t, l.waiting)
		require.Empty(t, l.order)
		require.Equal(t, atOnce, l.busy, "who has a turn keeps it")
		l.leave()
		turn, err := l.enter(t.Context(), pace.Origin(home))
		require.NoError(t, err)
		require.True(t, turn)
	})
}

// TestTooManyTries says how long to wait, does not look further, and lets in whoever waits that long.
func TestTooManyTries(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := NewDesk(accounts{"ann": {Login: "ann", Hash: cheap}})
		d.decoy = cheap
		for _, name := range []string{"ann", "nobody"} { // known or not makes no difference
			for range pairTries {
				_, err := d.SignIn(t.Context(), home, name, "wrong")
				require.True(t, fault.Is(err, fault.SignInFailed), "%v", err)
			}
			_, err := d.SignIn(t.Context(), home, name, "password")
			require.True(t, fault.Is(err, fault.TooMany), "%v", err)
			require.ErrorContains(t, err, "Try again in 60 seconds.")
		}
		<-time.After(time.Minute)
		_, err := d.SignIn(t.Context(), home, "ann", "password")
		require.NoError(t, err)
	})
}
