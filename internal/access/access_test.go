package access_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"readback/internal/access"
	"readback/internal/fault"
	"readback/internal/stream"
)

var (
	kinds = []stream.Kind{stream.Register, stream.Job, stream.Calibration}
	roles = []stream.Role{stream.Technician, stream.Specialist, stream.Owner, stream.System, stream.Interface, stream.Gateway}
)

// matrix is written from the sentences of who works with what, one letter per action: See, Command, the h of Show, Open, Bundle,
// List.
// Columns: own, claimed, agreed, ended, foreign.
const matrix = `
register     technician   s....l  ......  ......  ......  ......
register     specialist   sc...l  ......  s....l  ......  ......
register     owner        sc..bl  ......  s....l  ......  ......
register     system       sc.o..  ......  ......  ......  ......
job          technician   sc.obl  ......  ......  ......  ......
job          specialist   s....l  s.....  s.....  s.....  ......
job          owner        sc.obl  s.....  ......  s.....  ......
job          system       sc....  ......  ......  ......  ......
job          interface    .c.o..  ......  ......  ......  ......
register     interface    ......  ......  ......  ......  ......
calibration  interface    ......  ......  ......  ......  ......
job          gateway      ......  ......  ......  ......  ......
register     gateway      ......  ......  ......  ......  ......
calibration  gateway      ..h...  ......  ......  ......  ......
calibration  technician   schobl  ......  ......  ......  ......
calibration  specialist   s....l  sc..bl  sc...l  s...bl  ......
calibration  owner        sc..bl  sc..bl  s....l  s...bl  ......
calibration  system       sc....  ......  ......  ......  ......
`

func TestEveryCell(t *testing.T) {
	t.Parallel()
	want := map[string]string{}
	for _, line := range strings.Split(strings.TrimSpace(matrix), "\n") {
		f := strings.Fields(line)
		require.Len(t, f, 2+len(access.Relations()))
		for i, relation := range access.Relations() {
			want[f[0]+" "+f[1]+" "+string(relation)] = f[2+i]
		}
	}
	const letters = "schobl" // in the order of Actions
	cells := 0
	for _, kind := range kinds {
		for _, role := range roles {
			for _, relation := range access.Relations() {
				name := fmt.Sprintf("%s %s %s", kind, role, relation)
				got := []byte("......")
				for i, action := range access.Actions() {
					cells++
					if access.Allowed([]stream.Role{role}, relation, kind, action) {
						got[i] = letters[i]
					}
				}
				require.Equal(t, want[name], string(got), name)
			}
		}
	}
	require.Equal(t, 3*6*5*6, cells)
}

// A refusal tells of the stream only to those who may see it; everyone else gets the same words, whatever they tried.
func TestWhoMayNotSeeLearnsNothing(t *testing.T) {
	t.Parallel()
	missing := access.NotHere().Error()
	for _, kind := range kinds {
		for _, role := range roles {
			for _, relation := range access.Relations() {
				for _, action := range access.Actions() {
					actor := stream.Actor{Roles: []stream.Role{role}}
					err := access.Check(actor, relation, kind, action)
					sees := access.Allowed(actor.Roles, relation, kind, access.See)
					switch {
					case access.Allowed(actor.Roles, relation, kind, action):
						require.NoError(t, err)
						require.True(t, sees || action == access.Open || role == stream.Interface || role == stream.Gateway, "what may be done may be seen, but by a device")
					case sees, relation == stream.Own && action == access.Open:
						require.True(t, fault.Is(err, fault.NotYourRole), "%s %s %s %s", kind, role, relation, action)
						nobody := true
						for _, other := range []stream.Role{stream.Technician, stream.Specialist, stream.Owner} {
							may := access.Allowed([]stream.Role{other}, relation, kind, action)
							require.Equal(t, may, strings.Contains(err.Error(), string(other)+"s"), "who may: %v", err)
							nobody = nobody && !may
						}
						require.Equal(t, nobody, strings.Contains(err.Error(), "not for your organisation as things stand"), "%v", err)
					default:
						require.EqualError(t, err, missing)
						require.True(t, fault.Is(err, fault.NotHere))
					}
				}
			}
		}
	}
}

func TestSeveralRolesAddUp(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		held := rapid.SliceOfDistinct(rapid.SampledFrom(roles), rapid.ID).Draw(t, "roles")
		relation := rapid.SampledFrom(access.Relations()).Draw(t, "relation")
		kind := rapid.SampledFrom(kinds).Draw(t, "kind")
		action := rapid.SampledFrom(access.Actions()).Draw(t, "action")
		any := false
		for _, r := range held {
			any = any || access.Allowed([]stream.Role{r}, relation, kind, action)
		}
		require.Equal(t, any, access.Allowed(held, relation, kind, action))
	})
}

func TestNearest(t *testing.T) {
	t.Parallel()
	require.Equal(t, stream.Foreign, access.Nearest())
	require.Equal(t, stream.Claimed, access.Nearest(stream.Foreign, stream.Ended, stream.Claimed, stream.Agreed))
	require.Equal(t, stream.Agreed, access.Nearest(stream.Ended, stream.Agreed))
}
