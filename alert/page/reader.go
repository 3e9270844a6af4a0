package page

import (
	"cmp"
	"html/template"
	"math"
	"reflect"
	"strings"
	"time"

	"dewline/alert"
	"dewline/alert/words"
	"dewline/configs/unit"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// A reader is who a page is made for: templates write quantities, moments and subjects by it.
type reader struct {
	in    *time.Location
	scale unit.Scale
	snap  *alert.Snapshot
}

// When writes a moment: the time of day, with the date where it is another day.
func (r reader) When(t time.Time) string {
	t, now := t.In(r.in), r.snap.At.Wall.In(r.in)
	if y, d := t.Year(), t.YearDay(); y == now.Year() && d == now.YearDay() {
		return t.Format("15:04")
	}
	if now.Sub(t) < 300*24*time.Hour && t.Before(now) {
		return t.Format("Mon 2 Jan 15:04")
	}
	return t.Format("2 Jan 2006 15:04")
}

// Date writes a day of the last months, Day one of any year.
func (r reader) Date(t time.Time) string { return t.In(r.in).Format("Mon 2 Jan") }

// Day writes the day of a moment with its year.
func (r reader) Day(t time.Time) string { return t.In(r.in).Format("2 Jan 2006") }

// Degrees writes a temperature in °C, or what a pointer to one holds.
func (r reader) Degrees(celsius any) string { return words.Degrees(float(celsius), r.scale) }

// Range writes two temperatures without their unit.
func (r reader) Range(low, high float64) string {
	return words.Bare(low, r.scale) + "–" + words.Bare(high, r.scale)
}

// Steps writes a difference of temperatures.
func (r reader) Steps(kelvins any) string { return words.Steps(float(kelvins), r.scale) }

// Apart writes a difference of temperatures that are not the same.
func (r reader) Apart(kelvins float64) string {
	return words.Apart(unit.TemperatureDelta(math.Abs(kelvins)), r.scale)
}

// Rate writes how a temperature moves in an hour.
func (r reader) Rate(kelvins any) string {
	return cmp.Or(words.Rate(unit.TemperatureDelta(float(kelvins)), r.scale), "steady")
}

// Drop writes the fall of a night beside the wanted one.
func (r reader) Drop(kelvins, least float64) string { return words.Drop(kelvins, least, r.scale) }

// Subject names what an alarm is about.
func (r reader) Subject(id string) string {
	for i := range r.snap.Enclosures {
		if r.snap.Enclosures[i].ID == id {
			return cmp.Or(r.snap.Enclosures[i].Name, id)
		}
	}
	switch id {
	case rules.Self, alarm.Secrets, alarm.Broker:
		return "dewline"
	case r.snap.Room:
		return cmp.Or(r.snap.RoomName, id)
	}
	return id
}

// Link leads to the enclosure that a subject is or belongs to; empty for none.
func (r reader) Link(id string) string {
	for i := range r.snap.Enclosures {
		if r.snap.Enclosures[i].ID == id {
			return "/enclosure/" + id
		}
	}
	for i := range r.snap.Probes {
		if r.snap.Probes[i].ID == id && r.snap.Probes[i].Enclosure != "" {
			return "/enclosure/" + r.snap.Probes[i].Enclosure + "#probes"
		}
	}
	return ""
}

// Due is when a probe is to be calibrated next, zero for never.
func (r reader) Due(p *rules.ProbeView) (at time.Time) {
	for _, due := range []*time.Time{p.TemperatureDue, p.HumidityDue} {
		if due != nil && (at.IsZero() || due.Before(at)) {
			at = *due
		}
	}
	return at
}

// Overdue reports whether a moment is past.
func (r reader) Overdue(due time.Time) bool { return !due.IsZero() && due.Before(r.snap.At.Wall) }

// A fact is a name with a value; Bad sets it off.
type fact struct {
	Name, Value string
	Bad         bool
}

// float is a number of any kind of float, or what a pointer to one holds.
func float(v any) float64 { return reflect.Indirect(reflect.ValueOf(v)).Float() }

func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

// funcs are what templates write with, for every reader alike.
func funcs() template.FuncMap {
	return template.FuncMap{
		"fact":      func(name, value string, bad ...bool) fact { return fact{name, value, len(bad) > 0 && bad[0]} },
		"pair":      func(card, page any) map[string]any { return map[string]any{"Card": card, "Page": page} },
		"is":        func(b *bool) bool { return b != nil && *b },
		"less":      func(a, b float64) float64 { return a - b },
		"megabytes": func(bytes int64) string { return unit.Number(float64(bytes)/1e6, 1) + " MB" },
		"percent": func(part, of uint64) string {
			return unit.Number(math.Floor(1000*float64(part)/float64(of))/10, 1) + " %"
		},
		"join":    func(list []string) string { return strings.Join(list, ", ") },
		"seconds": seconds, "span": words.Span, "short": words.Short, "bare": func(degrees string) string { before, _, _ := strings.Cut(degrees, " "); return before }, "headline": words.HeadlineOf, "in": words.In, "gain": words.Gain, "capital": words.Capital,
		"dose": func(v rules.Share) string { return words.Dose(float64(v) * 100) }, "blown": words.Blown, "contact": words.Contact, "battery": words.Battery, "humidity": words.Humidity, "reason": words.Reason,
		"number": unit.Number, "vpd": vpd, "times": times, "doubt": doubtMark,
	}
}

// vpd writes kilopascals. Close to saturation the probe's error is larger than
// the value.
func vpd(pascals rules.Tenth, rh float64) string {
	if rh >= 97 {
		return "0.1 kPa or less, saturated"
	}
	return unit.Number(float64(pascals)/1000, 2) + " kPa"
}

func times(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return unit.Number(float64(n), 0) + " " + what + "s in a row"
}

func doubtMark(reason string) string {
	if reason == "" {
		return ""
	}
	return " (" + doubtWords(reason) + ")"
}

func doubtWords(reason string) string {
	switch reason {
	case sensors.PinnedWet.String(), sensors.DewTooHigh.String():
		return "probe wet"
	}
	return "doubted (" + words.Reason(reason) + ")"
}
