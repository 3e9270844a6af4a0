package main

import (
	"errors"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// rootCommand is where help, completion and the man pages come from.
func rootCommand(std stdio) *cobra.Command {
	root := &cobra.Command{
		Use:   "dewline",
		Short: "early warning for rooms of planted enclosures",
		Long: `dewline: early warning for rooms of planted enclosures

dewline watches and warns. It is no safety device, and its limits are
defaults, not veterinary advice.`,
		SilenceErrors: true, SilenceUsage: true, DisableAutoGenTag: true,
	}
	root.SetIn(std.in)
	root.SetOut(std.out)
	root.SetErr(std.err)
	tell := root.Flags().Bool("version", false, "print the version")
	root.RunE = func(c *cobra.Command, _ []string) error {
		if *tell {
			return printVersion(c.OutOrStdout())
		}
		return c.Help()
	}
	root.SetFlagErrorFunc(func(c *cobra.Command, err error) error {
		if bad, ok := errors.AsType[*pflag.InvalidValueError](err); ok {
			return usagef("--%s %q is %s", bad.GetFlag().Name, bad.GetValue(), notA(bad.GetFlag().Value.Type()))
		}
		return usagef("%w; %s --help lists the flags", err, c.CommandPath())
	})
	for _, g := range []struct {
		title    string
		commands []*cobra.Command
	}{
		{"Watch:", []*cobra.Command{runCommand(), sentinelCommand(), demoCommand()}},
		{"Prepare and try:", []*cobra.Command{checkCommand(), probesCommand(), calibrateCommand(), tokenCommand(), drillCommand(), replayCommand()}},
		{"Ask and answer:", []*cobra.Command{alarmCommand(), commandCommand(), noteCommand(), whatIfCommand(), summaryCommand()}},
		{"The record:", []*cobra.Command{
			journalCommand(), exportCommand(), importCommand(), backupCommand(), restoreCommand(), repairCommand(),
		}},
	} {
		root.AddGroup(&cobra.Group{ID: g.title, Title: g.title})
		for _, c := range g.commands {
			c.GroupID = g.title
			root.AddCommand(c)
		}
	}
	root.AddCommand(versionCommand())
	root.InitDefaultCompletionCmd()
	root.InitDefaultHelpCmd()
	return root
}

// notA says what the value of a flag of that type should have been.
func notA(kind string) string {
	switch kind {
	case "duration":
		return "no length of time; write for example 90s, 15m or 24h"
	case "float64":
		return "no number; write for example 600"
	case "uint", "uint64", "int":
		return "no whole number of 0 or more; write for example 1"
	case "bool":
		return "neither true nor false; leave the value out"
	}
	return "no " + kind
}

// resolve finds the command that args name, and writes them as the library reads
// them: "help ack" is "ack --help", and what worked before still does, for one
// version, without being listed.
func resolve(root *cobra.Command, args []string) (*cobra.Command, []string, error) {
	if len(args) > 0 && strings.HasPrefix(args[0], "__") { // the shell asks for completions
		return root, args, nil
	}
	if len(args) > 0 && args[0] == "help" {
		args = append(slices.Clone(args[1:]), "--help")
	}
	now := renamed(args)
	c, rest, _ := root.Find(now) // that a word is unknown is told below
	if len(now) > len(args) {
		root.PrintErrf("dewline %s is %s now; the old word goes with the next version\n", args[0], c.CommandPath())
	}
	if c.HasSubCommands() {
		if i := slices.IndexFunc(rest, func(word string) bool { return !strings.HasPrefix(word, "-") }); i >= 0 {
			return c, nil, unknown(c, rest[i])
		}
	}
	path := strings.Fields(c.CommandPath())[1:]
	return c, append(path, plain(c, rest)...), nil
}

// renamed puts the words of the last version's commands right.
func renamed(args []string) []string {
	if len(args) == 0 {
		return []string{}
	}
	switch args[0] {
	case "ack", "shelve", "unshelve", "reset", "out-of-service", "in-service":
		return append([]string{"alarm"}, args...)
	case "alarms":
		return append([]string{"alarm", "list"}, args[1:]...)
	}
	return args
}

func unknown(c *cobra.Command, word string) error {
	hint := ""
	c.SuggestionsMinimumDistance = 2 // letters
	if near := c.SuggestionsFor(word); len(near) > 0 {
		hint = ", did you mean " + strings.Join(near, " or ")
	}
	return usagef("there is no command %q%s; %s --help lists them all", word, hint, c.CommandPath())
}

// plain writes args with two dashes before every flag: the last version took
// one as well. The text of a note may begin with a dash too, such as
// "- two froglets moved"; it goes to the end, behind --.
func plain(c *cobra.Command, args []string) []string {
	c.InitDefaultHelpFlag()
	var out, texts []string
	i := 0
	for ; i < len(args) && args[i] != "--"; i++ {
		name, _, valued := strings.Cut(strings.TrimLeft(args[i], "-"), "=")
		switch f := c.Flags().Lookup(name); {
		case !strings.HasPrefix(args[i], "-"):
			out = append(out, args[i])
		case strings.Contains(name, " "):
			texts = append(texts, args[i])
		case f == nil || len(name) == 1:
			out = append(out, args[i])
		default:
			out = append(out, "--"+strings.TrimLeft(args[i], "-"))
			if !valued && f.NoOptDefVal == "" && i+1 < len(args) {
				i++
				out = append(out, args[i])
			}
		}
	}
	texts = append(texts, args[min(i+1, len(args)):]...)
	if len(texts) > 0 {
		out = append(append(out, "--"), texts...)
	}
	return out
}
