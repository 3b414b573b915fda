package cli

import (
	"context"
	"fmt"
	"log/slog"
	"time"

	"readback/internal/app"
)

var rotateKeysCommand = command{
	name:  "rotate-keys",
	short: "add a new key for access tokens",
	long: "Adds a key to the key file that signs access tokens, and drops those of which no token can be good any more.\n" +
		"Nobody is signed out: older tokens go on until they run out. Servers read the file by themselves within half a\n" +
		"minute, or at SIGHUP. The new key signs five minutes from now, when all of them know it; copy the file to every\n" +
		"server before. The keys that seal and sign the trail stay as they are. Run it as the account of the server.",
	example: "readback rotate-keys\nreadback rotate-keys --at-once",
	setup: func(c *call) func(context.Context, []string) error {
		atOnce := c.flags.Bool("at-once", false, "sign with the new key now: for an installation of one server")
		return func(_ context.Context, args []string) error {
			if len(args) > 0 {
				return errUsage{"rotate-keys takes no arguments; the key file is that of READBACK_KEY_FILE"}
			}
			cfg, _, err := c.settings(slog.LevelWarn)
			if err != nil {
				return err
			}
			r, err := app.RotateTokenKeys(cfg, *atOnce)
			if err != nil {
				return err
			}
			fmt.Fprintf(c.Out, "a new token key signs from %s; %s in %s, %d dropped\n",
				r.Signs.Format(time.RFC3339), count(r.Keys, "token key", "token keys"), cfg.KeyFile, r.Dropped)
			return nil
		}
	},
}
