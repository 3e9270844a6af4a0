package rules

import (
	"strings"
	"testing"
	"time"

	"dewline/rules/alarm"
	"dewline/sensors"
)

const rigContacts = `[[contact]]
id = "mains"
is = "mains"
chip = "/dev/gpiochip0"
line = 1
[[contact]]
id = "door-1"
is = "door"
chip = "/dev/gpiochip0"
line = 2
serves = ["e1"]
`

// says is run with contacts that say the same every ten seconds; nil is not known.
func (r *rig) says(d time.Duration, what weather, contacts map[string]*bool) {
	for end := r.now + d; r.now < end; {
		for id, active := range contacts {
			c := sensors.Contact{ID: id, At: r.instant(), Known: active != nil, Why: "no such line"}
			if active != nil {
				c.Active = *active
			}
			r.maybeRestart()
			r.take(r.e.Contact(c))
		}
		r.run(poll, what)
	}
}

// The mains are told within minutes, last over restarts and over a time in which
// nobody knows, and end when they are back; the rules go on all the while.
func TestContact_Lives(t *testing.T) {
	for _, restart := range []bool{false, true} {
		r := newRig(t, rigConfig(t, 1, rigContacts))
		r.restart = restart
		yes, no := true, false
		mains := alarm.Key{Alarm: alarm.ContactMains, Subject: "mains"}
		silent := alarm.Key{Alarm: alarm.ContactSilent, Subject: "mains"}
		door := map[string]*bool{"door-1": &no}
		with := func(m *bool) map[string]*bool { return map[string]*bool{"door-1": &no, "mains": m} }
		r.says(10*time.Minute, r.calm, with(&yes))
		if len(r.log) > 0 {
			t.Fatalf("told while all is well: %+v", r.log)
		}
		r.says(40*time.Second, r.calm, with(&no))
		r.says(time.Minute, r.calm, with(&yes))
		if len(r.log) > 0 {
			t.Errorf("a flicker is told: %+v", r.log)
		}
		r.says(2*time.Minute, r.calm, with(&no))
		if r.states[mains] != alarm.Unack {
			t.Errorf("restart %v: the mains are away and %v", restart, r.states[mains])
		}
		if x := r.log[len(r.log)-1]; x.Cause.Kind != alarm.CausePower || x.Priority != alarm.Today || !strings.Contains(x.Text, "mains are away") ||
			!strings.Contains(x.Detail.FirstAction, "licensed electrician") {
			t.Errorf("it says %+v", x)
		}
		r.says(10*time.Minute, r.calm, with(nil))
		if r.states[mains] != alarm.Unack || r.states[silent] != alarm.Unack {
			t.Errorf("not known: the mains are %v, the contact %v", r.states[mains], r.states[silent])
		}
		r.says(5*time.Minute, r.calm, door) // the source says nothing of it at all
		if r.states[mains] != alarm.Unack || r.states[silent] != alarm.Unack {
			t.Errorf("not told: the mains are %v, the contact %v", r.states[mains], r.states[silent])
		}
		r.says(5*time.Minute, r.calm, with(&yes))
		if r.states[mains] == alarm.Unack || r.states[silent] == alarm.Unack {
			t.Errorf("back: the mains are %v, the contact %v", r.states[mains], r.states[silent])
		}
	}
}

// Cold while the mains are away is the power's, in one notice with it; without the
// contact, or while nobody knows it, the cause is looked for as ever.
func TestContact_ColdWithoutMains(t *testing.T) {
	yes, no := true, false
	for name, c := range map[string]struct {
		mains *bool
		power bool
	}{"away": {&no, true}, "there": {&yes, false}, "not known": {nil, false}} {
		r := newRig(t, rigConfig(t, 4, rigContacts))
		r.says(3*time.Hour, r.calm, map[string]*bool{"mains": &yes})
		from := r.now
		cold := func(id string, at time.Duration) *sensors.Reading {
			x := r.calm(id, at)
			if id == "p1" {
				x.Temperature -= sensors.CelsiusOf(min((at-from).Hours()*4, 5))
			}
			return x
		}
		r.says(4*time.Hour, cold, map[string]*bool{"mains": c.mains})
		found := false
		for _, x := range r.log {
			if x.Key == (alarm.Key{Alarm: alarm.BelowBand, Subject: "e1"}) && x.To == alarm.Unack {
				found = true
				if got := x.Cause.Kind == alarm.CausePower; got != c.power {
					t.Errorf("%s: the cause is %v", name, x.Cause)
				}
			}
		}
		if !found {
			t.Errorf("%s: the cold is not told", name)
		}
	}
}

// An open door is told once, by its contact, with the time that one by the climate
// takes; that of a contact which says shut hides no climate.
func TestContact_DoorOnce(t *testing.T) {
	yes, no := true, false
	for name, c := range map[string]struct {
		door *bool
		want alarm.ID
	}{"contact says open": {&yes, alarm.ContactDoor}, "contact says shut": {&no, alarm.DoorAjar}, "nobody knows": {nil, alarm.DoorAjar}} {
		r := newRig(t, rigConfig(t, 1, rigContacts))
		r.says(3*time.Hour, r.calm, map[string]*bool{"door-1": &no})
		from := r.now
		open := func(id string, at time.Duration) *sensors.Reading {
			x := r.calm(id, at)
			if id == "p1" { // an open door: the climate steps to the room's
				k := min((at-from).Minutes()/3, 1) * 0.7
				in := r.calm("room", at)
				x.Temperature += sensors.CentiCelsius(k * float64(in.Temperature-x.Temperature))
				x.Humidity += sensors.CentiPercent(k * float64(in.Humidity-x.Humidity))
			}
			return x
		}
		r.says(40*time.Minute, open, map[string]*bool{"door-1": c.door})
		raised := map[alarm.ID]bool{}
		for _, x := range r.log {
			if x.From == alarm.Norm {
				raised[x.Key.Alarm] = true
			}
		}
		if !raised[c.want] || raised[alarm.DoorAjar] && raised[alarm.ContactDoor] {
			t.Errorf("%s: told %v, want %s", name, raised, c.want)
		}
	}
}

// Contacts are told, and are over, after the delays of their row: a float sloshes, a fuse
// is put back, a door is open for a visit, a battery is weaker while its node sends
// (common practice, no source).
func TestContact_Delays(t *testing.T) {
	config := rigContacts + `[[contact]]
id = "float"
is = "reservoir"
chip = "/dev/gpiochip0"
line = 3
[[contact]]
id = "cell"
is = "battery"
topic = "a/b"
pointer = "/v"
low = "20 %"
[mqtt]
broker = "tcp://127.0.0.1:1883"
`
	for _, x := range []struct {
		key     alarm.Key
		told    bool // what the contact says when it is to be told
		on, off time.Duration
	}{
		{alarm.Key{Alarm: alarm.ContactMains, Subject: "mains"}, false, time.Minute, time.Minute},
		{alarm.Key{Alarm: alarm.ContactReservoir, Subject: "float"}, true, 2 * time.Minute, 2 * time.Minute},
		{alarm.Key{Alarm: alarm.ContactDoor, Subject: "door-1"}, true, 10 * time.Minute, 0},
		{alarm.Key{Alarm: alarm.ContactBattery, Subject: "cell"}, true, 30 * time.Minute, 6 * time.Hour},
	} {
		r := newRig(t, rigConfig(t, 1, config))
		quiet := !x.told
		r.says(10*time.Minute, r.calm, map[string]*bool{x.key.Subject: &quiet})
		if on := r.until(x.key.Subject, x.told, func() bool { return r.states[x.key] == alarm.Unack }); on != x.on {
			t.Errorf("%v is told after %v, not %v", x.key, on, x.on)
		}
		if off := r.until(x.key.Subject, quiet, func() bool { return r.states[x.key] != alarm.Unack }); off != x.off {
			t.Errorf("%v is over after %v, not %v", x.key, off, x.off)
		}
	}
}

// until lets a contact say the same until something is so, and returns how long after it
// said so first; at most 12 h.
func (r *rig) until(contact string, active bool, done func() bool) time.Duration {
	from := r.now
	for r.says(poll, r.calm, map[string]*bool{contact: &active}); !done() && r.now-from < 12*time.Hour; {
		r.says(poll, r.calm, map[string]*bool{contact: &active})
	}
	return r.now - from - poll
}
