package main

import (
	"context"
	"fmt"
	"io"
	"time"

	"dewline/alert/wire"

	"github.com/spf13/cobra"
)

func drillCommand() *cobra.Command {
	c := &cobra.Command{Use: "drill", Short: "send a test notice and wait for its answer", Args: words(0)}
	ctl := addControl(c.Flags())
	person := c.Flags().String("person", "", "`ID` of who is to be tested; default the first person")
	wait := c.Flags().Duration("wait", 10*time.Minute, "how long to wait for the answer")
	return does(c, func(ctx context.Context, _ []string, std stdio) error {
		return runDrill(ctx, ctl, *person, *wait, std.out)
	})
}

func runDrill(ctx context.Context, ctl *control, person string, wait time.Duration, out io.Writer) error {
	var begun struct{ ID string }
	if err := ctl.post(ctx, "drill", map[string]string{"person": person, "by": ctl.by}, &begun); err != nil {
		return err
	}
	fmt.Fprintf(out, "drill %s is on its way: acknowledge it on the phone\n", begun.ID)
	timed, cancel := context.WithTimeout(ctx, wait)
	defer cancel()
	err := followDrill(timed, ctl, begun.ID, out)
	switch {
	case err == nil:
		return nil
	case ctx.Err() != nil:
		return fmt.Errorf("drill %s is still out: nobody waits for its answer any more", begun.ID)
	case timed.Err() != nil:
		return fmt.Errorf("drill %s was not acknowledged within %s", begun.ID, wait)
	}
	return err
}

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
