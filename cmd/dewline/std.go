package main

import (
	"context"
	"fmt"
	"io"

	"github.com/spf13/cobra"
)

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
