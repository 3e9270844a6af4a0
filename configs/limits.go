package configs

import (
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"time"
	"unicode/utf8"
)

// FormatLimits writes the limits in force for every enclosure on the day of now as
// text, after species, stage and the enclosure's own values are applied.
func FormatLimits(w io.Writer, c *Config, now time.Time) error {
	now = c.local(now)
	var b strings.Builder
	wrap(&b, fmt.Sprintf("Limits in force in room %q on %s.", c.Room.Name, now.Format("2 January 2006")), "  ")
	b.WriteString("Each is a default, not veterinary advice, and can be changed.\n")
	used := map[Grade]bool{}
	for _, e := range c.Enclosures {
		c.formatEnclosure(&b, e, now, used)
	}
	b.WriteString("\nSources:\n")
	sources := Sources()
	for _, g := range slices.Sorted(maps.Keys(used)) {
		wrap(&b, fmt.Sprintf("  [%s] %s", g, sources[g]), "      ")
	}
	if _, err := io.WriteString(w, b.String()); err != nil {
		return fmt.Errorf("write the limits in force: %w", err)
	}
	return nil
}

// age says how long froglets have been out of the water, by days.
func age(days int) string {
	switch weeks := days / 7; {
	case days < 0:
		return ", out of the water only in " + Count(-days, "day") + ": is out_of_water right?"
	case weeks == 0:
		return " " + Count(days, "day") + " out of the water"
	default:
		return " " + Count(weeks, "week") + " out of the water"
	}
}

// Count writes a number of things, which are one or many.
func Count[N int | int64 | uint64](n N, one string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %ss", n, one)
}

// formatEnclosure grades each limit by its source.
func (c *Config) formatEnclosure(b *strings.Builder, e Enclosure, now time.Time, used map[Grade]bool) {
	s := c.SpeciesOn(e, now)
	graded := func(cell Cell, format string, args ...any) string {
		used[s.Grade(cell)] = true
		return fmt.Sprintf(format, args...) + fmt.Sprintf(" [%s]", s.Grade(cell))
	}
	humidity := "no floor"
	if s.Floor > 0 {
		humidity = graded(CellFloor, "floor %s", s.Floor) + graded(CellDry, ", urgent under %s", s.Dry)
	}
	drop := ", no night drop wanted"
	if s.DropMin > 0 {
		drop = graded(CellDrop, ", night drop %s or more", s.DropMin)
	}
	if s.Tolerated != (Band{}) {
		drop += graded(CellTolerated, ", at any hour no excursion at %s", s.Tolerated)
	}
	b.WriteByte('\n')
	title := fmt.Sprintf("%s (%s): %s, %s", e.ID, e.Name, s.Name, e.Stage)
	if e.OutOfWater != (Date{}) {
		title += age(e.OutOfWater.daysUntil(now))
	}
	if place := PlaceWords(e.Rack, e.Shelf, e.Slot); place != "" {
		title += ", " + place
	}
	wrap(b, title, "  ")
	for _, line := range [][2]string{
		{"heat", graded(CellWarn, "worth a look %s", s.Warn) + graded(CellAct, ", act now %s", s.Act) + graded(CellLethal, ", lethal limit %s", s.Lethal)},
		{"cold", graded(CellCool, "worth a look %s", s.Cool) + graded(CellCold, ", act now %s", s.Cold)},
		{"band", graded(CellDay, "day %s", s.Day) + graded(CellNight, ", night %s", s.Night) + drop},
		{"humidity", humidity},
		{"exposure", graded(CellExposure, "counts above %s, reference %s at %s, tenfold per %s; a relative dose, never a safe time",
			s.Boundary, s.ReferenceTime, s.ReferenceTemp, s.TenfoldPer)},
		{"schedule", c.formatLamps(e) + ", " + c.formatMist(e, now) + c.formatSeason(e, now)},
		{"source", s.Source},
	} {
		if line[1] != "" {
			wrap(b, fmt.Sprintf("  %-9s %s", line[0], line[1]), "            ")
		}
	}
}

// columns is how wide a terminal is that nobody has widened.
const columns = 80

// wrap breaks text at its spaces and indents what follows.
func wrap(b *strings.Builder, text, indent string) {
	for utf8.RuneCountInString(text) > columns {
		head := string([]rune(text)[:columns+1])
		at := strings.LastIndexByte(head, ' ')
		if at <= len(indent) {
			break // one long word
		}
		b.WriteString(text[:at] + "\n")
		text = indent + strings.TrimLeft(text[at:], " ")
	}
	b.WriteString(text + "\n")
}

// PlaceWords says where an enclosure stands, as far as the keeper has.
func PlaceWords(rack string, shelf, slot int) string {
	var parts []string
	if rack != "" {
		parts = append(parts, RackWords(rack))
	}
	if shelf > 0 {
		parts = append(parts, fmt.Sprintf("shelf %d", shelf))
	}
	if slot > 0 {
		parts = append(parts, fmt.Sprintf("slot %d", slot))
	}
	return strings.Join(parts, ", ")
}

// RackWords names a rack, whose id may say already that it is one.
func RackWords(rack string) string {
	if strings.HasPrefix(strings.ToLower(rack), "rack") {
		return rack
	}
	return "rack " + rack
}

func (c *Config) formatLamps(e Enclosure) string {
	if l, ok := c.LampsOf(e); ok {
		return "lamps on " + l.On.String()
	}
	return "no lamp schedule"
}

// formatSeason says which season holds, and that its limits are on their way.
func (c *Config) formatSeason(e Enclosure, now time.Time) string {
	s, ok := c.SeasonOn(e, now)
	switch was, before := c.SeasonOn(e, now.AddDate(0, 0, 1-rampDays)); {
	case ok && before && was.ID == s.ID:
		return fmt.Sprintf(", season %s until %s", s.ID, s.To)
	case ok:
		return fmt.Sprintf(", season %s until %s, its limits come in over %d days", s.ID, s.To, rampDays)
	case before:
		return fmt.Sprintf(", season %s is over, its limits leave over %d days", was.ID, rampDays)
	}
	return ""
}

func (c *Config) formatMist(e Enclosure, now time.Time) string {
	m, ok := c.MistOf(e)
	if !ok {
		return "no misting schedule"
	}
	var times []string
	for _, t := range m.TimesOn(YearDayOf(now)) {
		times = append(times, t.String())
	}
	return "mist at " + strings.Join(times, ", ")
}
