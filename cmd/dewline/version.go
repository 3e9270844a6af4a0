package main

import (
	"context"
	"fmt"
	"io"
	"runtime"

	"github.com/spf13/cobra"
)

func versionCommand() *cobra.Command {
	c := &cobra.Command{Use: "version", Short: "print the version", Args: words(0)}
	return does(c, func(_ context.Context, _ []string, std stdio) error { return printVersion(std.out) })
}

func printVersion(w io.Writer) error {
	_, err := fmt.Fprintf(w, "dewline %s, %s, %s/%s\n", version, runtime.Version(), runtime.GOOS, runtime.GOARCH)
	return err
}
