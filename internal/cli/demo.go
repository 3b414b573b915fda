package cli

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"slices"
	"strings"

	"readback/internal/demo"
)

var demoCommand = command{
	name:  "demo",
	short: "play the main job, or a second story, in an invented world",
	long: "Starts a server of its own with a private cluster in a temporary state directory, plays one calibration from\n" +
		"request to verified trail through the published interfaces, and removes both. Another seed gives other readings\n" +
		"and the same story. It writes bundle.zip and bundle-changed.zip, a copy with one byte changed, to verify.\n" +
		"The first story is the main job, completed. In the second a caution is waived with a reason, one specialist hands\n" +
		"over to another, and the routine does not complete, so that the customer gets a notice; it writes bundle.zip.\n" +
		"With --world it sets the invented world up in a state directory of its own, serves it until stopped, and says\n" +
		"where to go and how to sign in; the next time it is the same world.",
	example: "readback demo --seed 7",
	setup: func(c *call) func(context.Context, []string) error {
		story := c.flags.String("story", demo.First, "`NAME` of the story: "+strings.Join(demo.Stories(), " or "))
		seed := c.flags.Uint64("seed", 1, "`N`: which readings are drawn")
		dir := c.flags.String("out", "demo-out", "`DIR` for the bundles")
		world := c.flags.Bool("world", false, "serve the invented world instead of playing the story")
		return func(ctx context.Context, args []string) error {
			if len(args) > 0 {
				return errUsage{"demo takes no arguments"}
			}
			if !slices.Contains(demo.Stories(), *story) {
				return errUsage{fmt.Sprintf("there is no story %q: --story is %s", *story, strings.Join(demo.Stories(), " or "))}
			}
			exe, err := os.Executable()
			if err != nil {
				return err
			}
			if *world {
				cfg, _, err := c.settings(slog.LevelWarn)
				if err != nil {
					return err
				}
				return demo.Serve(ctx, demo.World{Exe: exe, State: cfg.StateDir + "-demo", Listen: cfg.Listen, Out: c.Out, Log: c.Err})
			}
			_, err = demo.Play(ctx, demo.Options{Exe: exe, Story: *story, Seed: *seed, Out: c.Out, Dir: *dir})
			return err
		}
	},
}
