package cli

import (
	"context"
	"fmt"
	"runtime"
)

var versionCommand = command{
	name:    "version",
	short:   "say which version this is",
	long:    "Prints the version of the program and what it was built with.",
	example: "readback version",
	setup: func(c *call) func(context.Context, []string) error {
		return func(_ context.Context, args []string) error {
			if len(args) > 0 {
				return errUsage{"version takes no arguments"}
			}
			fmt.Fprintf(c.Out, "readback %s %s %s/%s\n", Version, runtime.Version(), runtime.GOOS, runtime.GOARCH)
			return nil
		}
	},
}
