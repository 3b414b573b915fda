package fault

import (
	"errors"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"regexp"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestEverySlugHasItsRow reads the constants of slug.go: each needs a title and a kind, in the published spelling.
func TestEverySlugHasItsRow(t *testing.T) {
	t.Parallel()
	file, err := parser.ParseFile(token.NewFileSet(), "slug.go", nil, 0)
	require.NoError(t, err)
	named := map[Slug]bool{}
	ast.Inspect(file, func(n ast.Node) bool {
		if v, ok := n.(*ast.ValueSpec); ok {
			if id, ok := v.Type.(*ast.Ident); ok && id.Name == "Slug" {
				s, err := strconv.Unquote(v.Values[0].(*ast.BasicLit).Value)
				require.NoError(t, err)
				named[Slug(s)] = true
			}
		}
		return true
	})
	require.Len(t, Slugs(), len(named))
	for _, s := range Slugs() {
		require.True(t, named[s], s)
		require.Regexp(t, regexp.MustCompile(`^[a-z]+(-[a-z]+)*$`), string(s))
		require.NotEmpty(t, TitleOf(s))
	}
	require.Panics(t, func() { New("no-such-slug", "") })
}

func TestError(t *testing.T) {
	t.Parallel()
	cause := errors.New("socket closed")
	e := New(InvalidInput, "This does not do.", Field{"a.b", "a length in mm"}, Field{"c[2]", "a day"}).Because(cause)
	require.EqualError(t, e, "This does not do: a.b: a length in mm; c[2]: a day")
	require.ErrorIs(t, e, cause)
	require.Equal(t, Invalid, e.Kind())

	wrapped := fmt.Errorf("open job: %w", e)
	require.Same(t, e, Of(wrapped))
	require.True(t, Is(wrapped, InvalidInput))
	require.False(t, Is(wrapped, Stale))
	require.False(t, Is(cause, InvalidInput))

	ours := Of(cause)
	require.Equal(t, InternalFault, ours.Slug)
	require.NotContains(t, ours.Error(), "socket", "a cause is for the log, not for the caller")
	require.ErrorIs(t, ours, cause)
}

func TestBecauseLeavesTheOriginal(t *testing.T) {
	t.Parallel()
	e := New(Stale, "Late.")
	require.NotSame(t, e, e.Because(errors.New("x")))
	require.NoError(t, e.Unwrap())
}
