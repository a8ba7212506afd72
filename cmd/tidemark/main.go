// Command tidemark watches dough and sourdough starter rise and says when they
// will be ready. This package only wires: see the packages it imports for the
// work itself.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime/debug"
	"syscall"

	"tidemark/alert/text"
	"tidemark/cmd/tidemark/internal/app"
	"tidemark/cmd/tidemark/internal/config"
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

// inWords is an error in the household's words.
type inWords struct {
	error
	said string
}

func (e inWords) Error() string { return e.said }
func (e inWords) Unwrap() error { return e.error }

// wordsOf says the sentences of the catalogue to the household of a configuration.
func wordsOf(cfg *config.Config) *text.Localizer { return text.New(app.LocaleOf(cfg)) }

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

// commands lists the verbs in the order the overview shows them.
func commands() []command {
	return []command{
		{"run", "watch the vessels of a configuration, serve the page, send warnings", runRun},
		{"demo", "show all of it on an invented kitchen", runDemo},
		{"replay", "run a recorded rise through the same pipeline", runReplay},
		{"setup", "say how to set up on the page, or set up here", runSetup},
		{"check", "find and read every sensor, say what to do about each fault", runCheck},
		{"level", "measure the empty vessel and learn its shape", runLevel},
		{"plan", "print a timetable back from when the bread should be there", runPlan},
		{"history", "all past rises: backup, restore, new", runHistory},
		{"notify", "send a test message", runNotify},
		{"passphrase", "set the passphrase that opens the page to the house", runPassphrase},
	}
}

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

// parseNone parses the options of a command that takes no arguments.
func parseNone(fs *flag.FlagSet, args []string) error {
	rest, err := parseFlags(fs, args)
	if err == nil && len(rest) > 0 {
		err = usagef("%s takes no arguments, found %q", fs.Name(), rest[0])
	}
	return err
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

// version is the version the program was built as, by Go's own record of it.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok || info.Main.Version == "" {
		return "unknown"
	}
	return info.Main.Version
}
