package words

import (
	"fmt"
	"strings"

	"dewline/configs/unit"
	"dewline/rules/alarm"
	"dewline/rules/climate"
)

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

// blown says in a few words whether air is to be let in.
var blown = map[climate.Blow]string{
	climate.BlowVent:    "vents open, fan, wet every ten minutes",
	climate.BlowEither:  "vents and wet, or shut: go by the thermometer inside",
	climate.BlowShut:    "keep shut, move the animals, cool the room",
	climate.BlowUnknown: "not known: the humidity of the air is not",
}

// Blown says what to do with air that could be blown in.
func Blown(b climate.Blow) string { return blown[b] }

// FirstAction writes what to do first as one text: several steps are numbered.
func FirstAction(d *alarm.Detail, s unit.Scale) string {
	if d.FirstAction != "" {
		return d.FirstAction
	}
	if len(d.Steps) == 1 {
		return step(d.Steps[0], d, s)
	}
	var b strings.Builder
	for i, id := range d.Steps {
		if i > 0 {
			b.WriteByte(' ')
		}
		fmt.Fprintf(&b, "%d %s", i+1, step(id, d, s))
	}
	return b.String()
}

// shortMessage is how many characters of the first action fit into a message on
// a phone.
const shortMessage = 200

// DoFirst is as many whole steps of the first action as fit into a short message,
// at least one.
func DoFirst(d *alarm.Detail, s unit.Scale) string {
	if d.FirstAction != "" || len(d.Steps) == 0 {
		return d.FirstAction
	}
	text := step(d.Steps[0], d, s)
	for _, id := range d.Steps[1:] {
		longer := text + " " + step(id, d, s)
		if len([]rune(longer)) > shortMessage {
			break
		}
		text = longer
	}
	return text
}
