package main

import (
	"context"
	"fmt"
	"io"
	"time"

	"dewline/alert"
	"dewline/alert/wire"
	"dewline/rules"
)

// An answerSpec is what one of the answering commands takes.
type answerSpec struct {
	name, synopsis string
	kind           rules.ActionKind
	timed          bool // takes --for
}

// answering returns the commands by which a person answers alarms on the
// daemon's own machine.
func answering() []command {
	specs := []struct {
		answerSpec
		summary string
	}{
		{answerSpec{"ack", "[--version N] NOTICE | ALARM SUBJECT", rules.Acknowledge, false}, "acknowledge a notice or an alarm"},
		{answerSpec{"shelve", "--for DURATION [--one-shot] ALARM SUBJECT", rules.Shelve, true}, "put an alarm away for a limited time"},
		{answerSpec{"unshelve", "ALARM SUBJECT", rules.Unshelve, false}, "take an alarm from the shelf"},
		{answerSpec{"reset", "ALARM SUBJECT", rules.Reset, false}, "let go of a latched alarm whose cause is over"},
		{answerSpec{"out-of-service", "--for DURATION | --until DATE SUBJECT", rules.TakeOut, true}, "take an enclosure or probe out of service, with an end"},
		{answerSpec{"in-service", "SUBJECT", rules.ReturnToService, false}, "put an enclosure or probe back into service"},
	}
	var out []command
	for _, s := range specs {
		spec := s.answerSpec
		out = append(out, command{spec.name, s.summary, func(ctx context.Context, args []string, std stdio) error {
			return runAnswer(ctx, spec, args, std)
		}})
	}
	return out
}

func runAnswer(ctx context.Context, spec answerSpec, args []string, std stdio) error {
	fs := newFlags(spec.name, spec.synopsis, std)
	cf := addControlFlags(fs)
	why := fs.String("why", "", "the reason, for the journal")
	c := alert.Command{Action: string(spec.kind)}
	var length time.Duration
	var until string
	if spec.timed {
		fs.DurationVar(&length, "for", 0, "how long, such as 10m or 72h")
	}
	switch spec.kind {
	case rules.TakeOut:
		fs.StringVar(&until, "until", "", "the end, as 2026-12-24 (its first moment here) or 2026-12-24T18:00:00Z")
	case rules.Acknowledge:
		fs.IntVar(&c.Version, "version", 0, "the version of the notice that is answered, as dewline alarms shows it; default what people were told so far")
	case rules.Shelve:
		fs.BoolVar(&c.OneShot, "one-shot", false, "take it from the shelf as soon as the alarm has come and gone")
	}
	if err := parse(fs, args, -1); err != nil {
		return err
	}
	c.By, c.Why = *cf.by, *why
	if err := spec.setEnd(&c, length, until); err != nil {
		return err
	}
	if !spec.setTarget(&c, fs.Args()) {
		fs.Usage()
		return usageError{fmt.Sprintf("dewline %s: takes %s", spec.name, spec.synopsis)}
	}
	ctl, err := cf.dial()
	if err != nil {
		return err
	}
	if err := ctl.post(ctx, "command", c, nil); err != nil {
		return err
	}
	fmt.Fprintln(std.out, "done")
	return nil
}

// setEnd sets how long an answer holds, which is given as a length or as an
// end.
func (spec answerSpec) setEnd(c *alert.Command, length time.Duration, until string) error {
	if until != "" {
		end, err := endDate(until)
		if err != nil || length != 0 {
			return usageError{fmt.Sprintf("dewline %s: write the end once, as --for 72h or as --until 2026-12-24", spec.name)}
		}
		c.Until = end
		return nil
	}
	if spec.timed && length <= 0 {
		return usageError{fmt.Sprintf("dewline %s: say how long with --for, such as --for 10m", spec.name)}
	}
	c.Minutes = length.Minutes()
	return nil
}

// setTarget sets what an answer is about, and reports whether args name it.
func (spec answerSpec) setTarget(c *alert.Command, args []string) bool {
	switch {
	case spec.kind == rules.Acknowledge && len(args) == 1:
		c.Notice = args[0]
	case (spec.kind == rules.TakeOut || spec.kind == rules.ReturnToService) && len(args) == 1:
		c.Subject = args[0]
	case len(args) == 2:
		c.Alarm, c.Subject = args[0], args[1]
	default:
		return false
	}
	return true
}

// endDate reads the end of being out of service: a moment, or the first moment
// of a day on this machine's clock.
func endDate(s string) (time.Time, error) {
	if t, err := time.Parse(time.RFC3339, s); err == nil {
		return t, nil
	}
	return time.ParseInLocation(time.DateOnly, s, time.Local)
}

// runAlarms lists what is open in the running daemon.
func runAlarms(ctx context.Context, args []string, std stdio) error {
	fs := newFlags("alarms", "", std)
	cf := addLookFlags(fs)
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	ctl, err := cf.dial()
	if err != nil {
		return err
	}
	var s wire.Room
	if err := ctl.get(ctx, "room", &s); err != nil {
		return err
	}
	if len(s.Notices) == 0 && len(s.Alarms) == 0 {
		fmt.Fprintln(std.out, "no alarm is open")
		return nil
	}
	for _, n := range s.Notices {
		answered := "unanswered"
		if n.Acknowledged {
			answered = "answered by " + n.AckedBy
		}
		fmt.Fprintf(std.out, "notice %s  version %d, %s, %s\n  %s\n", n.ID, n.Version, n.Priority, answered, n.Title)
	}
	for _, a := range s.Alarms {
		fmt.Fprintf(std.out, "%-6s %-6s %-16s %-18s %s\n", a.State, a.Priority, a.Alarm, a.Subject, a.Text)
	}
	return nil
}

// runDrill sends a test notice and waits until it was answered.
func runDrill(ctx context.Context, args []string, std stdio) error {
	fs := newFlags("drill", "[--person ID] [--wait DURATION]", std)
	cf := addControlFlags(fs)
	person := fs.String("person", "", "who is to be tested; default the first person")
	wait := fs.Duration("wait", 10*time.Minute, "how long to wait for the answer")
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	ctl, err := cf.dial()
	if err != nil {
		return err
	}
	var begun struct{ ID string }
	if err := ctl.post(ctx, "drill", map[string]string{"person": *person, "by": *cf.by}, &begun); err != nil {
		return err
	}
	fmt.Fprintf(std.out, "drill %s is on its way: acknowledge it on the phone\n", begun.ID)
	timed, cancel := context.WithTimeout(ctx, *wait)
	defer cancel()
	err = followDrill(timed, ctl, begun.ID, std.out)
	switch {
	case err == nil:
		return nil
	case ctx.Err() != nil:
		return fmt.Errorf("drill %s is still out: nobody waits for its answer any more", begun.ID)
	case timed.Err() != nil:
		return fmt.Errorf("drill %s was not acknowledged within %s", begun.ID, *wait)
	}
	return err
}

// followDrill prints how a drill goes until it is acknowledged.
func followDrill(ctx context.Context, ctl *control, id string, out io.Writer) error {
	ticker := time.NewTicker(time.Second)
	defer ticker.Stop()
	seen := map[string]bool{}
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-ticker.C:
		}
		var s wire.Room
		if err := ctl.get(ctx, "room", &s); err != nil {
			return err
		}
		if s.Drill == nil || s.Drill.ID != id {
			continue
		}
		for channel, after := range s.Drill.TakenSeconds {
			if !seen[channel] {
				seen[channel] = true
				fmt.Fprintf(out, "  %s took it over after %.1f s\n", channel, after)
			}
		}
		if s.Drill.Acknowledged {
			fmt.Fprintf(out, "  acknowledged by %s after %.1f s\n", s.Drill.AckedBy, s.Drill.AckedSeconds)
			return nil
		}
	}
}

// runNote writes a keeper's note about an enclosure.
func runNote(ctx context.Context, args []string, std stdio) error {
	fs := newFlags("note", "ENCLOSURE \"text\"", std)
	cf := addControlFlags(fs)
	if err := parse(fs, args, 2); err != nil {
		return err
	}
	ctl, err := cf.dial()
	if err != nil {
		return err
	}
	return ctl.post(ctx, "notes", map[string]string{"enclosure": fs.Arg(0), "by": *cf.by, "text": fs.Arg(1)}, nil)
}
