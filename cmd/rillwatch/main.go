// Command rillwatch watches a boiler-feedwater sample panel.
//
// Owns: the process and its exit code.
// Never: does anything a command of package cli does not.
package main

import (
	"os"
	_ "time/tzdata" // an edge box may have no zone files, and a message without its zone is worth half

	"rillwatch/internal/cli"
)

func main() { os.Exit(cli.Main(os.Args[1:], os.Stdin, os.Stdout, os.Stderr)) }
