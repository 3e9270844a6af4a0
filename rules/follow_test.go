package rules

import (
	"regexp"
	"strings"
	"testing"
	"time"

	"dewline/alert/words"
	"dewline/configs/unit"
	"dewline/sensors"
)

// drastic are the steps that harm where it is not hot.
var drastic = regexp.MustCompile(`(?i)\bice\b|\bmove\b|\bcarry\b|take the (frogs|cups) out|\bbox|\bvet\b`)

// An open alarm's advice moves with the situation, though nothing else of it
// does: warm by day, the limit to act on, cooling.
func TestFirstAction_FollowsTheSituation(t *testing.T) {
	r := newRig(t, rigConfig(t, 1, ""))
	at := 24.0
	p1 := r.with("p1", func() *sensors.Reading { x := r.good("p1", at, 85+0.01*float64(int(r.now/poll)%5)); return &x })
	climb := func(to, perHour float64) {
		for (to-at)*perHour > 0 {
			at += perHour / 360
			r.run(poll, p1)
		}
	}
	first := func() string {
		for _, a := range r.e.Open() {
			if a.Key.Alarm == AboveBand {
				return words.FirstAction(&a.Detail, unit.Celsius)
			}
		}
		return ""
	}
	r.run(time.Hour, p1)
	climb(27, 2)
	r.run(time.Hour, p1)
	if got := first(); !strings.HasPrefix(got, "Pull the plugs") || drastic.MatchString(got) {
		t.Errorf("at 27 °C: %q", got)
	}
	climb(28.6, 2)
	r.run(20*time.Minute, p1)
	if got := first(); !drastic.MatchString(got) {
		t.Errorf("at 28.6 °C: %q", got)
	}
	climb(27.2, -2)
	if got := first(); !strings.HasPrefix(got, "It is coming back") {
		t.Errorf("falling through 27.2 °C: %q", got)
	}
}
