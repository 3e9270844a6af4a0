// Command dewline watches a room of planted enclosures day and night, warns
// the keeper's phone when heat climbs or humidity falls, and keeps the record.
//
// Run it without arguments for the list of commands.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"
)

// Exit codes, the same for every command.
const (
	exitOK     = 0
	exitFailed = 1 // something went wrong while working
	exitUsage  = 2 // wrong arguments or a faulty configuration
)

// version is set by the linker: -ldflags "-X main.version=…".
var version = "development"

// stdio is what a command may write to, so that tests can listen.
type stdio struct {
	in       io.Reader
	out, err io.Writer
}

// A command is one word of the command line.
type command struct {
	name    string
	summary string
	run     func(ctx context.Context, args []string, std stdio) error
}

// errUsage marks a wrong command line or configuration: exit code 2.
var errUsage = errors.New("usage")

// usageError carries a message for exit code 2 as it stands.
type usageError struct{ msg string }

func (e usageError) Error() string { return e.msg }
func (e usageError) Unwrap() error { return errUsage }

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := dispatch(ctx, os.Args[1:], stdio{in: os.Stdin, out: os.Stdout, err: os.Stderr})
	stop()
	os.Exit(code)
}

// dispatch runs the command that args name and returns the exit code.
func dispatch(ctx context.Context, args []string, std stdio) int {
	table := commands()
	if len(args) == 0 || args[0] == "help" || args[0] == "-h" || args[0] == "--help" {
		usage(std.out, table)
		return exitOK
	}
	for _, c := range table {
		if c.name != args[0] {
			continue
		}
		err := c.run(ctx, args[1:], std)
		switch {
		case err == nil, errors.Is(err, flag.ErrHelp):
			return exitOK
		case errors.Is(err, errUsage):
			fmt.Fprintln(std.err, err)
			return exitUsage
		default:
			fmt.Fprintf(std.err, "dewline %s: %v\n", c.name, err)
			return exitFailed
		}
	}
	fmt.Fprintf(std.err, "dewline: there is no command %q; the commands are:\n", args[0])
	usage(std.err, table)
	return exitUsage
}

func usage(w io.Writer, table []command) {
	fmt.Fprintln(w, "dewline: early warning for rooms of planted enclosures")
	fmt.Fprintln(w, "\nUsage: dewline COMMAND [flags]; dewline COMMAND -h lists the flags.")
	fmt.Fprintln(w)
	for _, c := range table {
		fmt.Fprintf(w, "  %-14s %s\n", c.name, c.summary)
	}
	fmt.Fprintln(w, "\ndewline watches and warns. It is no safety device, and its limits are")
	fmt.Fprintln(w, "defaults, not veterinary advice.")
}

// newFlags returns a flag set that reports mistakes as usage errors.
func newFlags(name, synopsis string, std stdio) *flag.FlagSet {
	fs := flag.NewFlagSet(name, flag.ContinueOnError)
	fs.SetOutput(std.err)
	fs.Usage = func() {
		fmt.Fprintf(std.err, "Usage: dewline %s %s\n", name, synopsis)
		fs.PrintDefaults()
	}
	return fs
}

// parse reads args into fs and allows exactly positional words after the
// flags; -1 allows any number.
func parse(fs *flag.FlagSet, args []string, positional int) error {
	if err := fs.Parse(args); err != nil {
		if errors.Is(err, flag.ErrHelp) {
			return err
		}
		return usageError{"dewline " + fs.Name() + ": see the flags above"}
	}
	if positional >= 0 && fs.NArg() != positional {
		fs.Usage()
		if positional == 0 {
			return usageError{fmt.Sprintf("dewline %s: %q is no flag: nothing else is expected there", fs.Name(), fs.Arg(0))}
		}
		return usageError{fmt.Sprintf("dewline %s: takes %d words after the flags, got %d", fs.Name(), positional, fs.NArg())}
	}
	return nil
}
