// Command dewline watches a room of planted enclosures day and night, warns
// the keeper's phone when heat climbs or humidity falls, and keeps the record.
//
// Run it without arguments for the list of commands.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"

	"github.com/spf13/cobra"
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

// A usageError is a wrong command line. It is told after the command's name.
type usageError struct{ error }

func usagef(format string, args ...any) error { return usageError{fmt.Errorf(format, args...)} }

// A configError is a faulty configuration. It is told as it stands, since each
// of its lines begins with the place of a fault.
type configError struct{ error }

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	// A second interrupt ends at once what does not heed the first.
	context.AfterFunc(ctx, stop)
	os.Exit(dispatch(ctx, os.Args[1:], stdio{in: os.Stdin, out: os.Stdout, err: os.Stderr}))
}

// dispatch runs the command that args name and returns the exit code.
func dispatch(ctx context.Context, args []string, std stdio) int {
	root := rootCommand(std)
	c, args, err := resolve(root, args)
	if err == nil {
		root.SetArgs(args)
		c, err = root.ExecuteContextC(ctx)
	}
	if err == nil {
		return exitOK
	}
	if _, ok := errors.AsType[configError](err); ok {
		fmt.Fprintln(std.err, err)
		return exitUsage
	}
	fmt.Fprintf(std.err, "%s: %v\n", c.CommandPath(), err)
	if _, ok := errors.AsType[usageError](err); ok {
		return exitUsage
	}
	return exitFailed
}

// does gives a command its action.
func does(c *cobra.Command, action func(ctx context.Context, words []string, std stdio) error) *cobra.Command {
	c.RunE = func(c *cobra.Command, words []string) error {
		return action(c.Context(), words, stdio{in: c.InOrStdin(), out: c.OutOrStdout(), err: c.ErrOrStderr()})
	}
	return c
}

// words allows n words beside the flags.
func words(n int) cobra.PositionalArgs {
	return func(c *cobra.Command, args []string) error {
		switch {
		case len(args) == n:
			return nil
		case n == 0:
			return usagef("%q is no flag: nothing else is expected there", args[0])
		}
		return usagef("takes %d words beside the flags, got %d: %s", n, len(args), c.UseLine())
	}
}
