// Package outsider plays a technician and a specialist against a running server as a stranger would who has nothing but
// the server's address, names to sign in with, and the descriptions that the server itself publishes: /v1/openapi.yaml,
// /v1/asyncapi.yaml and /v1/schema. It holds tests only.
//
// It shares no type with the rest of the project and writes no code for any message: everything said is a map made into
// JSON, everything heard is held to the descriptions by libraries that know nothing of the project (kin-openapi and
// jsonschema). The project is imported to start a server, and for nothing else. Where a test here needs to know something
// that the descriptions do not say, the descriptions are mended, not the test.
package outsider
