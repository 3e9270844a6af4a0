package words

import (
	"cmp"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"dewline/configs/unit"
	"dewline/rules/alarm"
	"dewline/rules/climate"
)

// Span writes a length of time: "40 s", "25 min", "2 h 10 min", "26 h", "3 days".
func Span(d time.Duration) string {
	d = max(d, 0)
	text, _ := spanTo(d, usualStep(d))
	return text
}

// Short writes a length of time in one unit: "28 min", "4 h", "3 days".
func Short(d time.Duration) string {
	if d < 90*time.Minute || d >= 48*time.Hour {
		return Span(d)
	}
	text, _ := spanTo(d, time.Hour)
	return text
}

// usualStep is what a length of time is rounded to where nobody asks for more.
func usualStep(d time.Duration) time.Duration {
	switch {
	case d < 2*time.Minute:
		return time.Second
	case d < 2*time.Hour:
		return time.Minute
	case d < 10*time.Hour:
		return 10 * time.Minute
	case d < 48*time.Hour:
		return time.Hour
	}
	return 24 * time.Hour
}

// spanTo writes a length of time rounded to a step, in two units at most, and
// returns what it wrote.
func spanTo(d, step time.Duration) (string, time.Duration) {
	d = d.Round(step)
	large, small := time.Hour, time.Minute
	names := [2]string{"h", "min"}
	switch {
	case d < 2*time.Minute:
		large, small, names = time.Second, time.Second, [2]string{"s", ""}
	case d < 2*time.Hour:
		large, small, names = time.Minute, time.Second, [2]string{"min", "s"}
	case d >= 48*time.Hour:
		large, small, names = 24*time.Hour, time.Hour, [2]string{"days", "h"}
	}
	d = d.Round(small)
	text := fmt.Sprintf("%d %s", d/large, names[0])
	if rest := d % large / small; rest > 0 {
		text += fmt.Sprintf(" %d %s", rest, names[1])
	}
	return text, d
}

// open reports whether a range has no end that is worth a word.
func open(r alarm.Range) bool { return r.ToMinutes >= climate.Horizon.Minutes() }

// In says within what time something is expected: "in 40–105 min", "within 60 min,
// perhaps now", "in 90 min at the earliest", "now at the earliest".
func In(r alarm.Range) string {
	switch from := minuteStep(r.FromMinutes); {
	case open(r):
		return soon(from) + " at the earliest"
	case from < time.Minute:
		return "within " + Span(max(minuteStep(r.ToMinutes), time.Minute)) + ", perhaps now"
	}
	return "in " + between(r)
}

// soon says in what time something is, or that it is now.
func soon(d time.Duration) string {
	if d < time.Minute {
		return "now"
	}
	return "in " + Span(d)
}

// Gain says how much time is won: "40–105 min", "3 h 30 min or more".
func Gain(r alarm.Range) string {
	if open(r) {
		return Span(minuteStep(r.FromMinutes)) + " or more"
	}
	return between(r)
}

func between(r alarm.Range) string {
	from, to := minuteStep(r.FromMinutes), minuteStep(r.ToMinutes)
	switch {
	case to <= from:
		return Span(from)
	case to <= 2*time.Hour:
		return fmt.Sprintf("%.0f–%.0f min", from.Minutes(), to.Minutes())
	}
	return Span(from) + " to " + Span(to)
}

// minuteStep rounds to what is worth reading: to a minute below ten, to five below
// an hour, to fifteen below two, and then as Span does.
func minuteStep(m float64) time.Duration {
	step := 10.0
	switch {
	case m < 10:
		step = 1
	case m < 60:
		step = 5
	case m < 120:
		step = 15
	}
	return time.Duration(math.Round(m/step)*step) * time.Minute
}

// A Figure is a value of an alarm and what it stands beside.
type Figure struct {
	Alarm        alarm.ID
	Value, Limit float64
	HasLimit     bool
	Unit         string
	Lethal       float64 // the lethal limit, where that is told as well; else 0
	Whole        bool    // no decimals of % where it does without
}

// Shown is a Figure for one reader.
type Shown struct{ Value, Limit, Lethal string }

// same is a difference that is none, in the unit of the value: readings come in
// hundredths.
const same = 1e-6

func order(v, limit float64) int {
	if math.Abs(v-limit) <= same {
		return 0
	}
	return cmp.Compare(v, limit)
}

// Text writes the figure with as many digits as it takes to see on which side of
// each limit the value is: "32.97 °C" beside "33.00 °C". Where no digits tell, the
// value is "just under" or "just over" the limit.
func (f Figure) Text(s unit.Scale) Shown {
	for more := range 4 {
		if out, ok := f.digits(s, more); ok {
			return out
		}
	}
	out, _ := f.digits(s, 0)
	beside, against := out.Limit, f.Limit
	if !f.HasLimit || f.Lethal != 0 && math.Abs(f.Value-f.Lethal) < math.Abs(f.Value-f.Limit) {
		beside, against = out.Lethal, f.Lethal
	}
	out.Value = "just over " + beside
	if f.Value < against {
		out.Value = "just under " + beside
	}
	return out
}

// digits writes the figure with more digits than usual, and reports whether they
// tell the value from its limits.
func (f Figure) digits(s unit.Scale, more int) (out Shown, ok bool) {
	value, v := f.write(f.Value, s, more)
	out.Value, ok = value, true
	if f.HasLimit {
		text, l := f.write(f.Limit, s, more)
		switch o := order(f.Value, f.Limit); {
		case o == 0:
			out.Value, v = text, l
		case cmp.Compare(v, l) != o:
			ok = false
		}
		out.Limit = text
	}
	if f.Lethal != 0 {
		text, l := f.write(f.Lethal, s, more)
		ok = ok && cmp.Compare(v, l) == order(f.Value, f.Lethal)
		out.Lethal = text
	}
	return out, ok || math.IsNaN(f.Value)
}

// Headline is the value as a headline has it: a dose in the keeper's measure, days
// as those that are left; empty where the alarm has none.
func (f Figure) Headline(s unit.Scale) string {
	switch {
	case f.Unit == "":
		return ""
	case f.Alarm == alarm.Exposure:
		return Dose(f.Value)
	case f.Alarm == alarm.CertificateDue:
		return say("left", "value", f.Text(s).Value)
	}
	return f.Text(s).Value
}

// write writes one of both with more digits than usual, and returns what a reader
// takes it for.
func (f Figure) write(v float64, s unit.Scale, more int) (string, float64) {
	switch f.Unit {
	case "°C":
		if alarm.IsDelta(f.Alarm) {
			return unit.TemperatureDelta(v).Text(s, 1+more), rounded(unit.TemperatureDelta(v).In(s), 1+more)
		}
		return unit.Temperature(v).Text(s, 1+more), rounded(unit.Temperature(v).In(s), 1+more)
	case "s":
		return lasting(v, time.Second, more)
	case "min":
		return lasting(v, time.Minute, more)
	case "d":
		if v = math.Floor(v); v == 1 {
			return "1 day", v
		}
		return unit.Number(v, 0) + " days", v
	case "":
		return unit.Number(v, more), rounded(v, more)
	}
	if f.Alarm != alarm.Exposure && !f.Whole {
		more++
	}
	return unit.Number(v, more) + " " + f.Unit, rounded(v, more)
}

// longest is more than any span that is meant.
const longest = 100 * 365 * 24 * time.Hour

func lasting(v float64, per time.Duration, more int) (string, float64) {
	if !(v >= 0 && v < float64(longest/per)) {
		return "?", v
	}
	d := time.Duration(v * float64(per))
	step := usualStep(d)
	for _, finer := range []time.Duration{10 * time.Minute, time.Minute, time.Second}[:min(more, 3)] {
		step = min(step, finer)
	}
	text, shown := spanTo(d, step)
	return text, float64(shown)
}

// Apart writes how far a temperature is from another that it is not the same as.
func Apart(d unit.TemperatureDelta, s unit.Scale) string {
	if math.Abs(rounded(d.In(s), 1)) == 0 {
		return "less than " + unit.Number(0.1, 1) + " " + s.Name()
	}
	return d.Text(s, 1)
}

func rounded(v float64, decimals int) float64 {
	v, _ = strconv.ParseFloat(unit.Number(v, decimals), 64)
	return v
}

// Dose writes a share of the keeper's heat limit, which is in %.
func Dose(percent float64) string {
	if percent >= 200 {
		return trim(percent/100) + " × your heat limit"
	}
	return unit.Number(percent, 0) + " % of your heat limit"
}

// Degrees writes a temperature: "24.3 °C".
func Degrees(celsius float64, s unit.Scale) string { return unit.Temperature(celsius).Text(s, 1) }

// Bare is Degrees without the unit.
func Bare(celsius float64, s unit.Scale) string { return unit.Temperature(celsius).Number(s, 1) }

// Steps writes a difference of temperatures: "2.1 °C".
func Steps(kelvins float64, s unit.Scale) string { return unit.TemperatureDelta(kelvins).Text(s, 1) }

// Beside writes a temperature so that it is seen on which side of the lethal limit
// it is.
func Beside(celsius, lethal float64, s unit.Scale) string {
	return Figure{Value: celsius, Unit: "°C", Lethal: lethal}.Text(s).Value
}

// Drop writes a fall of temperature so that it is seen whether it is the wanted one.
func Drop(kelvins, wanted float64, s unit.Scale) string {
	return Figure{Alarm: alarm.NightDrop, Value: kelvins, Limit: wanted, HasLimit: wanted > 0, Unit: "°C"}.Text(s).Value
}

// BesideFloor writes a humidity so that it is seen on which side of the floor it is.
func BesideFloor(percent, floor float64) Shown {
	return Figure{Alarm: alarm.HumidityFloor, Value: percent, Limit: floor, HasLimit: floor > 0, Unit: "%", Whole: true}.Text(unit.Celsius)
}

// Reason writes why a reading is doubted, such as "dew-too-high".
func Reason(id string) string { return strings.ReplaceAll(id, "-", " ") }

// Band writes two limits as the keeper did: "22–26 °C".
func Band(low, high float64, s unit.Scale) string {
	return trim(unit.Temperature(low).In(s)) + "–" + trim(unit.Temperature(high).In(s)) + " " + s.Name()
}

// Humidity writes a measured humidity: "84 %".
func Humidity(percent float64) string { return unit.Number(percent, 0) + " %" }

// Percent writes a humidity as the keeper did: "70 %", "72.5 %".
func Percent(v float64) string { return trim(v) + " %" }

func trim(v float64) string { return strings.TrimSuffix(unit.Number(v, 1), ".0") }

// steady in °C/h is too slow to be worth a word.
const steady = 0.2

// rate writes how fast the temperature moves, empty for hardly.
func rate(d *alarm.Detail, s unit.Scale) string {
	if !d.HasRate {
		return ""
	}
	return Rate(unit.TemperatureDelta(d.RatePerHour), s)
}

// Rate writes how far a temperature moves in an hour, empty for hardly.
func Rate(perHour unit.TemperatureDelta, s unit.Scale) string {
	p := "rising-by"
	switch {
	case math.Abs(float64(perHour)) < steady:
		return ""
	case perHour < 0:
		p, perHour = "falling-by", -perHour
	}
	return say(p, "rate", perHour.Text(s, 1))
}

// lethalIn says when the lethal limit, which may be empty, is expected.
func lethalIn(r alarm.Range, limit string) string {
	p := [2]string{"lethal-when", "lethal-at-when"}
	if open(r) {
		p = [2]string{"could-reach", "could-reach-at"}
	}
	i := 0
	if limit != "" {
		i = 1
	}
	return say(p[i], "limit", limit, "when", In(r), "soon", soon(minuteStep(r.FromMinutes)))
}

// Ahead says when the lethal limit is expected.
func Ahead(r alarm.Range) string { return lethalIn(r, "") }

func lampsOff(r alarm.Range) string { return say("lamps-off-buys", "gain", Gain(r)) }
