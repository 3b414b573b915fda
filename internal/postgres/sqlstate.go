package postgres

import (
	"errors"
	"io"
	"net"

	"github.com/jackc/pgx/v5/pgconn"

	"readback/internal/fault"
)

// byConstraint gives the refusal for a violated constraint that a caller can do something about. Constraints that only
// a mistake of ours can violate are not here: they stay plain errors, for the log.
var byConstraint = map[string]*fault.Error{
	"running_pkey": fault.New(fault.BusyElsewhere, "The specialist already runs another vehicle's routine."),
	"account_login_once": fault.New(fault.AlreadyThere, "Another account has this login.",
		fault.Field{Name: "login", Want: "a login that no account has yet"}),
	"photo_sealed_by":      fault.New(fault.WrongPhase, "The personal values of this were erased; it takes no more photos."),
	"account_login_length": fault.Badly("login", "1 to 254 bytes"),
}

// byState gives the refusal for a SQLSTATE, or for a class (its first two characters).
// Source: PostgreSQL documentation, appendix A, error codes.
var byState = map[string]*fault.Error{
	"08":    unreachable, // connection exceptions
	"57P":   unreachable, // shutting down, crashed, starting up
	"53300": fault.New(fault.NoDatabase, "The database has no connection left for us."),
	"53100": noRoom, // disk full
	"53200": noRoom, // out of memory
	"25006": fault.New(fault.NoDatabase, "The database is read-only: this is a standby, or it is being switched over."),
	"28":    fault.New(fault.NoDatabase, "The database refuses the user or the password."),
	"3D000": fault.New(fault.NoDatabase, "The server has no database of that name."),
	"3F000": notMigrated(), // no schema
	"42P01": notMigrated(), // no table
	"42501": notMigrated(), // not allowed
	"22023": notMigrated(), // no such role, when connecting
}

var (
	unreachable = fault.New(fault.NoDatabase, "The database cannot be reached.")
	noRoom      = fault.New(fault.NoRoom, "The database has no room left.")
)

// explain turns what the driver says into a refusal where there is one, keeping the cause for the log.
func explain(err error) error {
	var already *fault.Error
	var pg *pgconn.PgError
	var connect *pgconn.ConnectError
	switch {
	case err == nil, errors.As(err, &already):
		return err
	case errors.As(err, &pg):
		if pg.ConstraintName != "" {
			if f, ok := byConstraint[pg.ConstraintName]; ok {
				return f.Because(err)
			}
			return err
		}
		for _, n := range []int{5, 3, 2} {
			if f, ok := byState[pg.Code[:n]]; ok {
				return f.Because(err)
			}
		}
		if errors.As(err, &connect) { // refused for a reason of its own, such as 55000: it takes no connections at present
			return unreachable.Because(err)
		}
		return err
	case ended(err):
		return err
	case broken(err):
		return unreachable.Because(err)
	}
	return err
}

// broken reports whether err says that the connection failed, could not be made, or was closed by the server: what was
// sent on it may or may not have been done.
func broken(err error) bool {
	var pg *pgconn.PgError
	var connect *pgconn.ConnectError
	var network net.Error
	switch {
	case errors.As(err, &pg):
		// 57P01–57P05: the server closed the connection; 08: it noticed a failure of it; 25006: it became a standby
		return pg.Code[:2] == "08" || pg.Code[:3] == "57P" || pg.Code == "25006"
	case errors.As(err, &connect), errors.As(err, &network), errors.Is(err, io.ErrUnexpectedEOF), errors.Is(err, io.EOF),
		errors.Is(err, net.ErrClosed):
		return true
	}
	return false
}

// again reports whether the statement was rolled back for a reason that has passed when it is tried again.
func again(err error) bool {
	var pg *pgconn.PgError
	return errors.As(err, &pg) && pg.Code[:2] == "40" // serialization failure, deadlock
}

// ofARow reports whether a single row can be what made the statement fail.
func ofARow(err error) bool {
	var pg *pgconn.PgError
	if !errors.As(err, &pg) {
		return true // the driver could not encode a value
	}
	switch pg.Code[:2] {
	case "22", "23", "54", "XX", "RB": // data, constraints, limits, internal errors, our own
		return true
	}
	return false
}

func notAddress(err error) error {
	return fault.Badly("DATABASE_URL", "an address such as postgres://user@host:5432/readback").Because(err)
}
