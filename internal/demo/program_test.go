package demo_test

// The tests build and run the program. This import makes their result depend on it, so that go test does not show a
// cached one after the program has changed.
import _ "readback/internal/cli"
