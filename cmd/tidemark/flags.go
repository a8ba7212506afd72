package main

import (
	"errors"
	"flag"
	"fmt"
	"io"
)

// newFlags returns a flag set that reports errors instead of exiting.
func newFlags(s streams, name, usage string) *flag.FlagSet {
	fs := flag.NewFlagSet(name, flag.ContinueOnError)
	fs.SetOutput(io.Discard)
	fs.Usage = func() {
		fmt.Fprintf(s.out, "usage: tidemark %s\n\noptions:\n", usage)
		fs.SetOutput(s.out)
		fs.PrintDefaults()
		fs.SetOutput(io.Discard)
	}
	return fs
}

// noArguments refuses arguments left over by a command that takes none.
func noArguments(name string, rest []string) error {
	if len(rest) == 0 {
		return nil
	}
	return usagef("%s takes no arguments, found %q", name, rest[0])
}

// parseFlags parses options wherever they stand between the arguments and
// returns the arguments. The error is an exitError after -h.
func parseFlags(fs *flag.FlagSet, args []string) ([]string, error) {
	var rest []string
	for {
		if err := fs.Parse(args); err != nil {
			if errors.Is(err, flag.ErrHelp) {
				return nil, exitError(exitOK)
			}
			return nil, usagef("%s: %w; run tidemark %s -h for the options", fs.Name(), err, fs.Name())
		}
		if fs.NArg() == 0 {
			return rest, nil
		}
		rest = append(rest, fs.Arg(0))
		args = fs.Args()[1:]
	}
}

// count writes a number of things: 1 vessel, 2 vessels.
func count(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return fmt.Sprintf("%d %ss", n, thing)
}
