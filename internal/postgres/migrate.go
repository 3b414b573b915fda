package postgres

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"
	"github.com/pressly/goose/v3/database"
	"github.com/pressly/goose/v3/lock"

	"readback/internal/fault"
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
		return nil, fmt.Errorf("migrate the database: %w", halfThere(err))
	}
	return applied, nil
}

// halfThere explains why migrations failed. What is missing then, or there already, is not what the database says it has.
func halfThere(err error) error {
	if pg, ok := errors.AsType[*pgconn.PgError](err); ok && slices.Contains([]string{"3F000", "42P01", "42501", "42P07", "42710", "42723"}, pg.Code) {
		return notWhole().Because(err)
	}
	return explain(err)
}

func notWhole() *fault.Error {
	return fault.New(fault.WrongServer, "The database says which migration it is at, but its tables or their rights are not all there: "+
		"a restore that stopped half-way leaves that. Make the roles and restore into an empty database (docs/operations.md).")
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
	if have == 0 {
		if applied, err = migrateEmpty(ctx, db, locker, provider.ListSources()); err != nil || len(applied) > 0 {
			return applied, err
		}
	}
	results, err := provider.Up(ctx)
	if err != nil {
		return nil, err
	}
	var there bool
	if err := db.QueryRowContext(ctx, sqlTrailThere).Scan(&there); err != nil {
		return nil, err
	}
	if !there {
		return nil, notWhole()
	}
	for _, r := range results {
		applied = append(applied, r.Source.Path)
	}
	return applied, nil
}

// migrateEmpty applies all migrations in one transaction where there is none yet, each file as one command: somebody waits
// for the first start of a new machine. It leaves in goose's table what goose would have, and does nothing where that
// table is there. What a transaction cannot hold, goose's "NO TRANSACTION", is for goose to do.
func migrateEmpty(ctx context.Context, db *sql.DB, locker lock.SessionLocker, sources []*goose.Source) (applied []string, err error) {
	texts := make([]string, len(sources))
	for i, source := range sources {
		text, err := fs.ReadFile(migrations.Files, source.Path)
		if err != nil {
			return nil, err
		}
		if texts[i] = string(text); strings.Contains(texts[i], "+goose NO TRANSACTION") {
			return nil, nil
		}
	}
	kept, err := database.NewStore(goose.DialectPostgres, goose.DefaultTablename)
	if err != nil {
		return nil, err
	}
	conn, err := db.Conn(ctx)
	if err != nil {
		return nil, err
	}
	defer conn.Close() // and with it, if need be, the lock
	if err := locker.SessionLock(ctx, conn); err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, locker.SessionUnlock(context.WithoutCancel(ctx), conn)) }()
	tx, err := conn.BeginTx(ctx, nil)
	if err != nil {
		return nil, err
	}
	defer tx.Rollback() // nothing, once committed
	var there bool
	if err := tx.QueryRowContext(ctx, sqlVersionsThere).Scan(&there); err != nil || there {
		return nil, err
	}
	if err := kept.CreateVersionTable(ctx, tx); err != nil {
		return nil, err
	}
	if err := kept.Insert(ctx, tx, database.InsertRequest{}); err != nil { // version 0, as goose begins
		return nil, err
	}
	for i, source := range sources {
		if _, err := tx.ExecContext(ctx, texts[i]); err != nil {
			return nil, fmt.Errorf("%s: %w", source.Path, err)
		}
		if err := kept.Insert(ctx, tx, database.InsertRequest{Version: source.Version}); err != nil {
			return nil, err
		}
		applied = append(applied, source.Path)
	}
	return applied, tx.Commit()
}

const sqlTrailThere = `select to_regclass('readback.entry') is not null`

const sqlVersionsThere = `select to_regclass('goose_db_version') is not null`

// versionThere is the schema's version, 0 before the first migration.
func versionThere(ctx context.Context, db *sql.DB) (version int64, err error) {
	var there bool
	err = db.QueryRowContext(ctx, sqlVersionsThere).Scan(&there)
	if err == nil && there {
		err = db.QueryRowContext(ctx, sqlSchemaVersion).Scan(&version)
	}
	return version, err
}
