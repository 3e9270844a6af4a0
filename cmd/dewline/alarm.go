package main

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"dewline/alert"
	"dewline/alert/wire"
	text "dewline/alert/words"
	"dewline/rules"
)

func alarmCommand() *cobra.Command {
	c := &cobra.Command{Use: "alarm", Short: "list and answer the alarms of the running daemon"}
	list := &cobra.Command{Use: "list", Short: "list what is open", Args: words(0)}
	ctl := addLook(list.Flags())
	c.AddCommand(does(list, func(ctx context.Context, _ []string, std stdio) error { return listAlarms(ctx, ctl, std.out) }))
	for _, spec := range answerSpecs() {
		c.AddCommand(answerCommand(spec, addAnswer))
	}
	return c
}

// addAnswer hands what a person asks to the running daemon.
func addAnswer(fs *pflag.FlagSet) (by *string, deliver deliverFunc) {
	ctl := addControl(fs)
	return &ctl.by, func(ctx context.Context, c alert.Command, std stdio) error {
		var reply alert.Reply
		if err := ctl.post(ctx, "command", c, &reply); err != nil {
			return err
		}
		fmt.Fprintln(std.out, cmp.Or(reply.Note, "done"))
		return nil
	}
}

// answerSpecs are all that a person can ask about alarms.
func answerSpecs() []answerSpec {
	return []answerSpec{
		{"ack", "[--version N] NOTICE | ALARM SUBJECT", "acknowledge a notice or an alarm", rules.Acknowledge, false},
		{"shelve", "--for DURATION ALARM SUBJECT", "put an alarm away for a limited time", rules.Shelve, true},
		{"unshelve", "ALARM SUBJECT", "take an alarm from the shelf", rules.Unshelve, false},
		{"reset", "ALARM SUBJECT", "let go of an alarm that is over and kept until somebody looked", rules.Reset, false},
		{"out-of-service", "[--empty] --for DURATION | --until DATE SUBJECT", "take an enclosure or probe out of service, with an end; lethal heat still wakes unless it is --empty", rules.TakeOut, true},
		{"in-service", "SUBJECT", "put an enclosure or probe back into service", rules.ReturnToService, false},
		{"duty", "--for DURATION | --until DATE PERSON", "put a person on duty: told first of what wakes, with an end, which everybody hears of", alert.Duty, true},
		{"duty-over", "", "let the turns of the configuration hold again", alert.DutyOver, false},
	}
}

type answerSpec struct {
	name, synopsis, summary string
	kind                    rules.ActionKind
	timed                   bool // takes --for
}

type deliverFunc func(ctx context.Context, c alert.Command, std stdio) error

func answerCommand(spec answerSpec, way func(*pflag.FlagSet) (by *string, deliver deliverFunc)) *cobra.Command {
	c := &cobra.Command{Use: spec.name + " " + spec.synopsis, Short: spec.summary}
	fs := c.Flags()
	by, deliver := way(fs)
	why := fs.String("why", "", "the reason, for the journal")
	cmd := alert.Command{Action: string(spec.kind)}
	var length time.Duration
	var until string
	if spec.timed {
		fs.DurationVar(&length, "for", 0, "how long, such as 10m or 72h")
	}
	switch spec.kind {
	case rules.TakeOut:
		fs.BoolVar(&cmd.Empty, "empty", false, "nobody lives in it: no lethal heat is told either")
		fallthrough
	case alert.Duty:
		fs.StringVar(&until, "until", "", "the end, as 2026-12-24 (its first moment here) or 2026-12-24T18:00:00Z")
	case rules.Acknowledge:
		fs.IntVar(&cmd.Version, "version", 0, "the version of the notice that is answered, as dewline alarm list shows it; default what people were told so far")
	case rules.Shelve:
		fs.BoolVar(&cmd.OneShot, "one-shot", false, "take it from the shelf as soon as the alarm has come and gone")
	}
	return does(c, func(ctx context.Context, words []string, std stdio) error {
		cmd.By, cmd.Why = *by, *why
		if err := spec.setEnd(&cmd, length, until); err != nil {
			return err
		}
		if !spec.setTarget(&cmd, words) {
			return usagef("takes %s", spec.synopsis)
		}
		return deliver(ctx, cmd, std)
	})
}

func (spec answerSpec) setEnd(c *alert.Command, length time.Duration, until string) error {
	if until != "" {
		end, err := parseTime(until, time.Local)
		if err != nil || length != 0 {
			return usagef("write the end once, as --for 72h or as --until 2026-12-24")
		}
		c.Until = end
		return nil
	}
	if spec.timed && length <= 0 {
		return usagef("say how long with --for, such as --for 10m")
	}
	c.Minutes = length.Minutes()
	return nil
}

// setTarget sets what an answer is about, and reports whether args name it.
func (spec answerSpec) setTarget(c *alert.Command, args []string) bool {
	ofSubject := spec.kind == rules.TakeOut || spec.kind == rules.ReturnToService || spec.kind == alert.Duty
	switch {
	case spec.kind == alert.DutyOver:
		return len(args) == 0
	case spec.kind == rules.Acknowledge && len(args) == 1:
		c.Notice = args[0]
	case ofSubject && len(args) == 1:
		c.Subject = args[0]
	case !ofSubject && len(args) == 2:
		c.Alarm, c.Subject = args[0], args[1]
	default:
		return false
	}
	return true
}

func listAlarms(ctx context.Context, ctl *control, out io.Writer) error {
	var s wire.Room
	if err := ctl.get(ctx, "room", &s); err != nil {
		return err
	}
	if len(s.Notices) == 0 && len(s.Alarms) == 0 {
		fmt.Fprintln(out, "no alarm is open")
		return nil
	}
	for _, n := range s.Notices {
		answered := "unanswered"
		if n.Acknowledged {
			answered = "answered by " + n.AckedBy
		}
		fmt.Fprintf(out, "notice %s  version %d, %s, %s\n  %s\n", n.ID, n.Version, n.Priority, answered, n.Title)
	}
	for _, a := range s.Alarms {
		said := a.Text
		if age := time.Duration(a.TextAge); age >= time.Minute { // of a value that may be another by now
			said = text.Span(age) + " ago: " + said
		}
		fmt.Fprintf(out, "%-16s %-6s %-16s %-18s %s\n", text.State(a.State), a.Priority, a.Alarm, a.Subject, said)
	}
	return nil
}
