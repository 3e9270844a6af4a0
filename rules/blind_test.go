package rules

import (
	"testing"
	"time"

	"dewline/rules/alarm"
	"dewline/sensors"
)

// rising warms one probe by so many °C in an hour from a start.
func (r *rig) rising(id string, from, perHour float64) weather {
	began := r.now
	return r.with(id, func() *sensors.Reading {
		x := r.good(id, from+perHour*(r.now-began).Hours()+0.01*float64(r.now/poll%2), 85)
		return &x
	})
}

// without lets probes say nothing any more.
func without(what weather, ids ...string) weather {
	return func(id string, at time.Duration) *sensors.Reading {
		for _, gone := range ids {
			if id == gone {
				return nil
			}
		}
		return what(id, at)
	}
}

// All probes of an enclosure are lost while it was on its way to its lethal limit:
// that wakes within minutes. One that stood still is looked at by day.
func TestBlind_OnTheWayToTheLimitWakes(t *testing.T) {
	for _, gone := range [][]string{{"p1", "q1"}, {"p1", "q1", "room"}, {"p1", "q1", "p2", "p3", "room"}} {
		r := newRig(t, rigConfig(t, 3, "", 1))
		r.run(time.Hour, r.calm)
		warm := func() weather {
			p, q := r.rising("p1", 25, 3), r.rising("q1", 25, 3)
			return func(id string, at time.Duration) *sensors.Reading {
				if id == "q1" {
					return q(id, at)
				}
				return p(id, at)
			}
		}()
		r.run(65*time.Minute, warm) // 28.2 °C, the lethal limit is at 30 °C
		r.quiet(alarm.AboveBand, alarm.LethalAhead)
		r.run(2*time.Minute, without(warm, gone...))
		if x := r.last(alarm.ProbeSilent); x.Priority != alarm.Today {
			t.Errorf("%v: lost for two minutes, it is %v", gone, x.Priority)
		}
		r.run(80*time.Second, without(warm, gone...))
		woken := 0
		for _, v := range r.e.Open() {
			if v.Key.Alarm == alarm.ProbeSilent && v.Priority == alarm.Wake {
				woken++
			}
		}
		if woken < 2 {
			t.Errorf("%v: lost for more than three minutes on the way to the limit, %d alarms wake", gone, woken)
		}
		if x := r.last(alarm.ProbeSilent); x.Priority == alarm.Wake && x.Detail.Is.ID != alarm.FactBlindRising {
			t.Errorf("%v: it says %v", gone, x.Detail.Is.ID)
		}
		r.run(5*time.Minute, r.calm)
		for _, v := range r.e.Open() {
			if v.Active && v.Key.Alarm == alarm.ProbeSilent {
				t.Errorf("%v: %v is still active", gone, v.Key)
			}
		}
	}
}

// What only stands still, or has another probe, does not wake when it falls silent.
func TestBlind_OneProbeOfACalmRoomDoesNotWake(t *testing.T) {
	r := newRig(t, rigConfig(t, 3, "", 1))
	r.run(time.Hour, r.calm)
	r.run(time.Hour, without(r.calm, "p1", "q1"))
	r.run(time.Hour, without(r.rising("q1", 25, 3), "p1"))
	for _, x := range r.log {
		if x.Key.Alarm == alarm.ProbeSilent && x.Priority == alarm.Wake {
			t.Errorf("%v wakes at %v", x.Key, x.At.Mono)
		}
	}
}

// A room of which nothing is seen for ten minutes wakes, unless nobody lives there.
func TestBlind_WholeRoomWakes(t *testing.T) {
	for name, empty := range map[string]bool{"lived in": false, "empty": true} {
		r := newRig(t, rigConfig(t, 3, ""))
		r.run(time.Hour, r.calm)
		for _, id := range []string{"e1", "e2", "e3"} {
			if empty {
				if err := r.act(Action{Kind: TakeOut, Key: alarm.Key{Subject: id}, By: "una", For: 24 * time.Hour, Empty: true}); err != nil {
					t.Fatal(err)
				}
			}
		}
		nothing := func(string, time.Duration) *sensors.Reading { return nil }
		r.run(9*time.Minute, nothing)
		if x := r.last(alarm.ProbeSilent); x.Priority == alarm.Wake {
			t.Errorf("%s: wakes after nine minutes", name)
		}
		r.run(2*time.Minute, nothing)
		if x := r.last(alarm.ProbeSilent); (x.Priority == alarm.Wake) == empty {
			t.Errorf("%s: after eleven minutes it is %v", name, x.Priority)
		}
	}
}

// A probe that falls silent again, in a room that is seen, begins as any does, also where
// nobody answered for the time before.
func TestBlind_TheNextSilenceIsMildAgain(t *testing.T) {
	r := newRig(t, rigConfig(t, 3, ""))
	r.run(time.Hour, r.calm)
	r.run(12*time.Minute, func(string, time.Duration) *sensors.Reading { return nil })
	if x := r.last(alarm.ProbeSilent); x.Priority != alarm.Wake {
		t.Fatalf("nothing is seen of the room, and it is %v", x.Priority)
	}
	r.run(10*time.Minute, r.calm)
	r.run(2*time.Minute, without(r.calm, "p1"))
	if x := r.last(alarm.ProbeSilent); x.To != alarm.Unack || x.Key.Subject != "p1" || x.Priority != alarm.Today {
		t.Errorf("one probe of a room that is seen: %v is %v, %v", x.Key, x.To, x.Priority)
	}
}

// A probe that is out of service sees nothing: the room is blind when all others are
// lost, at a start as well as later.
func TestBlind_AProbeInTheJarSeesNothing(t *testing.T) {
	for name, before := range map[string]time.Duration{"at the start": 0, "later": time.Hour} {
		r := newRig(t, rigConfig(t, 3, ""))
		r.tick()
		r.run(before, r.calm)
		if err := r.act(Action{Kind: TakeOut, Key: alarm.Key{Subject: "p2"}, By: "una", For: 24 * time.Hour}); err != nil {
			t.Fatal(err)
		}
		r.run(11*time.Minute, func(string, time.Duration) *sensors.Reading { return nil })
		if x := r.last(alarm.ProbeSilent); x.Priority != alarm.Wake {
			t.Errorf("%s: after eleven minutes it is %v", name, x.Priority)
		}
	}
}

// An enclosure that is out of service and not declared empty still wakes by lethal
// heat, and only by that.
func TestTakeOut_LethalHeatStillWakesUnlessEmpty(t *testing.T) {
	for name, empty := range map[string]bool{"lived in": false, "empty": true} {
		r := newRig(t, rigConfig(t, 3, ""))
		r.run(time.Hour, r.calm)
		if err := r.act(Action{Kind: TakeOut, Key: alarm.Key{Subject: "e1"}, By: "una", For: 24 * time.Hour, Empty: empty}); err != nil {
			t.Fatal(err)
		}
		r.log = nil
		r.run(time.Minute, r.hold("p1", 31, 85))
		want := "NORM>UNACK"
		if empty {
			want = ""
		}
		r.want(alarm.LethalLimit, "e1", want)
		r.quiet(alarm.LethalLimit, alarm.ProbeJump) // no air warms by 7 °C between two readings
		v := r.e.Enclosures()[0]
		if gone := r.e.v.Enclosures[0].Empty(); !v.OutOfService || gone != empty {
			t.Errorf("%s: the view says out of service %v, empty %v", name, v.OutOfService, gone)
		}
		// Declared anew the other way round.
		if err := r.act(Action{Kind: TakeOut, Key: alarm.Key{Subject: "e1"}, By: "una", For: 24 * time.Hour, Empty: !empty}); err != nil {
			t.Fatal(err)
		}
		r.run(time.Minute, r.hold("p1", 31, 85))
		if got := r.states[alarm.Key{Alarm: alarm.LethalLimit, Subject: "e1"}]; (got == alarm.OutOfService) == empty {
			t.Errorf("%s: declared anew it is %v", name, got)
		}
	}
}

// Whoever put the silent probes away for the day put away less than a room that nobody
// sees: that wakes all the same, and at once.
func TestBlind_WakesFromItsShelf(t *testing.T) {
	r := newRig(t, rigConfig(t, 3, "", 1))
	r.run(time.Hour, r.calm)
	r.run(7*time.Minute, without(r.calm, "p1", "q1", "p2", "p3", "room"))
	shelved := 0
	for _, id := range []string{"p1", "q1", "p2", "p3", "room"} {
		if r.act(Action{Kind: Shelve, Key: alarm.Key{Alarm: alarm.ProbeSilent, Subject: id}, For: 12 * time.Hour, By: "robin"}) == nil {
			shelved++
		}
	}
	r.run(5*time.Minute, without(r.calm, "p1", "q1", "p2", "p3", "room"))
	woken := 0
	for _, v := range r.e.Open() {
		if v.State == alarm.Unack && v.Priority == alarm.Wake {
			woken++
		}
	}
	if shelved == 0 || woken == 0 {
		t.Errorf("%d silent probes were put away, %d alarms of the blind room wake", shelved, woken)
	}
}
