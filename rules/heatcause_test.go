package rules

import (
	"math"
	"strings"
	"testing"
	"time"

	"dewline/rules/alarm"
	"dewline/sensors"
)

// On the first day nothing is known of what is usual. A room that warms by
// 1.5 °C an hour, and its enclosures after it, is the room all the same, also
// for the one that stands cooler than the rest.
func TestCause_RoomOnTheFirstDay(t *testing.T) {
	r := newRig(t, rigConfig(t, 4, ""))
	r.now = 12 * time.Hour
	r.run(5*time.Hour, func(id string, at time.Duration) *sensors.Reading {
		up := 1.5*(at-12*time.Hour).Hours() + 0.01*float64(int(at/poll)%3)
		base := map[string]float64{"room": 21.5, "p1": 22.8, "p2": 24, "p3": 24.2, "p4": 24.1}[id]
		x := r.good(id, base+up, 80)
		return &x
	})
	n := 0
	for _, x := range r.log {
		if x.To != alarm.Unack || x.Key.Alarm == alarm.HumidityFloor {
			continue
		}
		n++
		if x.Cause.Kind != alarm.CauseRoom || !strings.Contains(x.Text, "the room itself is") {
			t.Errorf("%v: %s", x.At.Wall, x.Text)
		}
	}
	if n < 8 {
		t.Errorf("only %d alarms", n)
	}
}

// The same with one enclosure that runs away from a steady room.
func TestCause_EnclosureOnTheFirstDay(t *testing.T) {
	r := newRig(t, rigConfig(t, 4, ""))
	r.now = 12 * time.Hour
	r.run(2*time.Hour, func(id string, at time.Duration) *sensors.Reading {
		up := 0.01 * float64(int(at/poll)%3)
		if id == "p1" {
			up += min(4*(at-12*time.Hour).Hours(), 6)
		}
		x := r.good(id, map[string]float64{"room": 21.5}[id]+up, 80)
		if id != "room" {
			x = r.good(id, 24+up, 80)
		}
		return &x
	})
	if x := r.last(alarm.AboveBand); x.Cause != (alarm.Cause{Kind: alarm.CauseEnclosure, ID: "e1"}) {
		t.Errorf("%v: %s", x.Cause, x.Text)
	}
}

// A probe that leapt is doubted for a while, on the side that it leapt to; a
// level that lasts is one to live with.
func TestDoubtful_ALeapAges(t *testing.T) {
	r := newRig(t, rigConfig(t, 1, ""))
	r.run(time.Minute, r.calm)
	en := &r.e.v.Enclosures[0]
	st := &r.e.v.Probes[en.Probes[0]].St
	for _, c := range []struct {
		leap sensors.CentiCelsius
		ago  time.Duration
		side float64
		want bool
	}{
		{800, time.Minute, 1, true},
		{-800, time.Minute, 1, false},
		{-800, time.Minute, -1, true},
		{800, 44 * time.Minute, 1, true},
		{800, 46 * time.Minute, 1, false},
		{800, 11 * time.Hour, 1, false},
		{200, time.Minute, 1, false},
	} {
		st.Leap, st.LeapAt = c.leap, r.now-c.ago
		if got := r.e.v.Doubtful(en, r.instant(), c.side) != nil; got != c.want {
			t.Errorf("%v °C %v ago: doubted %v", c.leap, c.ago, got)
		}
	}
}

// An excursion to 29 °C made the band alarm a wake one. It rises again at
// night, nobody having answered, 2 °C over the night band: that is the week's, by
// that limit.
func TestBand_RisesAgainAfresh(t *testing.T) {
	r := newRig(t, rigConfig(t, 1, ""))
	r.now = 12 * time.Hour
	r.run(time.Hour, r.hold("p1", 24, 85))
	r.run(2*time.Hour, r.hold("p1", 29, 85)) // above 28.5 °C, the limit to act on
	if x := r.last(alarm.AboveBand); x.Priority != alarm.Wake || !strings.Contains(x.Text, "limit to act on of 28.5 °C") {
		t.Fatalf("%v: %s", x.Priority, x.Text)
	}
	r.run(5*time.Hour, r.hold("p1", 24, 85))
	r.log = nil
	r.run(5*time.Hour, r.hold("p1", 24, 85))
	r.want(alarm.AboveBand, "e1", "RTNUN>UNACK")
	x := r.last(alarm.AboveBand)
	if x.Priority != alarm.Note || x.Limit != 22 || !strings.Contains(x.Text, "night band's high end of 22.0 °C") {
		t.Errorf("%v by %v: %s", x.Priority, x.Limit, x.Text)
	}
}

// Where the lethal limit is here, nothing is ahead: not even for a moment.
func TestAhead_NotWhenItIsHere(t *testing.T) {
	r := newRig(t, rigConfig(t, 1, ""))
	r.now = 12 * time.Hour
	r.run(30*time.Minute, r.hold("p1", 24, 85))
	from := r.now
	r.run(2*time.Hour, r.with("p1", func() *sensors.Reading {
		x := r.good("p1", min(30+2*(r.now-from).Hours(), 33), 85)
		return &x
	}))
	r.run(2*time.Hour, r.hold("p1", 24, 85))
	r.want(alarm.LethalAhead, "", "")
	r.want(alarm.LethalLimit, "e1", "NORM>UNACK UNACK>LUNACK")
	if x := r.last(alarm.LethalLimit); x.Detail.TimeToLethal != nil || x.Detail.LampsOffGain != nil {
		t.Errorf("%+v", x.Detail)
	}
}

// Humidity steps from 85 to 69 % at a steady temperature: no door does that
// where the room is cooler. The floor is told after its delay, to the reading.
func TestFloor_DryingAloneIsNoDoor(t *testing.T) {
	r := newRig(t, rigConfig(t, 1, ""))
	r.now = 12 * time.Hour
	r.run(30*time.Minute, r.hold("p1", 24, 85))
	from := r.now
	r.run(30*time.Minute, r.hold("p1", 24, 69))
	r.want(alarm.DoorAjar, "", "")
	r.want(alarm.HumidityFloor, "e1", "NORM>UNACK")
	if x := r.last(alarm.HumidityFloor); x.At.Mono-from != 10*time.Minute || x.Cause.Kind == alarm.CauseDoor {
		t.Errorf("after %v, by %v", x.At.Mono-from, x.Cause)
	}
}

// The floor of an enclosure is judged over the litter. Its probe falls silent;
// the one in the canopy is drier by eight points, and always was.
func TestFloor_StandIn(t *testing.T) {
	for _, c := range []struct {
		name string
		sink float64 // by which the canopy dries after the silence, %
		want string
	}{{"as ever", 0, ""}, {"it does dry", 9, "NORM>UNACK"}} {
		t.Run(c.name, func(t *testing.T) {
			cfg := rigConfig(t, 1, "", 1)
			for i := range cfg.Probes {
				cfg.Probes[i].FloorProbe = cfg.Probes[i].ID == "p1"
			}
			r := newRig(t, cfg)
			r.now = 12 * time.Hour
			silent := false
			from := time.Duration(0)
			air := func(id string, at time.Duration) *sensors.Reading {
				hum := map[string]float64{"room": 50, "p1": 76, "q1": 68}[id] + 0.01*float64(int(at/poll)%3)
				switch {
				case id == "p1" && silent:
					return nil
				case id == "q1" && silent:
					hum -= min(c.sink, (at-from).Minutes()/4)
				}
				x := r.good(id, 23.5, hum)
				return &x
			}
			r.run(time.Hour, air)
			silent, from = true, r.now
			r.run(3*time.Hour, air)
			r.want(alarm.HumidityFloor, "e1", c.want)
			if c.want == "" {
				return
			}
			x := r.last(alarm.HumidityFloor)
			if !strings.Contains(x.Text, "judged by q1, set off by +8.0 % as learned") || x.Value < 66 || x.At.Sub(x.Since) < 30*time.Minute {
				t.Errorf("%v after %v: %s", x.Value, x.At.Sub(x.Since), x.Text)
			}
		})
	}
}

// Two probes are plugged into each other's enclosures, with or without a
// silence in between, and back.
func TestSwap(t *testing.T) {
	for _, silence := range []time.Duration{0, 2 * time.Minute} {
		r := newRig(t, rigConfig(t, 4, ""))
		r.now = 12 * time.Hour
		swapped := false
		air := func(id string, at time.Duration) *sensors.Reading {
			if swapped {
				id = map[string]string{"p1": "p3", "p3": "p1", "p2": "p2", "p4": "p4", "room": "room"}[id]
			}
			noise := 0.02 * float64(int(at/poll)%3-1)
			v := map[string][2]float64{"room": {21, 50}, "p1": {24, 82}, "p2": {24.3, 80}, "p3": {24.6, 85}, "p4": {24.1, 79}}[id]
			x := r.good(id, v[0]+noise, v[1]+noise)
			return &x
		}
		gap := func() {
			r.run(silence, func(id string, at time.Duration) *sensors.Reading {
				if id == "p1" || id == "p3" {
					return nil
				}
				return air(id, at)
			})
		}
		back := func(id string, at time.Duration) *sensors.Reading { // readings bear the probe they come from
			x := air(id, at)
			x.Probe = sensors.ProbeID(id)
			return x
		}
		r.run(30*time.Minute, back)
		gap()
		swapped = true
		r.run(30*time.Minute, back)
		r.want(alarm.ProbeDisagrees, "p1", "NORM>UNACK")
		r.want(alarm.ProbeDisagrees, "p3", "NORM>UNACK")
		r.want(alarm.ProbeDisagrees, "p2", "")
		if x := r.last(alarm.ProbeDisagrees); x.Cause != (alarm.Cause{Kind: alarm.CauseProbe, ID: "p1"}) || !strings.Contains(x.Text, "changed places with probe") {
			t.Errorf("%v: %s", x.Cause, x.Text)
		}
		gap()
		swapped = false
		r.run(30*time.Minute, back)
		r.want(alarm.ProbeDisagrees, "p1", "NORM>UNACK UNACK>RTNUN")
		r.want(alarm.ProbeDisagrees, "p3", "NORM>UNACK UNACK>RTNUN")
	}
}

// What an open alarm says of the room is as it is now, also once the room has cooled and
// the alarm is on its way back.
func TestCause_RoomAsItIsNow(t *testing.T) {
	r := newRig(t, rigConfig(t, 4, ""))
	r.now = 12 * time.Hour
	room, seen := 0.0, 0
	for range 540 {
		r.run(time.Minute, func(id string, at time.Duration) *sensors.Reading {
			h := (at - 12*time.Hour).Hours()
			up := min(1.5*h, 7.5) - max(0, 4*(h-5))
			base := map[string]float64{"room": 21.5, "p1": 22.8, "p2": 24, "p3": 24.2, "p4": 24.1}[id]
			x := r.good(id, max(base+up, 15)+0.01*float64(int(at/poll)%3), 80)
			if id == "room" {
				room = max(base+up, 15)
			}
			return &x
		})
		for _, a := range r.e.Open() {
			for _, f := range a.Detail.Evidence {
				if f.Temperature == 0 || a.Cause.Kind != alarm.CauseRoom {
					continue
				}
				if seen++; math.Abs(float64(f.Temperature)-room) > 0.5 {
					t.Fatalf("%v: %s says %s of %v, and the room is %.1f", r.now, a.Key, f.ID, f.Temperature, room)
				}
			}
		}
	}
	if seen < 500 {
		t.Errorf("the room is spoken of %d times", seen)
	}
}
