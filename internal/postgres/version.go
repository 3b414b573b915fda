package postgres

import (
	"fmt"
	"io/fs"
	"strconv"
	"strings"

	"readback/internal/fault"
	"readback/migrations"
)

// oldestServer is the oldest PostgreSQL whose statements we use, as server_version_num.
const oldestServer = 140000

// supported refuses a server that is too old. name is its version in words.
func supported(number int, name string) error {
	if number >= oldestServer {
		return nil
	}
	return fault.New(fault.WrongServer,
		fmt.Sprintf("The database server is PostgreSQL %s; Readback needs %d or newer.", name, oldestServer/10000))
}

// current refuses a schema that this program was not built for.
func current(have, want int64) error {
	switch {
	case have == want:
		return nil
	case have == 0:
		return notMigrated()
	case have < want:
		return fault.New(fault.WrongServer, fmt.Sprintf(
			"The database is at migration %d and this program needs %d: run `readback migrate`.", have, want))
	}
	return fault.New(fault.WrongServer, fmt.Sprintf(
		"The database is at migration %d, this program knows only %d: it was migrated by a newer release. Run that one.", have, want))
}

func notMigrated() *fault.Error {
	return fault.New(fault.WrongServer, "The database has no tables of Readback's yet, or this user may not see them: run `readback migrate`.")
}

// latest is the number of the newest migration in this program.
func latest() int64 {
	names, err := fs.Glob(migrations.Files, "*.sql")
	if err != nil {
		panic(err) // the pattern is a constant
	}
	var newest int64
	for _, name := range names {
		digits, _, _ := strings.Cut(name, "_")
		n, err := strconv.ParseInt(digits, 10, 64)
		if err != nil {
			panic("migration without a number: " + name) // embedded: seen by the first test
		}
		newest = max(newest, n)
	}
	return newest
}
