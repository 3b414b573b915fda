// Package faults holds the tests that break the running program: its own `serve` is killed, its PostgreSQL is killed, it
// is stopped while commands are under way, all in the middle of scripted calibrations. What must hold is kept apart from
// the program, by the test process, which is the client: every byte that was sent and every answer and entry that was
// read is written down where the connections pass (tap_test.go, ledger_test.go), and in the end compared by id with what
// the server gives by HTTP.
//
//	an acknowledged command   stands in the trail once, with the number and the hash of the acknowledgement
//	an entry                  was asked for by a command that was sent, to that stream; numbers have no gaps
//	an entry that was shown   is there to the end: nothing is visible before it is durable
//	a command                 gets its answer in the end, the same answer however often it was sent
//
// Processes are killed, not the machine: the kernel keeps what was written, so these tests show nothing about fsync.
//
// `make faults` runs a longer series.
package faults
