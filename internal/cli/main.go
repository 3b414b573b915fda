package cli

import (
	"context"
	"os"
	"os/signal"
	"syscall"
)

// Main runs the program as the process it is in, until it is done or told to end, and returns its exit status.
func Main() int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	return Run(ctx, os.Args[1:], Streams{In: os.Stdin, Out: os.Stdout, Err: os.Stderr}, os.Environ())
}
