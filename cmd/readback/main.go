// Command readback is the whole of Readback in one program: server, demo, checks and verification.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"

	"readback/internal/cli"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := cli.Run(ctx, os.Args[1:], cli.Streams{In: os.Stdin, Out: os.Stdout, Err: os.Stderr}, os.Environ())
	stop()
	os.Exit(code)
}
