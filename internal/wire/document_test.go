package wire_test

import (
	"fmt"
	"os"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/wire"
)

func closeRow(row wire.Closing) string {
	again := "no"
	if row.Resume {
		again = "yes"
	}
	return fmt.Sprintf("| %d | `%s` | %s | %s |", row.Code, row.Name, again, row.Reason)
}

// What docs/protocol.md says of slugs, close codes and messages is what the code has, no more and no less.
func TestTheDocumentSaysWhatTheCodeDoes(t *testing.T) {
	t.Parallel()
	raw, err := os.ReadFile("../../docs/protocol.md")
	require.NoError(t, err)
	doc := string(raw)

	for _, slug := range fault.Slugs() {
		require.Contains(t, doc, fmt.Sprintf("| `%s` | %d | ", slug, wire.StatusOf(slug)))
	}
	require.Len(t, regexp.MustCompile("(?m)^\\| `[a-z-]+` \\| \\d{3} \\| ").FindAllString(doc, -1), len(fault.Slugs()))

	for _, row := range wire.Closings() {
		require.Contains(t, doc, closeRow(row))
	}
	require.Len(t, regexp.MustCompile(`(?m)^\| \d{4} \| `).FindAllString(doc, -1), len(wire.Closings()))

	for _, name := range []string{"client.jsonl", "server.jsonl"} {
		for _, frame := range lines(t, name) {
			say := regexp.MustCompile(`^\{"say":"([a-z-]+)"`).FindStringSubmatch(frame)[1]
			at := strings.Index(doc, "| `"+say+"` | ")
			require.Positive(t, at, say)
			row, _, _ := strings.Cut(doc[at:], "\n")
			if say == "beat" || say == "refused" { // one on each side; members that are there as far as known
				continue
			}
			for _, member := range regexp.MustCompile(`,"([a-z_]+)":`).FindAllStringSubmatch(topLevel(frame), -1) {
				require.Contains(t, row, "`"+member[1]+"`", say)
			}
		}
	}
}

// topLevel is the frame without what is inside nested objects.
func topLevel(frame string) string {
	inner := regexp.MustCompile(`\{[^{}]*\}`)
	s := frame[1 : len(frame)-1]
	for inner.MatchString(s) {
		s = inner.ReplaceAllString(s, "0")
	}
	return "{" + s
}
