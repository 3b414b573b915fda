// Command readback is the whole of Readback in one program: server, demo, checks and verification.
package main

import (
	"os"

	"readback/internal/cli"
)

func main() { os.Exit(cli.Main()) }
