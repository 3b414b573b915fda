package webui

import (
	"testing"

	"github.com/stretchr/testify/require"
)

func TestLeanKeepsEveryLineOfCode(t *testing.T) {
	t.Parallel()
	for source, want := range map[string]string{
		"// a\nf();\n":                             "\nf();\n",
		"/** a\n * b\n */\nf();\n":                 "\n\n\nf();\n",
		"/** a */\n  f(); // b\n":                  "\nf(); // b\n",
		"  /** @type {T} */ (e)?.focus();\ng();\n": "(e)?.focus();\ng();\n",
		"f((/** @type {T[]} */ e) => e);\n":        "f((e) => e);\n",
		"x = \"/* no comment\";\ng();\n":           "x = \"/* no comment\";\ng();\n",
	} {
		require.Equal(t, want, string(lean([]byte(source))), source)
	}
}
