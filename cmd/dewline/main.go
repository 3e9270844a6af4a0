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
)

// Exit codes, the same for every command.
const (
	exitOK     = 0
	exitFailed = 1 // something went wrong while working
	exitUsage  = 2 // wrong arguments or a faulty configuration
)

// version is set by the linker: -ldflags "-X main.version=…".
var version = "development"

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	// A second interrupt ends at once what does not heed the first.
	context.AfterFunc(ctx, stop)
	os.Exit(dispatch(ctx, os.Args[1:], stdio{in: os.Stdin, out: os.Stdout, err: os.Stderr}))
}

// dispatch runs the command that args name and returns the exit code.
func dispatch(ctx context.Context, args []string, std stdio) int {
	out := &answer{Writer: std.out}
	std.out = out
	root := rootCommand(std)
	c, args, err := resolve(root, args)
	if err == nil {
		root.SetArgs(args)
		c, err = root.ExecuteContextC(ctx)
	}
	if err == nil && out.err != nil {
		err = fmt.Errorf("write the answer: %w", out.err)
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

// answer remembers what kept an answer from being written: few who write one look.
type answer struct {
	io.Writer
	err error
}

func (c *answer) Write(b []byte) (int, error) {
	n, err := c.Writer.Write(b)
	if c.err == nil {
		c.err = err
	}
	return n, err
}
