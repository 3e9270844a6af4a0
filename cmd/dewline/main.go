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
	"slices"
	"strings"
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
	// A second interrupt ends at once what does not heed the first.
	context.AfterFunc(ctx, stop)
	os.Exit(dispatch(ctx, os.Args[1:], stdio{in: os.Stdin, out: os.Stdout, err: os.Stderr}))
}

// dispatch runs the command that args name and returns the exit code.
func dispatch(ctx context.Context, args []string, std stdio) int {
	table := commands()
	if len(args) > 1 && args[0] == "help" {
		args = []string{args[1], "-h"}
	}
	if len(args) == 0 || args[0] == "help" || isHelp(args[0]) {
		usage(std.out, table)
		return exitOK
	}
	for _, c := range table {
		if c.name != args[0] {
			continue
		}
		if slices.ContainsFunc(args[1:], isHelp) {
			std.err = std.out // asked for, it is no complaint
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

func isHelp(arg string) bool { return arg == "-h" || arg == "-help" || arg == "--help" }

func usage(w io.Writer, table []command) {
	fmt.Fprintln(w, "dewline: early warning for rooms of planted enclosures")
	fmt.Fprintln(w, "\nUsage: dewline COMMAND [flags]; dewline help COMMAND lists the flags.")
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
		fmt.Fprintln(std.err, strings.TrimSpace("Usage: dewline "+name+" "+synopsis))
		fs.PrintDefaults()
	}
	return fs
}

// parse reads args into fs, flags and words in any order, and allows exactly
// positional words; -1 allows any number. Words stand in fs.Args.
func parse(fs *flag.FlagSet, args []string, positional int) error {
	var words []string
	for len(args) > 0 {
		if isSentence(args[0]) {
			words, args = append(words, args[0]), args[1:]
			continue
		}
		if err := fs.Parse(args); err != nil {
			return flagError(fs, err)
		}
		left := fs.Args()
		if ends := len(args) - len(left) - 1; ends >= 0 && args[ends] == "--" {
			words = append(words, left...)
			break
		}
		words = append(words, left[:min(1, len(left))]...)
		args = left[min(1, len(left)):]
	}
	if err := fs.Parse(append([]string{"--"}, words...)); err != nil {
		return flagError(fs, err)
	}
	if positional >= 0 && fs.NArg() != positional {
		fs.Usage()
		if positional == 0 {
			return usageError{fmt.Sprintf("dewline %s: %q is no flag: nothing else is expected there", fs.Name(), fs.Arg(0))}
		}
		return usageError{fmt.Sprintf("dewline %s: takes %d words beside the flags, got %d", fs.Name(), positional, fs.NArg())}
	}
	return nil
}

// isSentence reports whether a word that begins like a flag is the text of a
// note, such as "- two froglets moved".
func isSentence(word string) bool {
	before, _, _ := strings.Cut(word, "=")
	return strings.HasPrefix(word, "-") && strings.Contains(before, " ")
}

// flagError repeats below the list of flags, where it is read, what was wrong.
func flagError(fs *flag.FlagSet, err error) error {
	if errors.Is(err, flag.ErrHelp) {
		return err
	}
	return usageError{fmt.Sprintf("dewline %s: %v; see the flags above", fs.Name(), err)}
}
