package mist

import (
	"testing"
	"time"

	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/rules/room"
	"dewline/rules/room/roomtest"
	"dewline/sensors"
)

const contacts = `[[contact]]
id = "mains"
is = "mains"
chip = "/dev/gpiochip0"
line = 1
[[contact]]
id = "pump"
is = "pump"
chip = "/dev/gpiochip0"
line = 2
mist = "m"
[[contact]]
id = "float"
is = "reservoir"
chip = "/dev/gpiochip0"
line = 3
`

// hour is what contacts say from an hour ago until now, a pump for a minute.
func hour(v *room.View, says map[string]bool, unknown bool) {
	now := v.At
	for v.At.Mono = now.Mono - 2*time.Hour; v.At.Mono <= now.Mono; v.At.Mono += 10 * time.Second {
		for id, active := range says {
			if id == "pump" && active {
				since := v.At.Mono - (now.Mono - time.Hour)
				active = since >= 0 && since < time.Minute
			}
			v.Touch(sensors.Contact{ID: id, At: v.At, Known: !unknown, Active: active})
		}
	}
	v.At = now
}

// Where contacts know why a mist is missing, the cause is theirs and no guess; what
// is not known changes nothing.
func TestStep_MissedMistByContacts(t *testing.T) {
	supply, one := alarm.Cause{Kind: alarm.CauseSupply, ID: "m"}, alarm.Cause{Kind: alarm.CauseEnclosure, ID: "e4"}
	for _, c := range []struct {
		name    string
		seen    int // enclosures that got it
		says    map[string]bool
		unknown bool
		want    alarm.Cause
		why     alarm.FactID
	}{
		{"the mains are away", 0, map[string]bool{"mains": false, "pump": false}, false, alarm.Cause{Kind: alarm.CausePower}, alarm.FactMainsAway},
		{"the mains are there", 0, map[string]bool{"mains": true}, false, supply, ""},
		{"nobody knows the mains", 0, map[string]bool{"mains": false}, true, supply, ""},
		{"the reservoir is low", 3, map[string]bool{"float": true}, false, supply, alarm.FactReservoirLow},
		{"the reservoir is full", 3, map[string]bool{"float": false}, false, one, ""},
		{"the pump ran, one got nothing", 3, map[string]bool{"pump": true}, false, one, alarm.FactPumpRan},
		{"the pump ran, none got it", 0, map[string]bool{"pump": true}, false, supply, alarm.FactPumpRan},
		{"the pump stood, one shows nothing", 3, map[string]bool{"pump": false}, false, supply, alarm.FactPumpStood},
		{"nobody knows the pump", 3, map[string]bool{"pump": false}, true, one, ""},
	} {
		v := roomtest.View(t, 4, contacts)
		hour(v, c.says, c.unknown)
		j, found := New(v), &roomtest.Found{}
		for i := range j.At {
			j.At[i] = State{HasDue: true, DueAt: v.At.Mono - time.Hour, Verdict: climate.MistMissed}
			j.At[i].Watch.Miss.Evidence = climate.MistMissedTold
			if i < c.seen {
				j.At[i].Verdict = climate.MistSeen
			}
		}
		v.Due = room.Schedule
		j.Step(v, &room.Out{Lives: found})
		f, ok := found.Last(alarm.KindMistMissing)
		if !ok || f.Alarm.Rec.Cause != c.want {
			t.Errorf("%s: %+v, want %v", c.name, f, c.want)
			continue
		}
		_, why := j.Cause(v, f.Alarm)
		switch {
		case c.why == "" && len(why) > 0, c.why != "" && (len(why) != 1 || why[0].ID != c.why):
			t.Errorf("%s: the evidence is %+v, want %q", c.name, why, c.why)
		}
	}
}

// A pump that runs for longer than a mist speaks for one without an end, and for the
// supply; one that stands still for a leak.
func TestEndless_ByPump(t *testing.T) {
	for _, c := range []struct {
		name   string
		active bool
		sticks float64
		told   bool
		cause  alarm.CauseKind
		why    alarm.FactID
	}{
		{"a hint, the pump runs", true, 1.6, true, alarm.CauseSupply, alarm.FactPumpRuns},
		{"a hint, the pump stands", false, 1.6, false, "", ""},
		{"no hint, the pump runs", true, 0, false, "", ""},
		{"soaked, the pump stands", false, 5, true, alarm.CauseEnclosure, alarm.FactPumpStill},
	} {
		v := roomtest.View(t, 2, contacts)
		now := v.At
		for v.At.Mono = now.Mono - time.Hour; v.At.Mono <= now.Mono; v.At.Mono += 10 * time.Second {
			v.Touch(sensors.Contact{ID: "pump", At: v.At, Known: true, Active: c.active})
		}
		v.At = now
		j, found := New(v), &roomtest.Found{}
		l := look{j, v, &room.Out{Lives: found}}
		w := &j.At[0].Watch
		w.Sticks, w.Follows, w.Begun, w.Last = c.sticks, true, v.At.Mono-time.Hour, v.At.Mono
		l.judgeEndless(&v.Enclosures[0], v.At)
		f, ok := found.Last(alarm.KindMistEndless)
		if ok != c.told {
			t.Errorf("%s: told %v", c.name, ok)
		}
		if !ok {
			continue
		}
		if cause, why := j.Cause(v, f.Alarm); cause.Kind != c.cause || len(why) != 1 || why[0].ID != c.why {
			t.Errorf("%s: %v by %+v", c.name, cause, why)
		}
	}
}
