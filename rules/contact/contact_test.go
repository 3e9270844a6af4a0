package contact_test

import (
	"testing"
	"time"

	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/rules/contact"
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
[[contact]]
id = "door"
is = "door"
chip = "/dev/gpiochip0"
line = 4
serves = ["e1"]
[mqtt]
broker = "tcp://127.0.0.1:1883"
[[contact]]
id = "cell"
is = "battery"
topic = "a/b"
pointer = "/v"
low = "3.3 V"
`

func says(v *room.View, id string, active bool) {
	v.Touch(sensors.Contact{ID: id, At: v.At, Known: true, Active: active, Value: 3.21})
}

// Each sense has one alarm, at one level, and with its cause.
func TestJudge(t *testing.T) {
	for _, x := range []struct {
		id     string
		active bool // of the level that is told
		kind   alarm.Kind
		cause  alarm.Cause
	}{
		{"mains", false, alarm.KindContactMains, alarm.Cause{Kind: alarm.CausePower}},
		{"float", true, alarm.KindContactReservoir, alarm.Cause{Kind: alarm.CauseSupply, ID: "m"}},
		{"door", true, alarm.KindContactDoor, alarm.Cause{Kind: alarm.CauseDoor, ID: "e1"}},
		{"cell", true, alarm.KindContactBattery, alarm.Cause{Kind: alarm.CauseDewline, ID: "cell"}},
	} {
		v := roomtest.View(t, 2, contacts)
		found := &roomtest.Found{}
		says(v, x.id, !x.active)
		contact.Judge{}.Step(v, &room.Out{Lives: found})
		if len(found.List) != 0 {
			t.Errorf("%s tells %+v while all is well", x.id, found.List)
		}
		says(v, x.id, x.active)
		contact.Judge{}.Step(v, &room.Out{Lives: found})
		f, ok := found.Last(x.kind)
		if !ok || f.In != alarm.Beyond || len(found.List) != 1 {
			t.Errorf("%s: %+v", x.id, found.List)
			continue
		}
		if c, _ := (contact.Judge{}).Cause(v, f.Alarm); c != x.cause {
			t.Errorf("%s: the cause is %v, want %v", x.id, c, x.cause)
		}
		if is := (contact.Judge{}).Fact(v, f.Alarm); x.id == "cell" && is.About != "3.21 V" {
			t.Errorf("the battery is at %q", is.About)
		}
	}
}

// A pump may run as long as its mist, not longer.
func TestJudge_Pump(t *testing.T) {
	v := roomtest.View(t, 1, contacts)
	began := v.At
	for _, x := range []struct {
		after time.Duration
		told  bool
	}{{0, false}, {15 * time.Minute, false}, {15*time.Minute + time.Second, true}} {
		for v.At = began; v.At.Mono-began.Mono < x.after; v.At = v.At.Add(min(10*time.Second, x.after-(v.At.Mono-began.Mono))) {
			says(v, "pump", true)
		}
		says(v, "pump", true)
		found := &roomtest.Found{}
		contact.Judge{}.Step(v, &room.Out{Lives: found})
		if _, told := found.Last(alarm.KindContactPump); told != x.told {
			t.Errorf("after %s: told %v", x.after, told)
		}
	}
}

// What is not known is no fact, neither way, and is told itself. What may not have
// been heard yet is not.
func TestJudge_NotKnown(t *testing.T) {
	v := roomtest.View(t, 1, contacts)
	en := &v.Enclosures[0]
	step := func() *roomtest.Found {
		f := &roomtest.Found{}
		contact.Judge{}.Step(v, &room.Out{Lives: f})
		return f
	}
	if f := step(); len(f.List) != 0 {
		t.Errorf("before anything was heard: %+v", f.List)
	}
	says(v, "mains", false)
	if v.MainsAway(en) == nil {
		t.Error("the mains are not known to be away")
	}
	v.Touch(sensors.Contact{ID: "mains", At: v.At, Why: "no such line"})
	if v.MainsAway(en) != nil {
		t.Error("an unreadable contact is a fact")
	}
	f := step()
	if x, ok := f.Last(alarm.KindContactSilent); !ok || x.In != alarm.Beyond {
		t.Errorf("it is not told: %+v", f.List)
	}
	if _, ok := f.Last(alarm.KindContactMains); ok {
		t.Error("the mains are judged without being known")
	}
	// A source that fell silent itself.
	says(v, "mains", true)
	v.At = v.At.Add(61 * time.Second)
	if x, ok := step().Last(alarm.KindContactSilent); !ok || x.In != alarm.Beyond {
		t.Error("a word that is a minute old still counts")
	}
	if ran, known := v.PumpAt(en, v.At.Mono-time.Hour, v.At.Mono); ran || known {
		t.Errorf("the pump of which nobody knows: ran %v, known %v", ran, known)
	}
}

// A door that is open is urgent where froglets live.
func TestJudge_DoorOfFroglets(t *testing.T) {
	for stage, want := range map[configs.Stage]alarm.Priority{configs.Adult: alarm.Today, configs.Froglet: alarm.Wake} {
		v := roomtest.View(t, 1, contacts)
		v.Enclosures[0].Cfg.Stage = stage
		says(v, "door", true)
		found := &roomtest.Found{}
		contact.Judge{}.Step(v, &room.Out{Lives: found})
		if f, ok := found.Last(alarm.KindContactDoor); !ok || f.In != alarm.Beyond || f.Alarm.Rec.Priority != want {
			t.Errorf("%s: %+v", stage, f.Alarm)
		}
	}
}
