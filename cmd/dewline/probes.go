package main

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"

	"dewline/sensors/scan"
	"dewline/sensors/table"
)

func probesCommand() *cobra.Command {
	c := &cobra.Command{Use: "probes", Short: "look for connected probes and print their configuration", Args: words(0)}
	config := c.Flags().String("config", roomConfig, "the configuration `FILE` of a dewline that may be running")
	var o scan.Options
	c.Flags().StringVar(&o.Dev, "dev", "", "where device files are; default /dev")
	c.Flags().StringVar(&o.Sys, "sys", "", "where the kernel's directories are; default /sys")
	return does(c, func(ctx context.Context, _ []string, std stdio) error { return runProbes(ctx, *config, o, std) })
}

func runProbes(ctx context.Context, config string, o scan.Options, std stdio) error {
	if (&control{config: config}).running() {
		return fmt.Errorf("dewline is running and owns the buses: stop it, look again, and start it")
	}
	found, err := scan.Scan(ctx, table.Families(), o)
	n := 0
	for _, f := range found {
		stanza := f.Stanza(fmt.Sprintf("probe-%d", n+1))
		if stanza == "" { // a multiplexer, which the probes behind it name
			fmt.Fprintf(std.out, "# %s\n\n", f)
			continue
		}
		n++
		fmt.Fprintln(std.out, stanza)
	}
	if len(found) == 0 {
		fmt.Fprintln(std.out, "no probe was found: is the bus enabled (on a Raspberry Pi: raspi-config, Interface Options), is the probe powered?")
	}
	if err != nil {
		return fmt.Errorf("some places could not be looked at: %w", err)
	}
	return nil
}
