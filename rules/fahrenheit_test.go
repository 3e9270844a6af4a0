package rules

import (
	"math"
	"regexp"
	"strconv"
	"testing"
	"time"

	"dewline/alert/words"
	"dewline/configs/unit"
	"dewline/rules/alarm"
	"dewline/rules/room"
)

var inC = regexp.MustCompile(`(\S+ \S+ |\S+ )?([+-]?\d+(?:\.\d+)?) °C(/h)?( apart)?`)
var inF = regexp.MustCompile(`([+-]?\d+(?:\.\d+)?) °F`)

// sameInFahrenheit holds every number of a sentence in °F against that in °C,
// with a dimension that is read from the words beside it.
func sameInFahrenheit(t *testing.T, name, celsius, fahrenheit string, allDeltas bool) int {
	t.Helper()
	c, f := inC.FindAllStringSubmatch(celsius, -1), inF.FindAllStringSubmatch(fahrenheit, -1)
	if len(c) != len(f) {
		t.Fatalf("%s: %d in °C and %d in °F: %q", name, len(c), len(f), celsius)
	}
	byWord := regexp.MustCompile(`\b(by|about|another|than|rising|falling|moved)\s*$`)
	for i := range c {
		deg, err := strconv.ParseFloat(c[i][2], 64)
		degF, errF := strconv.ParseFloat(f[i][1], 64)
		if err != nil || errF != nil {
			t.Fatalf("%s: %v, %v", name, err, errF)
		}
		want := deg * 1.8
		if !allDeltas && c[i][3] == "" && c[i][4] == "" && !byWord.MatchString(c[i][1]) {
			want += 32
		}
		if math.Abs(want-degF) > 0.15 { // both are rounded
			t.Errorf("%s: %g °C became %g °F, not %g, in %q", name, deg, degF, want, fahrenheit)
		}
	}
	return len(c)
}

func TestSentences_InFahrenheitByDimension(t *testing.T) {
	r := newRig(t, rigConfig(t, 1, "[[contact]]\nid = \"c\"\nis = \"door\"\nchip = \"/dev/gpiochip0\"\nline = 1\nserves = [\"e1\"]\n"))
	n := 0
	for k := range alarm.FirstSentinelKind {
		subj := 0
		if k.Row().Of == alarm.OfDewline {
			subj = -1
		}
		s := room.MakeAlarm(k, subj, "e1")
		s.Against(1.5, 3)
		s.Rec.Peak = &alarm.Peak{Value: 4.5, Limit: 3}
		for _, active := range []bool{true, false} {
			s.Rec.Life.Active = active
			r.e.lives.explain(&s, instant(time.Minute), alarm.Change{From: alarm.Norm, To: alarm.Norm})
			d := *s.Rec.Detail
			d.Unknown, d.Evidence, d.HasRate, d.RatePerHour, d.TimeToLethal, d.Lethal = nil, nil, true, -1.5, &alarm.Range{FromMinutes: 10, ToMinutes: 20}, 30
			a := alarm.Onset{Key: s.Rec.Key, HasValue: true, HasLimit: true, Unit: s.Rec.Unit, Peak: s.Rec.Peak, Detail: d}
			if k.Row().Value == alarm.Difference {
				a.Detail.TimeToLethal = nil
			}
			n += sameInFahrenheit(t, string(s.Rec.Key.Alarm), words.Sentence(&a, unit.Celsius), words.Sentence(&a, unit.Fahrenheit), k.Row().Value == alarm.Difference)
		}
	}
	if n < 20 {
		t.Errorf("only %d temperatures were looked at", n)
	}
}
