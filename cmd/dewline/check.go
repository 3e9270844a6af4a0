package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"dewline/alert/webhook"
	"dewline/cmd/dewline/daemon"
	"dewline/configs"
	"dewline/sensors/table"
)

func checkCommand() *cobra.Command {
	c := &cobra.Command{Use: "check", Short: "check a configuration and say everything that is wrong", Args: words(0)}
	path := roomFlag(c)
	limits := c.Flags().Bool("limits", false, "print the limits in force today for every enclosure, with the grade of each source")
	ways := c.Flags().Bool("ways", false, "read secrets and certificates and build every channel, without connecting; run it as the service's user")
	probes := c.Flags().Bool("probes", false, "read every probe three times")
	return does(c, func(ctx context.Context, _ []string, std stdio) error {
		return runCheck(ctx, *path, *limits, *ways, *probes, std)
	})
}

func runCheck(ctx context.Context, path string, limits, ways, probes bool, std stdio) error {
	cfg, err := table.Load(path)
	if err != nil {
		return configError{err}
	}
	text, err := os.ReadFile(path)
	if err != nil {
		text = nil // gone since: the section's name must do
	}
	if err := checkTemplates(cfg, path, text); err != nil {
		return err
	}
	for _, w := range cfg.Warnings {
		fmt.Fprintf(std.out, "note: %s\n", w)
	}
	if err := daemon.Watchable(cfg); err != nil {
		fmt.Fprintf(std.out, "note: %s: dewline run will refuse this: %s\n", path, strings.ReplaceAll(err.Error(), "\n", "; "))
	}
	for _, file := range configs.SecretPaths(cfg, secretsDir) {
		if info, err := os.Stat(file); err == nil && info.Mode().Perm()&0o007 != 0 {
			fmt.Fprintf(std.out, "note: %s: the secret file %s is readable by all (mode %04o) and will not be used: chmod 600 %s\n", path, file, info.Mode().Perm(), file)
		}
	}
	if ways {
		if err := checkWays(cfg, path, text, std); err != nil {
			return err
		}
	}
	fmt.Fprintf(std.out, "%s: no fault; %s, %s\n", path, configs.Count(len(cfg.Enclosures), "enclosure"), configs.Count(len(cfg.Probes), "probe"))
	printDuty(cfg, time.Now(), std)
	if limits {
		if err := configs.FormatLimits(std.out, cfg, time.Now()); err != nil {
			return fmt.Errorf("print the limits: %w", err)
		}
	}
	if probes {
		return checkProbes(ctx, cfg, std)
	}
	return nil
}

func printDuty(cfg *configs.Config, now time.Time, std stdio) {
	if len(cfg.Duties) == 0 {
		return
	}
	for _, t := range cfg.Turns(now, 7*24*time.Hour) {
		fmt.Fprintf(std.out, "on duty from %s: %s\n", t.From.In(cfg.Room.Location).Format("Mon 2006-01-02 15:04"), cmp.Or(t.Person, "nobody named; the order of [[person]]"))
	}
}

// checkTemplates tries the webhooks' templates, whose words only their sender
// knows: a wrong one would be found out by the first notice.
func checkTemplates(cfg *configs.Config, path string, text []byte) error {
	var faults []string
	for _, w := range cfg.Webhooks {
		if w.Template == "" {
			continue
		}
		if _, err := webhook.ParseTemplate(w.Template); err != nil {
			line, col := configs.PlaceOf(text, "webhook "+w.ID, "template")
			faults = append(faults, fmt.Sprintf("%s:%d:%d: webhook %q: %v; write a Go text/template over the notice's fields, such as {{.Title}} or {{json .Text}}",
				path, line, col, w.ID, err))
		}
	}
	return faulty(faults)
}

// faulty is the error of a configuration with these faults, nil for none.
func faulty(faults []string) error {
	if len(faults) == 0 {
		return nil
	}
	return configError{errors.New(strings.Join(faults, "\n"))}
}

func checkWays(cfg *configs.Config, path string, text []byte, std stdio) error {
	var faults []string
	for _, f := range daemon.CheckWays(cfg, time.Now()) {
		line, _ := configs.PlaceOf(text, f.Section, "")
		told := fmt.Sprintf("%s:%d:1: [%s] %s", path, line, f.Section, f.What)
		if f.Note {
			fmt.Fprintf(std.out, "note: %s\n", told)
			continue
		}
		faults = append(faults, told)
	}
	return faulty(faults)
}
