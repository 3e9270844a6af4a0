package rules

import (
	"math"
	"strings"
	"testing"
	"time"

	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// night is the air of a calm night, with one probe's temperature moved by up to
// 2.4 °C within an hour from 01:00 and its humidity by follow times that in %.
func (r *rig) night(follow float64) weather {
	return r.with("p1", func() *sensors.Reading {
		x := r.calm("p1", r.now)
		hours := math.Mod(r.now.Hours(), 24) - 1
		off := 2.4 * min(max(hours, 0), 1)
		x.Temperature += sensors.CelsiusOf(off)
		x.Humidity += sensors.PercentOf(follow * off)
		return x
	})
}

// Heat is believed first. Where the temperature climbs without the humidity the doubt
// is told beside it; one that dries the air as heat does raises none.
func TestMoist_HumidityThatDoesNotFollow(t *testing.T) {
	skipUnderRace(t)
	for _, c := range []struct {
		follow float64
		doubt  bool
	}{{0, true}, {-4.5, false}, {-1.5, false}} {
		r := newRig(t, rigConfig(t, 5, ""))
		r.now = 22 * time.Hour
		r.run(3*24*time.Hour+2*time.Hour, r.calm)
		r.run(4*time.Hour, r.night(c.follow))
		x := r.last(alarm.AboveBand)
		if x.Cause.Kind != alarm.CauseEnclosure || strings.Contains(x.Text, "the humidity stayed") != c.doubt {
			t.Errorf("%+.1f %% for each °C: %v: %s", c.follow, x.Cause, x.Text)
		}
	}
}

// What contradicts itself is believed where an animal would be in danger.
func TestMoist_NoComfortInHeat(t *testing.T) {
	skipUnderRace(t)
	r := newRig(t, rigConfig(t, 5, ""))
	r.now = 22 * time.Hour
	r.run(3*24*time.Hour+2*time.Hour, r.calm)
	r.run(4*time.Hour, r.with("p1", func() *sensors.Reading {
		x := r.calm("p1", r.now)
		x.Temperature += sensors.CelsiusOf(min(6*max(math.Mod(r.now.Hours(), 24)-1, 0), 8))
		return x
	}))
	woken := false
	for _, x := range r.log {
		if x.Priority == alarm.Wake {
			woken = true
			if x.Cause.Kind != alarm.CauseEnclosure {
				t.Errorf("%v: %s", x.Cause, x.Text)
			}
		}
	}
	if !woken {
		t.Error("nobody was woken")
	}
}

// The room's air gets dry, as when what conditions it fails: an enclosure that
// comes to its floor is not alone to blame.
func TestFloor_RoomDrier(t *testing.T) {
	skipUnderRace(t)
	for _, c := range []struct {
		room float64
		want alarm.CauseKind
	}{{50, alarm.CauseEnclosure}, {45, alarm.CauseEnclosure}, {38, alarm.CauseRoom}} {
		r := newRig(t, rigConfig(t, 4, ""))
		r.run(4*24*time.Hour, r.calm)
		r.run(2*time.Hour, func(id string, at time.Duration) *sensors.Reading {
			x := r.calm(id, at)
			switch id {
			case "room":
				x.Humidity = sensors.PercentOf(c.room)
			case "p1":
				x.Humidity = sensors.PercentOf(max(82-0.3*(at-4*24*time.Hour-9*time.Hour).Minutes(), 66) + 0.01*float64(at/poll%3))
			}
			return x
		})
		if x := r.last(alarm.HumidityFloor); x.Cause.Kind != c.want {
			t.Errorf("room at %.0f %%: %v: %s", c.room, x.Cause, x.Text)
		}
	}
}

// A probe that repeats itself to the last digit shows no mist, and says nothing
// about the nozzle.
func TestMist_NotMissedByAProbeThatStands(t *testing.T) {
	for _, stands := range []bool{false, true} {
		r := newRig(t, rigConfig(t, 3, noonMist)).taught()
		var stuck *sensors.Reading
		r.run(6*time.Hour, func(id string, at time.Duration) *sensors.Reading {
			if id != "p1" {
				return r.misted(id, at)
			}
			x := r.calm(id, at)
			if stands && at >= 11*time.Hour+30*time.Minute {
				if stuck == nil {
					stuck = x
				}
				x.Temperature, x.Humidity = stuck.Temperature, stuck.Humidity
			}
			return x
		})
		want := map[bool]string{false: "NORM>UNACK", true: ""}[stands]
		r.want(alarm.MistMissing, "e1", want)
		r.want(alarm.MistMissing, "e2", "")
	}
}

// lampMist is due soon after the lamps come on.
const lampMist = "[[mist]]\nid = \"m\"\ntimes = [\"08:20\"]\n"

// No mist anywhere and nothing got warmer when the lamps were to come on: that
// is the power and not the pump.
func TestMist_PowerThatWentBeforeTheLamps(t *testing.T) {
	skipUnderRace(t)
	for _, c := range []struct {
		dark bool
		want alarm.CauseKind
	}{{true, alarm.CausePower}, {false, alarm.CauseSupply}} {
		r := newRig(t, rigConfig(t, 4, lampMist))
		air := func(id string, at time.Duration) *sensors.Reading {
			x := r.calm(id, at)
			hour := math.Mod(at.Hours(), 24)
			if id != "room" {
				lit := 1 - math.Exp(8-max(hour, 8)) // lamps that warm slowly
				if c.dark && at > 4*24*time.Hour {
					lit = 0
				}
				x.Temperature = sensors.CelsiusOf(21 + 1.1*lit*min(1, max(0, 20-hour)))
				if m := hour*60 - 500; m > 0 && at < 4*24*time.Hour {
					x.Humidity = sensors.PercentOf(82 + 14*min(m/3, 1)*math.Exp(-max(m-3, 0)/40))
				}
			}
			return x
		}
		r.now = 22 * time.Hour
		r.run(3*24*time.Hour+9*time.Hour, air)
		r.log = nil
		r.run(3*time.Hour, air)
		if x := r.last(alarm.MistMissing); x.Cause.Kind != c.want {
			t.Errorf("dark %v: %v: %s", c.dark, x.Cause, x.Text)
		}
	}
}

// Air that cools with a room that is colder than usual gets damp by itself.
func TestMist_EndlessIsNotARoomThatCools(t *testing.T) {
	skipUnderRace(t)
	for _, c := range []struct {
		room, tank float64 // °C/h
		want       bool
	}{{-0.8, -0.5, true}, {-0.2, -0.5, false}, {0, -0.6, false}, {0, 0, false}} {
		r := newRig(t, rigConfig(t, 4, noonMist))
		r.run(4*24*time.Hour+18*time.Hour, r.calm)
		from := r.now
		r.run(50*time.Minute, func(id string, at time.Duration) *sensors.Reading {
			x, off := r.calm(id, at), c.tank
			if id == "room" {
				off = c.room
			}
			x.Temperature += sensors.CelsiusOf(off * (at - from).Hours())
			return x
		})
		if got := r.e.cause.CoolsWithRoom(&r.e.v.Enclosures[0]); got != c.want {
			t.Errorf("room %+.1f, enclosures %+.1f °C/h: %v", c.room, c.tank, got)
		}
	}
}

// Room and enclosures together are colder than usual, neither of them by much:
// it is no single enclosure that gets below its band first.
func TestCause_RoomAndEnclosuresTogether(t *testing.T) {
	skipUnderRace(t)
	for _, c := range []struct {
		room, first, others float64 // °C from usual
		want                alarm.CauseKind
	}{{-0.5, -1.1, -1.1, alarm.CauseRoom}, {-0.5, -1.3, -0.5, alarm.CauseEnclosure}, {0, -0.7, 0, alarm.CauseEnclosure}} {
		r := newRig(t, rigConfig(t, 5, ""))
		r.run(4*24*time.Hour+18*time.Hour, r.calm)
		r.run(time.Minute, func(id string, at time.Duration) *sensors.Reading {
			x, off := r.calm(id, at), c.others
			switch id {
			case "room":
				off = c.room
			case "p1":
				off = c.first
			}
			x.Temperature += sensors.CelsiusOf(off)
			x.Humidity -= sensors.PercentOf(5 * off)
			return x
		})
		now := r.instant()
		pic := r.e.v.Survey(now)
		if cause, why := r.e.cause.Temperature(&r.e.v.Enclosures[0], pic, now, alarm.KindBelow); cause.Kind != c.want {
			t.Errorf("%+v: %v %v", c, cause, why)
		}
	}
}

// Two probes are exchanged while they show the same, and part when the lamps
// come on: each then stands in the other's usual place. One that is warmed
// alone does not.
func TestSwap_UnnoticedUntilTheLampsCome(t *testing.T) {
	skipUnderRace(t)
	for _, swapped := range []bool{true, false} {
		r := newRig(t, rigConfig(t, 4, "", 2))
		air := func(id string, at time.Duration) *sensors.Reading {
			lit := r.calm("p2", at).Temperature - sensors.CelsiusOf(21)
			x := r.calm(id, at)
			late := at > 5*24*time.Hour
			// q2 hangs where lamps warm it by 1.5 °C more; p1 does not.
			if more := lit / 2; id == "q2" && !(swapped && late) || id == "p1" && late {
				x.Temperature += more
			}
			return x
		}
		r.now = 4 * time.Hour
		r.run(5*24*time.Hour-4*time.Hour, air)
		r.run(14*time.Hour, air)
		want := map[bool]string{true: "NORM>UNACK", false: ""}[swapped]
		r.want(alarm.ProbeDisagrees, "p1", want)
		r.want(alarm.ProbeDisagrees, "q2", want)
		if swapped {
			x := r.last(alarm.ProbeDisagrees)
			if x.Cause != (alarm.Cause{Kind: alarm.CauseProbe, ID: "p1"}) || !strings.Contains(x.Text, "each stands where the other usually does") {
				t.Errorf("%v: %s", x.Cause, x.Text)
			}
			// After a day the new places are the usual ones, and it is not told again.
			r.run(3*24*time.Hour, air)
			r.want(alarm.ProbeDisagrees, "p1", "NORM>UNACK UNACK>RTNUN RTNUN>NORM")
		}
	}
}

// Without their lamps all enclosures are as cool under the lid as in the
// litter. That is no probe, and one that parts alone is.
func TestDisagrees_NotWhatTheOthersShow(t *testing.T) {
	skipUnderRace(t)
	for _, c := range []struct {
		dark int // enclosures that lose their lamps, from the first
		want string
	}{{1, "NORM>UNACK"}, {4, ""}} {
		cfg := rigConfig(t, 4, "", 1, 2, 3, 4)
		for i := range cfg.Probes {
			if cfg.Probes[i].ID[0] == 'q' {
				cfg.Probes[i].Place = configs.Canopy
			}
		}
		r := newRig(t, cfg)
		air := func(id string, at time.Duration) *sensors.Reading {
			x := r.calm(id, at)
			lit := x.Temperature - sensors.CelsiusOf(21)
			if dark := at > 4*24*time.Hour && int(id[1]-'0') <= c.dark; id[0] == 'q' && !dark {
				x.Temperature += lit
			}
			return x
		}
		r.run(4*24*time.Hour, air)
		r.run(8*time.Hour, air)
		r.want(alarm.ProbeDisagrees, "q1", c.want)
	}
}

// A room that is much drier than usual cools what is wet in it.
func TestCause_DryRoomCools(t *testing.T) {
	skipUnderRace(t)
	for _, c := range []struct {
		percent float64
		want    alarm.CauseKind
	}{{50, alarm.CauseEnclosure}, {30, alarm.CauseRoom}} {
		r := newRig(t, rigConfig(t, 5, ""))
		r.run(4*24*time.Hour+18*time.Hour, r.calm)
		r.run(2*time.Minute, func(id string, at time.Duration) *sensors.Reading {
			x := r.calm(id, at)
			if id == "room" {
				x.Humidity = sensors.PercentOf(c.percent)
			} else {
				x.Temperature -= 40
			}
			return x
		})
		now := r.instant()
		pic := r.e.v.Survey(now)
		if cause, why := r.e.cause.Temperature(&r.e.v.Enclosures[0], pic, now, alarm.KindBelow); cause.Kind != c.want {
			t.Errorf("room at %.0f %%: %v %v", c.percent, cause, why)
		}
	}
}

// Enclosures that cool together by day, misted ones aside, have lost their
// lamps.
func TestMist_PowerThatWentByDay(t *testing.T) {
	for _, c := range []struct {
		perHour float64
		misted  bool
		want    bool
	}{{-1, false, true}, {-0.2, false, false}, {0, false, false}, {-1, true, false}} {
		r := newRig(t, rigConfig(t, 4, noonMist))
		r.now = 10 * time.Hour
		r.run(2*time.Hour, r.calm)
		from := r.now
		r.run(35*time.Minute, func(id string, at time.Duration) *sensors.Reading {
			x := r.calm(id, at)
			if id != "room" {
				x.Temperature += sensors.CelsiusOf(c.perHour * (at - from).Hours())
			}
			return x
		})
		for i := range r.e.v.Enclosures {
			if c.misted {
				r.e.v.Enclosures[i].St.HasPulse, r.e.v.Enclosures[i].St.PulseAt = true, from
			}
		}
		if got := r.e.cause.Darkens(r.now); got != c.want {
			t.Errorf("%+v: %v", c, got)
		}
	}
}

// A probe that says the same to the last digit while the others move is asked
// first, long before it is called frozen.
func TestDoubtful_AProbeThatStands(t *testing.T) {
	r := newRig(t, rigConfig(t, 4, ""))
	r.now = 7 * time.Hour
	stuck := r.calm("p1", r.now)
	for _, c := range []struct {
		after time.Duration
		want  bool
	}{{40 * time.Minute, false}, {3 * time.Hour, true}} {
		r.run(7*time.Hour+c.after-r.now, r.with("p1", func() *sensors.Reading {
			x := r.calm("p1", r.now)
			x.Temperature, x.Humidity = stuck.Temperature, stuck.Humidity
			return x
		}))
		if got := r.e.v.Doubtful(&r.e.v.Enclosures[0], r.instant(), 1) != nil; got != c.want {
			t.Errorf("after %v: %v", c.after, got)
		}
		if r.e.v.Doubtful(&r.e.v.Enclosures[1], r.instant(), 1) != nil {
			t.Errorf("after %v: one that moves is doubted", c.after)
		}
	}
	r.want(alarm.ProbeFrozen, "p1", "")
}

// A mist without an end, told while all enclosures lack what their lamps add,
// is the power; with one enclosure that is cool it is not.
func TestMist_EndlessWithoutLamps(t *testing.T) {
	skipUnderRace(t)
	for _, c := range []struct {
		cool float64
		from string
		want alarm.CauseKind
	}{{1.6, "p1", alarm.CausePower}, {0.6, "p1", alarm.CauseEnclosure}, {1.6, "p4", alarm.CauseEnclosure}} {
		r := newRig(t, rigConfig(t, 4, noonMist))
		r.run(4*24*time.Hour+6*time.Hour, r.calm)
		r.run(2*time.Minute, func(id string, at time.Duration) *sensors.Reading {
			x := r.calm(id, at)
			if id != "room" && id >= c.from {
				x.Temperature -= sensors.CelsiusOf(c.cool)
			}
			return x
		})
		if cause, why := r.e.judges.mist.Cause(r.e.v, &r.e.v.Enclosures[0].Alarms[alarm.KindMistEndless]); cause.Kind != c.want {
			t.Errorf("%+v: %v %v", c, cause, why)
		}
	}
}
