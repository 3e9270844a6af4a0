package rules

import (
	"math"
	"regexp"
	"strings"
	"testing"
	"time"

	"dewline/alert/words"
	"dewline/configs/unit"
	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/sensors"
)

// drastic are the steps that harm where it is not hot.
var drastic = regexp.MustCompile(`(?i)\bice\b|\bmove\b|\bcarry\b|take the (frogs|cups) out|\bbox|\btub\b|\bvet\b`)

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
			if a.Key.Alarm == alarm.AboveBand {
				return words.FirstAction(&a.Detail, unit.Celsius)
			}
		}
		return ""
	}
	r.run(time.Hour, p1)
	climb(27, 2)
	r.run(time.Hour, p1)
	if got := first(); !strings.HasPrefix(got, "Unplug") || drastic.MatchString(got) {
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

// The rules supply the wet bulbs of the room's air and of that outside.
func TestFirstAction_KnowsTheAir(t *testing.T) {
	cfg := rigConfig(t, 1, "[[probe]]\nid = \"out\"\nfamily = \"simulated\"\nplace = \"outside\"\n")
	r := newRig(t, cfg)
	hot := 24.0
	air := func(id string, at time.Duration) *sensors.Reading {
		n := 0.01 * float64(int(at/poll)%4)
		x := r.good(id, hot+n, 80+n)
		switch id {
		case "room":
			x = r.good(id, 30+n, 80+n)
		case "out":
			x = r.good(id, 20+n, 50+n)
		}
		return &x
	}
	r.run(30*time.Minute, air)
	hot = 30.5
	r.run(2*time.Minute, air)
	x := r.last(alarm.LethalLimit)
	// The breeding notes, section 10: 30 °C at 80 % has a wet bulb of 27.09 °C,
	// 20 °C at 50 % one of 13.78 °C.
	if a := x.Detail.Air; a == nil || a.Room == nil || a.Outside == nil || math.Abs(*a.Room-27.09) > 0.1 || math.Abs(*a.Outside-13.78) > 0.1 {
		t.Errorf("air around: %+v", x.Detail.Air)
	}
	if v := r.e.Enclosures()[0]; v.RoomWet == nil || v.OutsideWet == nil || v.BlownIn != climate.BlowVent {
		t.Errorf("%v %v %s", v.RoomWet, v.OutsideWet, v.BlownIn)
	}
}
