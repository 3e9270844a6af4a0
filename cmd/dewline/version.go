package main

import (
	"context"
	"fmt"
	"runtime"
	"runtime/debug"
)

// runVersion prints what this binary was built from.
func runVersion(_ context.Context, args []string, std stdio) error {
	fs := newFlags("version", "[-modules]", std)
	modules := fs.Bool("modules", false, "list the modules that were built in, with their versions")
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	fmt.Fprintf(std.out, "dewline %s, %s, %s/%s\n", version, runtime.Version(), runtime.GOOS, runtime.GOARCH)
	if !*modules {
		return nil
	}
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return fmt.Errorf("this binary carries no list of modules")
	}
	for _, m := range info.Deps {
		fmt.Fprintf(std.out, "%s %s\n", m.Path, m.Version)
	}
	return nil
}
