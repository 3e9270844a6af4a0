package main

import (
	"context"
	"fmt"
	"os"

	"dewline/cmd/dewline/daemon"
	"dewline/configs"
)

// runSentinel watches rooms from a second machine.
func runSentinel(ctx context.Context, args []string, std stdio) error {
	fs := newFlags("sentinel", "--config FILE [--data DIR] [--control PATH]", std)
	path := fs.String("config", "/etc/dewline/sentinel.toml", "the configuration `FILE`, with [sentinel], [mqtt] and people")
	dir := fs.String("data", os.Getenv("STATE_DIRECTORY"), "data `DIR`; default $STATE_DIRECTORY, then store.dir")
	control := fs.String("control", "", "path of the control socket; default control.sock in $RUNTIME_DIRECTORY or the data directory")
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	cfg, refused, err := configs.LoadInForce(*path)
	if err != nil {
		return usageError{err.Error()}
	}
	log := newLogger(std, false)
	if len(refused) > 0 {
		log.Error("the configuration has faults that dewline check refuses; rooms are watched with it all the same", "file", *path, "faults", refused.Error())
	}
	if len(cfg.Sentinel.Rooms) == 0 {
		return usageError{*path + ": name the rooms to watch, as in [sentinel] rooms = [\"attic\"]"}
	}
	if *dir == "" {
		*dir = cfg.Store.Dir
	}
	if err := os.MkdirAll(*dir, 0o700); err != nil {
		return fmt.Errorf("make the data directory: %w", err)
	}
	return daemon.RunSentinel(ctx, daemon.SentinelOptions{
		Config: cfg, Dir: *dir, ControlPath: controlPath(*control, *dir), Version: version, Log: log,
	})
}
