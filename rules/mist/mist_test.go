package mist

import (
	"testing"
	"time"

	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/rules/room"
	"dewline/rules/room/roomtest"
)

// One enclosure that does not dry is its own nozzle; several on a supply add up what
// would not do for each.
func TestEndless_SupplyOrNozzle(t *testing.T) {
	for _, c := range []struct {
		name   string
		sticks [4]float64
		want   alarm.Cause
	}{
		{"nothing", [4]float64{0.2, 0, 0, -1}, alarm.Cause{}},
		{"a hint of one", [4]float64{3, 0, 0, -1}, alarm.Cause{}},
		{"one", [4]float64{5, -0.3, -2, -8}, alarm.Cause{Kind: alarm.CauseEnclosure, ID: "e1"}},
		{"hints of all", [4]float64{2, 1.6, 1, 0.5}, alarm.Cause{Kind: alarm.CauseSupply, ID: "m"}},
		{"a hint of one, others dry", [4]float64{3, 3, -4, -4}, alarm.Cause{}},
	} {
		v := roomtest.View(t, 4, "")
		j, found := New(v), &roomtest.Found{}
		l := look{j, v, &room.Out{Lives: found}}
		for i, x := range c.sticks {
			w := &j.At[i].Watch
			w.Sticks, w.Follows, w.Begun, w.Last = x, true, v.At.Mono-time.Hour, v.At.Mono
		}
		l.judgeEndless(&v.Enclosures[0], v.At)
		f, ok := found.Last(alarm.KindMistEndless)
		if ok != (c.want.Kind != "") {
			t.Fatalf("%s: told %v", c.name, ok)
		}
		if !ok {
			continue
		}
		if got, _ := j.Cause(v, f.Alarm); got != c.want {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}

// One probe of two that a drop fell on is no mist without an end; where all are
// saturated it is the air, however fast they got there.
func TestEndless_IsNotADropOnOneOfTwo(t *testing.T) {
	v := roomtest.View(t, 1, "[[probe]]\nid = \"q1\"\nfamily = \"simulated\"\nplace = \"canopy\"\nenclosure = \"e1\"\n")
	l, en := look{Judge: New(v), v: v}, &v.Enclosures[0]
	wet := room.Wet{Since: v.At.Mono}
	for _, c := range []struct {
		name string
		p, q room.Wet
		want bool
	}{
		{"both dry", room.Wet{}, room.Wet{}, false},
		{"a drop on one", wet, room.Wet{}, true},
		{"one wet slowly", room.Wet{}, room.Wet{Since: v.At.Mono, Slow: true}, false},
		{"both at once", wet, wet, false},
	} {
		v.Probes[1].St.Wet, v.Probes[2].St.Wet = c.p, c.q
		if got := l.dropOn(en); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}

// A missed mist is told for the supply where nothing came to any enclosure on
// it, and for one enclosure where only that one got none.
func TestStep_MissedMist(t *testing.T) {
	for _, c := range []struct {
		name string
		seen int // enclosures that got it
		want alarm.Cause
	}{
		{"none", 0, alarm.Cause{Kind: alarm.CauseSupply, ID: "m"}},
		{"all but one", 3, alarm.Cause{Kind: alarm.CauseEnclosure, ID: "e4"}},
	} {
		v := roomtest.View(t, 4, "")
		j, found := New(v), &roomtest.Found{}
		for i := range j.At {
			j.At[i] = State{HasDue: true, DueAt: v.At.Mono - time.Hour, Verdict: climate.MistMissed}
			if i < c.seen {
				j.At[i].Verdict = climate.MistSeen
			}
		}
		v.Due = room.Schedule
		j.Step(v, &room.Out{Lives: found})
		f, ok := found.Last(alarm.KindMistMissing)
		if !ok || f.In != alarm.Beyond || f.Alarm.Rec.Cause != c.want {
			t.Errorf("%s: %+v", c.name, f)
		}
		if v.Enclosures[3].St.Missed != 1 || j.At[3].HasDue {
			t.Errorf("%s: missed %d, %+v", c.name, v.Enclosures[3].St.Missed, j.At[3])
		}
	}
}
