package app

import (
	"context"

	"readback/internal/account"
	"readback/internal/fault"
	"readback/internal/httpapi"
	"readback/internal/postgres"
	"readback/internal/stream"
	"readback/internal/trail"
)

// lists gives the HTTP interface its lists from the heads in the database. clue makes what plates and VINs are found by.
type lists struct {
	db *postgres.DB
	*queues
	clue func(string) trail.Clue
}

func (l lists) OfOrg(ctx context.Context, kind stream.Kind, org stream.ID, page httpapi.Page) ([]httpapi.Row, error) {
	f := l.filter(page)
	f.Org, f.Kind = &org, kind
	return rows(l.db.For(org).Heads(ctx, f))
}

func (l lists) OfDesk(ctx context.Context, desk stream.ID, page httpapi.Page) ([]httpapi.Row, error) {
	f := l.filter(page)
	f.Desk, f.Kind = &desk, stream.Calibration
	return rows(l.db.For(desk).Heads(ctx, f))
}

func (l lists) filter(page httpapi.Page) postgres.Filter {
	f := postgres.Filter{
		Before: page.Before, Limit: page.Limit, Sensor: page.Sensor, Outcome: page.Outcome, Answered: page.Member,
		Since: page.Since, Until: page.Until,
	}
	for _, text := range page.Clues {
		f.Clues = append(f.Clues, l.clue(text))
	}
	return f
}

func (l lists) Accounts(ctx context.Context, org stream.ID) ([]httpapi.SignIn, error) {
	all, err := l.db.AccountsOfOrg(ctx, org)
	out := make([]httpapi.SignIn, len(all))
	for i, a := range all {
		out[i] = httpapi.SignIn{Member: a.Member, Login: a.Login, Disabled: a.Disabled}
	}
	return out, err
}

func rows(heads []postgres.Head, err error) ([]httpapi.Row, error) {
	out := make([]httpapi.Row, len(heads))
	for i, h := range heads {
		out[i] = httpapi.Row{
			Stream: h.Stream, Org: h.Org, Job: h.Job, Desk: h.Desk, Phase: h.Phase, Seq: h.Seq, QueuedAt: h.QueuedAt,
			Summary: h.Summary,
		}
	}
	return out, err
}

// belonging gives the calibrations of a job: a desk that guides one of them sees the job.
func (a *App) belonging(ctx context.Context, owner stream.Ref) ([]stream.Ref, error) {
	return a.db.Belonging(ctx, owner.ID, 500)
}

// accounts gives package account its accounts. A disabled one is as good as none.
type accounts struct{ db *postgres.DB }

func (a accounts) AccountByLogin(ctx context.Context, login string) (account.Account, error) {
	got, err := a.db.AccountByLogin(ctx, login)
	if fault.Is(err, fault.NotHere) || err == nil && got.Disabled {
		return account.Account{}, account.ErrUnknown
	}
	return account.Account{Member: got.Member, Org: got.Org, Login: got.Login, Hash: got.PasswordHash}, err
}

func (a accounts) AccountOf(ctx context.Context, p stream.Person) (account.Account, error) {
	got, err := a.db.AccountOf(ctx, p)
	if fault.Is(err, fault.NotHere) || err == nil && got.Disabled {
		return account.Account{}, account.ErrUnknown
	}
	return account.Account{Member: got.Member, Org: got.Org, Login: got.Login, Hash: got.PasswordHash}, err
}

func (a accounts) ChangePassword(ctx context.Context, p stream.Person, old, hash string, except *stream.ID) ([]stream.ID, error) {
	return a.db.ChangePassword(ctx, p, old, hash, except)
}
