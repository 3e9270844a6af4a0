package main

import (
	"cmp"
	"context"
	"fmt"
	"log/slog"
	"os"

	"github.com/spf13/cobra"

	"dewline/cmd/dewline/daemon"
	"dewline/sensors/table"
)

func sentinelCommand() *cobra.Command {
	c := &cobra.Command{Use: "sentinel", Short: "watch rooms from a second machine, tell when one is silent", Args: words(0)}
	path := c.Flags().String("config", "/etc/dewline/sentinel.toml", "the configuration `FILE`, with [sentinel], [mqtt] and people")
	dir, control := addDaemonFlags(c.Flags())
	return does(c, func(ctx context.Context, _ []string, std stdio) error {
		return runSentinel(ctx, *path, *dir, *control, newLogger(std, false))
	})
}

func runSentinel(ctx context.Context, path, dir, control string, log *slog.Logger) error {
	cfg, refused, err := table.LoadInForce(path)
	if err != nil {
		return configError{err}
	}
	if len(refused) > 0 {
		log.Error("the configuration has faults that dewline check refuses; rooms are watched with it all the same", "file", path, "faults", refused.Error())
	}
	if len(cfg.Sentinel.Rooms) == 0 {
		return configError{fmt.Errorf("%s: name the rooms to watch, as in [sentinel] rooms = [\"attic\"]", path)}
	}
	dir = cmp.Or(dir, cfg.Store.Dir)
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return fmt.Errorf("make the data directory: %w", err)
	}
	return daemon.RunSentinel(ctx, daemon.SentinelOptions{
		Config: cfg, Dir: dir, ControlPath: controlPath(control, dir), Version: version, Log: log,
	})
}
