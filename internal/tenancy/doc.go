// Package tenancy walks everything that can be asked of a running server, over everybody who could ask: every route of
// openapi.yaml, every message of a client in asyncapi.yaml and every command of the three kinds of stream, by role
// (technician, specialist, owner, nobody signed in, a retired member) and by what the asker's organisation is to the stream
// (own, agreed, claimed, ended, foreign, and a stream that is not there). It holds tests only.
//
// What is expected stands in tables, one row for each route, message and command: routes_test.go, messages_test.go,
// registers_test.go, jobs_test.go, calibrations_test.go. The rows say in words who works with what; they are not computed by
// what they test, and are compared with the table of package access. A route, message or command of the descriptions
// without a row fails, and so does a row without one. The failure says which line to write, and where.
//
// What holds for each cell: whoever may see no stream gets the very answer that a missing one gives, over HTTP and over the
// websocket, message for message; whoever sees it and may not do that is told so; whoever may is not refused for who
// they are (phase and guards may still refuse: that each command is taken is shown by the tests of its kind). Nobody who is refused changes anything in the database. And what row-level security gives an organisation
// beneath all this is what the program gives it.
//
// Cells walked: at least 4,200, in one world, in some ten seconds. The test holds that number.
package tenancy
