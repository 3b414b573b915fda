package outsider_test

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// TestFollow: what follow and unfollow do is as their descriptions say, at the edges too.
func TestFollow(t *testing.T) {
	t.Parallel()
	w := visit(t, nil)
	l := w.signIn(t, owner).connects()
	register := object{"kind": "register", "id": l.org}
	l.follows("register", l.org)
	head := l.last[l.org]

	refusal := func(follow object) string {
		l.says(follow)
		return slugOf(l.waits("refused", nil)["problem"].(object))
	}
	require.Equal(t, "already-there", refusal(object{"say": "follow", "stream": register, "after": head}))
	require.Equal(t, "not-found", refusal(object{"say": "follow", "stream": object{"kind": "job", "id": newID(t)}, "after": 0}))

	// Unfollow is not answered; after it the same stream can be followed anew, from any entry that exists.
	l.says(object{"say": "unfollow", "stream": register})
	require.Equal(t, "invalid-input", refusal(object{"say": "follow", "stream": register, "after": head + 1}))
	l.last[l.org] = head - 1
	l.follows("register", l.org)
	l.says(object{"say": "unfollow", "stream": object{"kind": "job", "id": newID(t)}})
	l.says(object{"say": "beat", "n": 1})
	l.waits("beat", nil)
	for _, m := range l.kept {
		require.Equal(t, "presence", m["say"])
	}
}
