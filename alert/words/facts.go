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
)

// write fills a fact in. v and l are the alarm's value and limit.
func write(f *alarm.Fact, v, l string, s unit.Scale) string {
	text := inEnglish().Facts[f.ID]
	if f.Count == 1 {
		text = cmp.Or(inEnglish().Single[f.ID], text)
	}
	if !strings.ContainsRune(text, '{') {
		return text
	}
	warmer, above := "warmer", "above"
	if f.Cooler {
		warmer, above = "cooler", "below"
	}
	ahead := "in " + v
	if f.Ahead != nil {
		ahead = In(*f.Ahead)
	}
	warmth := Figure{Value: float64(f.Temperature), Unit: "°C", Lethal: float64(f.Lethal)}.Text(s)
	size := unit.TemperatureDelta(math.Abs(float64(f.Delta)))
	// What is not dated is read later, when it is longer ago.
	since, when := "for at least "+Span(f.For), "at least "+Span(f.For)+" ago"
	if f.At != "" {
		since, when = "since "+clock(f.At, "15:04"), "at "+clock(f.At, "15:04")
	}
	return strings.NewReplacer(
		"{note}", f.Note, "{v}", v, "{l}", l, "{about}", f.About, "{warmer}", warmer, "{above}", above, "{ahead}", ahead,
		"{t}", warmth.Value, "{lethal}", warmth.Lethal,
		"{d}", size.Text(s, 1), "{d0}", size.Text(s, 0), "{d+}", plus(float64(f.Delta))+f.Delta.Text(s, 1), "{change}", f.Delta.Text(s, 1),
		"{others}", unit.TemperatureDelta(math.Abs(float64(f.Others))).Text(s, 1),
		"{p}", Humidity(f.Percent), "{p+}", plus(f.Percent)+unit.Number(f.Percent, 1)+" %", "{usual}", Humidity(f.Usual),
		"{percent}", Percent(f.Percent), "{was}", Percent(f.Usual),
		"{n}", strconv.Itoa(f.Count), "{of}", strconv.Itoa(f.Of), "{ago}", Span(f.For), "{since}", since, "{when}", when,
		"{clock}", clock(f.At, "15:04"), "{moment}", clock(f.At, "2 Jan 15:04"), "{day}", clock(f.At, "2 Jan 2006"), "{certificate}", Certificate(f.About),
	).Replace(text)
}

// plus is the sign of what is not negative.
func plus(v float64) string {
	if v >= 0 {
		return "+"
	}
	return ""
}

// Certificate names the one that certificate-due is about.
func Certificate(subject string) string {
	return cmp.Or(inEnglish().Certificates[subject], "the certificate "+subject)
}

// Fact writes one as a clause.
func Fact(f alarm.Fact, s unit.Scale) string { return write(&f, "", "", s) }

// Facts writes each fact as a clause.
func Facts(list []alarm.Fact, s unit.Scale) []string {
	out := make([]string, 0, len(list))
	for i := range list {
		if text := write(&list[i], "", "", s); text != "" {
			out = append(out, text)
		}
	}
	return out
}

// clock writes a room's time; one that is none stays as it is.
func clock(t alarm.LocalTime, layout string) string {
	at, err := time.Parse(alarm.LocalLayout, string(t))
	if err != nil {
		return string(t)
	}
	return at.Format(layout)
}

// water is what frogs bear: chlorine and cold harm.
const water = "dechlorinated or RO water at room temperature"

// box says how warm a box is to be: colder than that harms too.
func box(s unit.Scale) string {
	return "thermometer inside, " + unit.Temperature(20).Number(s, 0) + "–" + unit.Temperature(22).Text(s, 0) +
		", never under " + unit.Temperature(18).Text(s, 0)
}

func step(id alarm.Step, d *alarm.Detail, s unit.Scale) string {
	text := inEnglish().Steps[id]
	if !strings.ContainsRune(text, '{') {
		return text
	}
	air := alarm.Air{}
	if d.Air != nil {
		air = *d.Air
	}
	return strings.NewReplacer("{box}", box(s), "{water}", water, "{wet}", wetBulb(air.Room, s), "{outside}", wetBulb(air.Outside, s)).Replace(text)
}

func wetBulb(celsius *float64, s unit.Scale) string {
	if celsius == nil { // of an older record
		return "not known"
	}
	return unit.Temperature(*celsius).Text(s, 1)
}

// FirstSteps are what to do first, step by step; an older record has one text.
func FirstSteps(d *alarm.Detail, s unit.Scale) (list []string) {
	if d.FirstAction != "" {
		return []string{d.FirstAction}
	}
	for _, id := range d.Steps {
		list = append(list, step(id, d, s))
	}
	return list
}

// FirstAction writes what to do first as one text: several steps are numbered.
func FirstAction(d *alarm.Detail, s unit.Scale) string {
	steps := FirstSteps(d, s)
	if len(steps) < 2 {
		return strings.Join(steps, "")
	}
	var numbered []string
	for i, text := range steps {
		numbered = append(numbered, fmt.Sprintf("%d %s", i+1, text))
	}
	return strings.Join(numbered, " ")
}

// shortMessage is how many characters of the first action fit into a message on
// a phone.
const shortMessage = 200

// DoFirst is as many whole steps of the first action as fit into a short message,
// at least one.
func DoFirst(d *alarm.Detail, s unit.Scale) (text string) {
	for i, next := range FirstSteps(d, s) {
		longer := strings.TrimSpace(text + " " + next)
		if i > 0 && len([]rune(longer)) > shortMessage {
			break
		}
		text = longer
	}
	return text
}

// Contact says what a contact of a sense says, and for how long.
func Contact(is string, active bool, span time.Duration) string {
	said := inEnglish().Contacts[is]
	if active {
		return said[0] + ", for " + Span(span)
	}
	return said[1] + ", for " + Span(span)
}

// Battery says how full a battery is, in "%" or "V".
func Battery(charge float64, unit string, low bool) string {
	text := strconv.FormatFloat(charge, 'f', -1, 64) + " " + unit
	if low {
		text += ", low"
	}
	return text
}

// Standing says where an alarm stands, who answered it and for how long it is put away.
func Standing(s alarm.State, by string, left time.Duration) string {
	text := inEnglish().Standings[s.String()]
	if by != "" {
		text = cmp.Or(inEnglish().Answered[s.String()], text)
	}
	return fill(text, "by", by, "left", Span(left))
}
