package postgres

import (
	"context"
	"database/sql"
	"fmt"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"
	"github.com/pressly/goose/v3/lock"

	"readback/migrations"
)

// migrationLock is the advisory lock under which migrations run. Any number does that nobody else takes: "rdbk".
const migrationLock = 0x7264626b

// Migrate makes the roles, the schema and its tables, or brings them to what this program needs, and returns the files
// it applied: none if there was nothing to do. Several processes may do it at once; the others wait.
//
// The user of adminURL must be allowed to create roles and, in this database, schemas, unless an administrator has done
// that before: then the refusal lists the statements. login names the user the server will connect as; it is made if it is
// not there. Empty means the same user.
func Migrate(ctx context.Context, adminURL, login string) (applied []string, err error) {
	config, err := pgx.ParseConfig(adminURL)
	if err != nil {
		return nil, fmt.Errorf("read the database's address: %w", notAddress(err))
	}
	if err := prepare(ctx, config, login); err != nil {
		return nil, fmt.Errorf("prepare the database for migration: %w", explain(err))
	}
	if applied, err = migrate(ctx, inRole(config, ownerRole)); err != nil {
		return nil, fmt.Errorf("migrate the database: %w", explain(err))
	}
	return applied, nil
}

func prepare(ctx context.Context, config *pgx.ConnConfig, login string) error {
	conn, err := pgx.ConnectConfig(ctx, config)
	if err != nil {
		return err
	}
	defer conn.Close(context.WithoutCancel(ctx))
	var number int
	var name string
	var durable bool
	if err := conn.QueryRow(ctx, sqlServer).Scan(&number, &name, &durable); err != nil {
		return err
	}
	if err := supported(number, name); err != nil {
		return err
	}
	return provision(ctx, conn, login)
}

func migrate(ctx context.Context, config *pgx.ConnConfig) (applied []string, err error) {
	locker, err := lock.NewPostgresSessionLocker(lock.WithLockID(migrationLock), lock.WithLockTimeout(1, 300))
	if err != nil {
		return nil, err
	}
	db := stdlib.OpenDB(*config)
	defer db.Close()
	provider, err := goose.NewProvider(goose.DialectPostgres, db, migrations.Files,
		goose.WithSessionLocker(locker), goose.WithDisableGlobalRegistry(true))
	if err != nil {
		return nil, err
	}
	have, err := versionThere(ctx, db)
	if err != nil {
		return nil, err
	}
	if newest := latest(); have > newest {
		return nil, current(have, newest)
	}
	results, err := provider.Up(ctx)
	if err != nil {
		return nil, err
	}
	for _, r := range results {
		applied = append(applied, r.Source.Path)
	}
	return applied, nil
}

// versionThere is the schema's version, 0 before the first migration.
func versionThere(ctx context.Context, db *sql.DB) (version int64, err error) {
	var there bool
	err = db.QueryRowContext(ctx, `select to_regclass('goose_db_version') is not null`).Scan(&there)
	if err == nil && there {
		err = db.QueryRowContext(ctx, sqlSchemaVersion).Scan(&version)
	}
	return version, err
}
