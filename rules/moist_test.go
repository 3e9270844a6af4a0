package rules

import (
	"math"
	"strings"
	"testing"
	"time"

	"dewline/rules/climate"
	"dewline/sensors"
)

// The rule of thumb for heated air against the handbook's saturation pressures
// (Hyland–Wexler; ASHRAE Fundamentals 2017, chapter 1).
func TestMoist_SixPercentForEachDegree(t *testing.T) {
	for _, c := range [][2]float64{{18, 20}, {22, 24}, {24, 28}, {28, 31}} {
		cold, err1 := climate.SaturationPressure(c[0])
		warm, err2 := climate.SaturationPressure(c[1])
		if err1 != nil || err2 != nil {
			t.Fatal(err1, err2)
		}
		if got, want := math.Exp(-moistPer*(c[1]-c[0])), cold/warm; math.Abs(got-want) > 0.006 {
			t.Errorf("from %v to %v °C: %.3f of the humidity is left, want %.3f", c[0], c[1], got, want)
		}
	}
}

// night is the air of a calm night, with one probe's temperature moved by up to
// 2.4 °C within an hour from 01:00 and its humidity by follow times that in %.
func (r *rig) night(follow float64) air {
	return r.with("p1", func() *sensors.Reading {
		x := r.calm("p1", r.now)
		hours := math.Mod(r.now.Hours(), 24) - 1
		off := 2.4 * min(max(hours, 0), 1)
		x.Temperature += sensors.CelsiusOf(off)
		x.Humidity += sensors.PercentOf(follow * off)
		return x
	})
}

// A temperature that climbs without the humidity is the probe's own; one that
// dries the air as heat does is the enclosure's.
func TestMoist_HumidityThatDoesNotFollow(t *testing.T) {
	for _, c := range []struct {
		follow float64
		want   CauseKind
	}{{0, CauseProbe}, {-4.5, CauseEnclosure}, {-1.5, CauseEnclosure}} {
		r := newRig(t, rigConfig(t, 5, ""))
		r.now = 22 * time.Hour
		r.run(3*24*time.Hour+2*time.Hour, r.calm)
		r.run(4*time.Hour, r.night(c.follow))
		x := r.last(AboveBand)
		if x.Cause.Kind != c.want {
			t.Errorf("%+.1f %% for each °C: %v: %s", c.follow, x.Cause, x.Text)
		}
		if c.want == CauseProbe && !strings.Contains(x.Text, "the humidity stayed") {
			t.Error(x.Text)
		}
	}
}

// What contradicts itself is believed where an animal would be in danger.
func TestMoist_NoComfortInHeat(t *testing.T) {
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
		if x.Priority == Wake {
			woken = true
			if x.Cause.Kind != CauseEnclosure {
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
	for _, c := range []struct {
		room float64
		want CauseKind
	}{{50, CauseEnclosure}, {45, CauseEnclosure}, {38, CauseRoom}} {
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
		if x := r.last(HumidityFloor); x.Cause.Kind != c.want {
			t.Errorf("room at %.0f %%: %v: %s", c.room, x.Cause, x.Text)
		}
	}
}

// A probe that repeats itself to the last digit shows no mist, and says nothing
// about the nozzle.
func TestMist_NotMissedByAProbeThatStands(t *testing.T) {
	for _, stands := range []bool{false, true} {
		r := newRig(t, rigConfig(t, 3, noonMist))
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
		r.want(MistMissing, "e1", want)
		r.want(MistMissing, "e2", "")
	}
}

// lampMist is due soon after the lamps come on.
const lampMist = "[[mist]]\nid = \"m\"\ntimes = [\"08:20\"]\n"

// No mist anywhere and nothing got warmer when the lamps were to come on: that
// is the power and not the pump.
func TestMist_PowerThatWentBeforeTheLamps(t *testing.T) {
	for _, c := range []struct {
		dark bool
		want CauseKind
	}{{true, CauseRoom}, {false, CauseSupply}} {
		r := newRig(t, rigConfig(t, 4, lampMist))
		air := func(id string, at time.Duration) *sensors.Reading {
			x := r.calm(id, at)
			hour := math.Mod(at.Hours(), 24)
			if id != "room" {
				lit := 1 - math.Exp(-max(hour-8, 0)/0.4)
				if c.dark && at > 4*24*time.Hour {
					lit = 0
				}
				x.Temperature = sensors.CelsiusOf(21 + 3*lit*min(1, max(0, 20-hour)))
				if m := hour*60 - 500; m > 0 && at < 4*24*time.Hour {
					x.Humidity = sensors.PercentOf(82 + 14*min(m/3, 1)*math.Exp(-max(m-3, 0)/40))
				}
			}
			return x
		}
		r.now = 22 * time.Hour
		r.run(3*24*time.Hour, air)
		// As a week of such days would have taught it.
		for i := range r.e.encls {
			r.e.encls[i].st.Thermal.Params.LampFast = 2
		}
		r.log = nil
		r.run(12*time.Hour, air)
		if x := r.last(MistMissing); x.Cause.Kind != c.want {
			t.Errorf("dark %v: %v: %s", c.dark, x.Cause, x.Text)
		}
	}
}

// Air that cools with a room that is colder than usual gets damp by itself.
func TestMist_EndlessIsNotARoomThatCools(t *testing.T) {
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
		if got := r.e.coolsWithRoom(&r.e.encls[0]); got != c.want {
			t.Errorf("room %+.1f, enclosures %+.1f °C/h: %v", c.room, c.tank, got)
		}
	}
}

// Room and enclosures together are colder than usual, neither of them by much:
// it is no single enclosure that gets below its band first.
func TestCause_RoomAndEnclosuresTogether(t *testing.T) {
	for _, c := range []struct {
		room, first, others float64 // °C from usual
		want                CauseKind
	}{{-0.5, -1.1, -1.1, CauseRoom}, {-0.5, -1.3, -0.5, CauseEnclosure}, {0, -0.7, 0, CauseEnclosure}} {
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
		pic := r.e.survey(now)
		if cause, why := r.e.temperatureCause(&r.e.encls[0], &pic, now, kBelow); cause.Kind != c.want {
			t.Errorf("%+v: %v %q", c, cause, why)
		}
	}
}

// Two probes are exchanged while they show the same, and part when the lamps
// come on: each then stands in the other's usual place. One that is warmed
// alone does not.
func TestSwap_UnnoticedUntilTheLampsCome(t *testing.T) {
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
		r.want(ProbeDisagrees, "p1", want)
		r.want(ProbeDisagrees, "q2", want)
		if swapped {
			x := r.last(ProbeDisagrees)
			if x.Cause != (Cause{CauseProbe, "p1"}) || !strings.Contains(x.Text, "each stands where the other usually does") {
				t.Errorf("%v: %s", x.Cause, x.Text)
			}
			// After a day the new places are the usual ones, and it is not told again.
			r.run(3*24*time.Hour, air)
			r.want(ProbeDisagrees, "p1", "NORM>UNACK UNACK>RTNUN RTNUN>NORM")
		}
	}
}
