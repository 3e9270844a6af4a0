package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"runtime"
	"runtime/debug"

	"github.com/spf13/cobra"
)

func versionCommand() *cobra.Command {
	c := &cobra.Command{Use: "version", Short: "print the version", Args: words(0)}
	modules := c.Flags().Bool("modules", false, "list the modules that were built in, with their versions")
	return does(c, func(_ context.Context, _ []string, std stdio) error { return printVersion(std.out, *modules) })
}

func printVersion(w io.Writer, modules bool) error {
	fmt.Fprintf(w, "dewline %s, %s, %s/%s\n", version, runtime.Version(), runtime.GOOS, runtime.GOARCH)
	if !modules {
		return nil
	}
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return errors.New("this binary carries no list of modules")
	}
	for _, m := range info.Deps {
		fmt.Fprintf(w, "%s %s\n", m.Path, m.Version)
	}
	return nil
}
