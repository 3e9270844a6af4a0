package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"

	"github.com/spf13/cobra"

	"dewline/configs"
	"dewline/sensors/scan"
	"dewline/sensors/table"
)

// probesCommand looks on every bus and prints what is there, ready to paste.
func probesCommand() *cobra.Command {
	c := &cobra.Command{Use: "probes", Short: "look for connected probes and print their configuration", Args: words(0)}
	config := c.Flags().String("config", roomConfig, "the configuration `FILE` of a dewline that may be running")
	var o scan.Options
	c.Flags().StringVar(&o.Dev, "dev", "", "where device files are; default /dev")
	c.Flags().StringVar(&o.Sys, "sys", "", "where the kernel's directories are; default /sys")
	return does(c, func(ctx context.Context, _ []string, std stdio) error { return runProbes(ctx, *config, o, std) })
}

func runProbes(ctx context.Context, config string, o scan.Options, std stdio) error {
	cfg, _, err := table.LoadInForce(config)
	if err != nil {
		cfg = &configs.Config{}
	}
	if running(cfg) {
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

// serviceSocket is in a folder that the service manager makes for the service
// and removes with its end.
const serviceSocket = "/run/dewline/control.sock"

// running reports whether a daemon listens on one of the usual sockets.
func running(cfg *configs.Config) bool {
	for _, path := range []string{serviceSocket, controlPath("", cfg.Store.Dir)} {
		_, err := os.Stat(path)
		if err != nil {
			if notSeen(path, err) {
				return true
			}
			continue
		}
		c, err := net.DialTimeout("unix", path, connectWithin)
		if err == nil {
			_ = c.Close() // it was only knocked at
		}
		if listens(err) {
			return true
		}
	}
	return false
}

// notSeen reports whether a socket that could not be looked at is there all the
// same: the service's folder is, and closed to this user. A closed data
// directory says nothing.
func notSeen(path string, err error) bool {
	return path == serviceSocket && errors.Is(err, fs.ErrPermission)
}

// listens reads the outcome of knocking at a socket. A daemon that this user
// may not ask listens all the same.
func listens(err error) bool {
	return err == nil || errors.Is(err, fs.ErrPermission) || errors.Is(err, os.ErrDeadlineExceeded)
}
