package postgres

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"readback/internal/fault"
)

// A step of provisioning: what an administrator has to have run once before migrations can be. done is a query that
// gives one boolean.
type step struct {
	sql  string
	done string
	args []any
}

// provisioning lists the steps in order: the roles that own, write, fold and read; the user who migrates may act as all of
// them; login, if it is another one, logs in and may act as all but the owner; the schema.
func provisioning(user, login string) []step {
	const roleThere = `select exists (select from pg_roles where rolname = $1)`
	const memberOf = `select coalesce((select pg_has_role($1, oid, 'member') from pg_roles where rolname = $2), false)`
	var steps []step
	for _, role := range []string{ownerRole, writerRole, hubRole, readerRole} {
		steps = append(steps, step{"create role " + role + " nologin", roleThere, []any{role}})
	}
	grant := func(to string, roles ...string) {
		for _, role := range roles {
			steps = append(steps, step{"grant " + role + " to " + pgx.Identifier{to}.Sanitize(), memberOf, []any{to, role}})
		}
	}
	grant(user, ownerRole, writerRole, hubRole, readerRole)
	if login != "" && login != user {
		steps = append(steps, step{"create role " + pgx.Identifier{login}.Sanitize() + " login", roleThere, []any{login}})
		grant(login, writerRole, hubRole, readerRole)
	}
	return append(steps,
		step{"create schema " + schema + " authorization " + ownerRole,
			`select exists (select from pg_namespace where nspname = $1)`, []any{schema}},
		step{"grant usage on schema " + schema + " to " + writerRole + ", " + hubRole + ", " + readerRole,
			`select coalesce((select bool_and(has_schema_privilege(role, oid, 'usage'))
			 from pg_namespace, unnest($1::text[]) as role where nspname = $2), false)`,
			[]any{[]string{writerRole, hubRole, readerRole}, schema}},
	)
}

// provision runs the steps that are not done yet. Other processes may be at it at once, in this database or, since roles
// belong to the cluster, in another.
func provision(ctx context.Context, conn *pgx.Conn, login string) error {
	steps := provisioning(conn.Config().User, login)
	for i, s := range steps {
		for {
			done, err := isDone(ctx, conn, s)
			if err != nil {
				return err
			}
			if done {
				break
			}
			if _, err = conn.Exec(ctx, s.sql); err == nil {
				break
			}
			if !someoneElse(err) {
				return administrator(ctx, conn, steps[i:], err)
			}
		}
	}
	return nil
}

func isDone(ctx context.Context, conn *pgx.Conn, s step) (done bool, err error) {
	if err := conn.QueryRow(ctx, s.done, s.args...).Scan(&done); err != nil {
		return false, fmt.Errorf("look whether %q was done: %w", s.sql, err)
	}
	return done, nil
}

// someoneElse reports whether err says that another session did or does the same: then looking again settles it.
func someoneElse(err error) bool {
	var pg *pgconn.PgError
	if !errors.As(err, &pg) {
		return false
	}
	switch pg.Code {
	case "42710", "42P06", "23505": // the object, the schema, its name is there already
		return true
	case "XX000": // two grants of one role at once; the server has no code of its own for it
		return strings.HasPrefix(pg.Message, "tuple concurrently")
	}
	return false
}

// administrator is the refusal that tells what someone with more rights has to run.
func administrator(ctx context.Context, conn *pgx.Conn, left []step, cause error) error {
	var pg *pgconn.PgError
	if !errors.As(cause, &pg) || pg.Code != "42501" {
		return cause
	}
	var todo []string
	for _, s := range left {
		if done, err := isDone(ctx, conn, s); err != nil || !done {
			todo = append(todo, s.sql+";")
		}
	}
	return fault.New(fault.WrongServer, fmt.Sprintf(
		"The user %s may not set the database %s up. Have an administrator run in it, then try again:\n\n  %s\n",
		conn.Config().User, conn.Config().Database, strings.Join(todo, "\n  "))).Because(cause)
}
