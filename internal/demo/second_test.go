package demo

import (
	"bytes"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestSecondStory plays the second story, and asks the server each time what came of it.
func TestSecondStory(t *testing.T) {
	t.Parallel()
	playSeeds(t, theSecond(), []uint64{1, 2, 7, 13, 19}, nil, func(s *story, dir string, out *bytes.Buffer) (Outcome, error) {
		told, err := s.tellSecond(t.Context(), dir)
		if err == nil {
			lines := strings.Split(strings.TrimSpace(out.String()), "\n")
			require.Regexp(t, "^What is proven: ", lines[len(lines)-1])
			secondCameTrue(t, s)
		}
		return told, err
	})
}

// secondCameTrue reads the calibration of a story that was told, as it stands.
func secondCameTrue(t *testing.T, s *story) {
	t.Helper()
	var got struct {
		State struct {
			Phase  string
			Result struct {
				Outcome   string
				Positions []struct{ Position, Outcome string }
			}
			Gates []struct {
				Gate   string
				Waived *struct{ Member string }
			}
			Claim   struct{ Member string }
			Request struct {
				Estimate struct {
					OnDuty int `json:"on_duty"`
					Ahead  int
				}
			}
			Signs  []struct{ By struct{ Member, Role string } }
			Notice struct {
				To, SHA256 string
			}
			Attempts []struct {
				Legs []struct {
					Outcome string
					Values  []struct{ Name, Value string }
				}
			}
		}
	}
	require.NoError(t, s.tech.client.View(t.Context(), s.cal, &got))
	state := got.State
	require.Equal(t, "closed", state.Phase)
	require.Equal(t, "not-completed", state.Result.Outcome)
	require.Equal(t, []struct{ Position, Outcome string }{{"left", "completed"}, {"right", "not-completed"}}, state.Result.Positions)
	waived := map[string]string{}
	for _, g := range state.Gates {
		if g.Waived != nil {
			waived[g.Gate] = g.Waived.Member
		}
	}
	early, relief := s.people["specialist"].member, s.people["relief"].member
	require.Equal(t, map[string]string{"battery-voltage": early}, waived, "by who guided then")
	require.Equal(t, 1, state.Request.Estimate.OnDuty)
	require.Zero(t, state.Request.Estimate.Ahead, "the promised car goes before the one that waits")
	require.Equal(t, relief, state.Claim.Member, "who guides in the end")
	require.Len(t, state.Signs, 2)
	require.Equal(t, relief, state.Signs[1].By.Member)
	require.Equal(t, "customer", state.Notice.To)
	require.Len(t, state.Notice.SHA256, 64)
	require.Len(t, state.Attempts, 1)
	require.Len(t, state.Attempts[0].Legs, 2)
	require.Len(t, state.Attempts[0].Legs[1].Values, 2, "what the routine gave")
}
