package configs

import (
	"fmt"
	"io"
	"strings"
)

// FormatLimits writes the limits in force for every enclosure as text, after
// species, stage and the enclosure's own values are applied.
func FormatLimits(w io.Writer, c *Config) error {
	var b strings.Builder
	fmt.Fprintf(&b, "Limits in force in room %q. Each is a default, not veterinary advice, and can be changed.\n", c.Room.Name)
	for _, e := range c.Enclosures {
		c.formatEnclosure(&b, e)
	}
	if _, err := io.WriteString(w, b.String()); err != nil {
		return fmt.Errorf("write the limits in force: %w", err)
	}
	return nil
}

// formatEnclosure writes one enclosure, worst limits first.
func (c *Config) formatEnclosure(b *strings.Builder, e Enclosure) {
	s := c.SpeciesFor(e)
	fmt.Fprintf(b, "\n%s (%s): %s, %s%s\n", e.ID, e.Name, s.Name, e.Stage, place(e))
	fmt.Fprintf(b, "  heat      worth a look %s, act now %s, lethal ceiling %s\n", s.Warn, s.Act, s.Ceiling)
	fmt.Fprintf(b, "  cold      worth a look %s, act now %s\n", s.Cool, s.Cold)
	fmt.Fprintf(b, "  band      day %s, night %s, night drop %s to %s\n", s.Day, s.Night, s.DropMin, s.DropMax)
	if s.Floor > 0 {
		fmt.Fprintf(b, "  humidity  floor %s, urgent under %s\n", s.Floor, s.Dry)
	} else {
		fmt.Fprintf(b, "  humidity  no floor\n")
	}
	fmt.Fprintf(b, "  exposure  counts above %s, reference %s at %s, tenfold per %s; a relative dose, never a safe time\n",
		s.Boundary, s.ReferenceTime, s.ReferenceTemp, s.TenfoldPer)
	fmt.Fprintf(b, "  schedule  %s, %s\n", c.formatLamps(e), c.formatMist(e))
	fmt.Fprintf(b, "  source    %s%s\n", s.Source, ownLimits(e))
}

// ownLimits names what the enclosure itself overrides.
func ownLimits(e Enclosure) string {
	var own []string
	if e.Ceiling != nil {
		own = append(own, "ceiling "+e.Ceiling.String())
	}
	if e.Floor != nil {
		own = append(own, "floor "+e.Floor.String())
	}
	if len(own) == 0 {
		return ""
	}
	return "; set for this enclosure: " + strings.Join(own, ", ")
}

func place(e Enclosure) string {
	if e.Rack == "" {
		return ""
	}
	return fmt.Sprintf(", rack %s shelf %d slot %d", e.Rack, e.Shelf, e.Slot)
}

func (c *Config) formatLamps(e Enclosure) string {
	if l, ok := c.LampsOf(e); ok {
		return "lamps on " + l.On.String()
	}
	return "no lamp schedule"
}

func (c *Config) formatMist(e Enclosure) string {
	m, ok := c.MistOf(e)
	if !ok {
		return "no misting schedule"
	}
	times := make([]string, len(m.Times))
	for i, t := range m.Times {
		times[i] = t.String()
	}
	return "mist at " + strings.Join(times, ", ")
}
