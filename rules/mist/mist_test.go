package mist

import (
	"testing"
	"time"

	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/rules/room"
	"dewline/rules/room/roomtest"
)

func TestSoaks_OnlyTheUnusualIsOdd(t *testing.T) {
	var s Soaks
	if s.odd(2*time.Hour) || !s.odd(3*time.Hour) {
		t.Error("before anything is known three hours are odd, less is not")
	}
	for range 4 {
		s.Most = 90 * time.Minute
		s.pulse()
	}
	if s.odd(100*time.Minute) || !s.odd(121*time.Minute) {
		t.Error("a third over the usual 90 min is odd, less is not")
	}
	s = Soaks{Num: 8}
	if s.odd(29*time.Minute) || !s.odd(31*time.Minute) {
		t.Error("an enclosure that never soaks: half an hour")
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
