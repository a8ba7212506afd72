// Command tidemark watches dough and sourdough starter rise and says when they
// will be ready. This package only wires: see the packages it imports for the
// work itself.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"
)

// Exit codes of every command.
const (
	exitOK     = 0
	exitFailed = 1 // the work could not be done; the error says why
	exitUsage  = 2 // the command line or the configuration is wrong
)

// streams are where a command reads and writes.
type streams struct {
	in       io.Reader
	out, err io.Writer
}

// command is one verb of the program.
type command struct {
	name    string
	summary string // one line for the overview
	run     func(ctx context.Context, s streams, args []string) error
}

// usageError is an error in how the program was called or configured.
type usageError struct{ err error }

func (e usageError) Error() string { return e.err.Error() }
func (e usageError) Unwrap() error { return e.err }

// usagef builds a usageError.
func usagef(format string, args ...any) error {
	return usageError{fmt.Errorf(format, args...)}
}

// exitError ends the program with a code of its own, saying nothing more.
type exitError int

func (e exitError) Error() string { return fmt.Sprintf("exit code %d", int(e)) }

func main() {
	os.Exit(run(os.Args[1:], streams{os.Stdin, os.Stdout, os.Stderr}))
}

// run executes one command line and returns the exit code.
func run(args []string, s streams) int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	err := dispatch(ctx, s, args)
	var usage usageError
	var code exitError
	switch {
	case err == nil:
		return exitOK
	case errors.As(err, &code):
		return int(code)
	case errors.As(err, &usage):
		fmt.Fprintln(s.err, "tidemark:", err)
		return exitUsage
	default:
		fmt.Fprintln(s.err, "tidemark:", err)
		return exitFailed
	}
}

// dispatch finds the command and runs it.
func dispatch(ctx context.Context, s streams, args []string) error {
	if len(args) == 0 || args[0] == "help" || args[0] == "-h" || args[0] == "--help" {
		overview(s.out)
		return nil
	}
	if args[0] == "version" || args[0] == "--version" || args[0] == "-version" {
		fmt.Fprintln(s.out, "tidemark", version())
		return nil
	}
	for _, c := range commands() {
		if c.name == args[0] {
			return c.run(ctx, s, args[1:])
		}
	}
	return usagef("%q is not a command; run tidemark help for the list", args[0])
}

// overview prints the list of commands.
func overview(w io.Writer) {
	fmt.Fprintln(w, "tidemark watches dough and starter rise and says when they will be ready.")
	fmt.Fprintln(w, "\nCommands:")
	for _, c := range commands() {
		fmt.Fprintf(w, "  %-11s %s\n", c.name, c.summary)
	}
	fmt.Fprintln(w, "\nRun a command with -h for its options; --version prints the version.")
}
