// Command sapward plans, guides and records treatments put into the sapwood of
// trees. See the README.
package main

import (
	"os"

	"sapward/internal/cli"
)

func main() { os.Exit(cli.Main(os.Args[1:], os.Stdin, os.Stdout, os.Stderr)) }
