package main

import (
	"cmp"
	"context"
	"fmt"
	"net/url"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	text "dewline/alert/words"
	"dewline/configs"
	"dewline/configs/unit"
	"dewline/rules"
	"dewline/rules/climate"
)

func whatIfCommand() *cobra.Command {
	c := &cobra.Command{Use: "whatif --room TEMPERATURE", Short: "ask what a room's temperature would do to every enclosure", Args: words(0)}
	ctl := addLook(c.Flags())
	room := c.Flags().String("room", "", "the room's `TEMPERATURE` from now on, such as \"33 °C\", 33C or 91F")
	rh := c.Flags().String("rh", "", "the room's relative `HUMIDITY`, such as 60 or \"60 %\"; left out it is not known")
	lamps := c.Flags().String("lamps", "", "hold the lamps `on|off`; default as they are now")
	return does(c, func(ctx context.Context, _ []string, std stdio) error {
		return runWhatIf(ctx, ctl, *room, *rh, *lamps, std)
	})
}

func runWhatIf(ctx context.Context, ctl *control, room, rh, lamps string, std stdio) error {
	var t configs.Celsius
	if err := t.UnmarshalText([]byte(room)); err != nil {
		return usagef("--room %q: %w", room, err)
	}
	room = strings.TrimSpace(room)
	as := unit.Scale(strings.HasSuffix(room, "F") || strings.HasSuffix(room, "℉")) // answered as it was asked
	q := url.Values{"room": {strconv.FormatFloat(float64(t), 'f', 2, 64)}}
	if rh != "" {
		var p configs.Percent
		if err := p.UnmarshalText([]byte(strings.TrimSuffix(strings.TrimSpace(rh), "%") + "%")); err != nil || p <= 0 {
			return usagef("--rh %q: write a relative humidity above 0 and at most 100, such as 60", rh)
		}
		q.Set("rh", strconv.FormatFloat(float64(p), 'f', 2, 64))
	}
	switch lamps {
	case "":
	case "on", "off":
		q.Set("lamps", lamps)
	default:
		return usagef("--lamps is on or off, not %q", lamps)
	}
	var ps []rules.Prospect
	if err := ctl.get(ctx, "whatif?"+q.Encode(), &ps); err != nil {
		return err
	}
	w := tabwriter.NewWriter(std.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "enclosure\tplace\tnow\tpeak in 24 h\tlethal limit\tto the lethal limit\t\tair blown in\t")
	for _, p := range ps {
		fmt.Fprintf(w, "%s\t%s\t%s\n", p.Enclosure, cmp.Or(configs.PlaceWords(p.Rack, p.Shelf, p.Slot), "-"), prospect(p, as))
	}
	if err := w.Flush(); err != nil {
		return fmt.Errorf("print the answer: %w", err)
	}
	if len(ps) > 0 && ps[0].WetBulb != nil {
		wet := float64(*ps[0].WetBulb)
		fmt.Fprintf(std.out, "Such air cools what is wet to %s, its wet bulb: blown in, it helps an enclosure of %s or more.\n",
			text.Degrees(wet, as), text.Degrees(climate.VentsFrom(wet), as))
	} else if len(ps) > 0 {
		fmt.Fprintln(std.out, "The room's humidity is not known, and so not whether to open or to keep shut; give it with --rh.")
	}
	fmt.Fprintln(std.out, "A forecast is no promise, and no time in the heat is safe.")
	return nil
}

// prospect returns the figures of one enclosure as the rest of its line.
func prospect(p rules.Prospect, as unit.Scale) string {
	if p.Now == nil || p.Peak == nil {
		return "not known: no probe delivers\t\t\t\t\t"
	}
	to := "not within 24 h"
	if p.ToLethal != nil {
		if to = "there now"; *p.ToLethal > 0 {
			to = text.Span(p.ToLethal.D().Round(time.Minute))
		}
	}
	model := "by usual figures"
	if p.Learned {
		model = "learned"
	}
	now := text.Figure{Value: *p.Now, Unit: "°C", Lethal: p.Lethal}.Text(as)
	peak := text.Figure{Value: float64(*p.Peak), Unit: "°C", Lethal: p.Lethal}.Text(as)
	return fmt.Sprintf("%s\t%s\t%s\t%s\t%s\t%s", now.Value, peak.Value, peak.Lethal, to, model, text.Blown(p.BlownIn))
}
