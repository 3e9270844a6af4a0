package main

import (
	"context"
	"fmt"

	"dewline/configs"
)

// runCheck reads a configuration and says everything that is wrong with it.
func runCheck(ctx context.Context, args []string, std stdio) error {
	fs := newFlags("check", "--config FILE [--limits] [--probes]", std)
	path := fs.String("config", "/etc/dewline/dewline.toml", "the room's configuration `FILE`")
	limits := fs.Bool("limits", false, "print the limits in force for every enclosure")
	probes := fs.Bool("probes", false, "read every probe three times")
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	cfg, err := configs.Load(*path)
	if err != nil {
		return usageError{err.Error()}
	}
	for _, w := range cfg.Warnings {
		fmt.Fprintf(std.out, "note: %s\n", w)
	}
	fmt.Fprintf(std.out, "%s: no fault; %d enclosures, %d probes\n", *path, len(cfg.Enclosures), len(cfg.Probes))
	if *limits {
		if err := configs.FormatLimits(std.out, cfg); err != nil {
			return fmt.Errorf("print the limits: %w", err)
		}
	}
	if *probes {
		return checkProbes(ctx, cfg, std)
	}
	return nil
}
