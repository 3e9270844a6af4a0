package climate

import (
	"math"
	"testing"
	"time"
)

// A room probe whose radio loses a few readings takes nothing from what is followed; one
// that is away for longer than the lamps are followed across a gap begins it anew.
func TestLampWatch_RoomProbeLost(t *testing.T) {
	for lost, kept := range map[time.Duration]bool{5 * time.Minute: true, lampGap + 10*time.Minute: false} {
		var w LampWatch
		for at := time.Duration(0); at < 3*time.Hour; at += time.Minute {
			hasRoom := at < 100*time.Minute || at >= 100*time.Minute+lost
			w.Observe(at, 24+at.Hours()/10, 20, hasRoom, at >= time.Hour)
		}
		if got := w.Since.Begun; got != kept {
			t.Errorf("lost for %v: the course since the switch is kept %v, want %v", lost, got, kept)
		}
	}
}

// litDays follows an enclosure that lamps warm by 2 °C with a time constant of half an hour,
// from eight to twenty o'clock by schedule. lit says what they do; until is when it ends.
func litDays(w *LampWatch, from, until time.Duration, lit func(at time.Duration) bool, seen func(at time.Duration)) {
	const step = time.Minute
	air := 22.0
	if w.Started {
		air = 22 + w.Open.Value + w.Around() - 22
	}
	for at := from; at < until; at += step {
		target := 22.0
		if lit(at) {
			target = 24
		}
		air += (target - air) * (1 - math.Exp(-step.Minutes()/30))
		w.Observe(at, air, 22, true, planned(at))
		if seen != nil {
			seen(at)
		}
	}
}

// planned is the schedule of litDays.
func planned(at time.Duration) bool {
	hour := at % (24 * time.Hour)
	return hour >= 8*time.Hour && hour < 20*time.Hour
}

// A room that was hot and is cooled fast, as by an air conditioner that was mended, leaves its
// enclosures warm beside it for hours, by their soil: no lamp did that.
func TestLampWatch_RoomCooledFast(t *testing.T) {
	const day = 24 * time.Hour
	for _, soil := range []float64{0.3, 0.6, 0.9} { // of what an enclosure follows the room by
		for _, lag := range []time.Duration{3 * time.Hour, 6 * time.Hour, 9 * time.Hour} {
			var w LampWatch
			follow, lamps, room := filter{22, 22}, 0.0, 22.0
			for at := time.Duration(0); at < 7*day+4*time.Hour; at += time.Minute {
				target := 22.0
				if hot := at - 6*day; hot > 0 && hot < 23*time.Hour {
					target = 32
				}
				room += max(-0.13, min(0.13, target-room))
				follow.step(room, -math.Expm1(-1.0/30), -math.Expm1(-1/lag.Minutes()))
				lit := 0.0
				if planned(at) {
					lit = 0.8
				}
				lamps += (lit - lamps) * -math.Expm1(-1.0/30)
				w.Observe(at, (1-soil)*follow.Fast+soil*follow.Slow+lamps, room, true, planned(at))
				if at > 6*day+23*time.Hour && w.Sign.Moved >= 2 {
					t.Fatalf("soil %v, %v: at %v the lamps are taken for on: %+v", soil, lag, at-6*day, w.Sign)
				}
			}
			if !w.Sign.Warms {
				t.Errorf("soil %v, %v: the lamps' warmth is not known", soil, lag)
			}
		}
	}
}

// Lamps that were seen to warm for some days are missed when they do not switch, and seen
// when they do; a switch without the schedule is a step away from it, and the next one back.
func TestLampWatch_ADayThatIsNotAsUsual(t *testing.T) {
	const day = 24 * time.Hour
	dark := func(time.Duration) bool { return false }
	for _, c := range []struct {
		name         string
		lit          func(at time.Duration) bool
		until        time.Duration // of the last day
		missing      bool          // the last switch
		follows      bool          // it was seen
		moved        bool          // a step without the schedule
		learnsAsUsed bool
	}{
		{"as usual", planned, 10 * time.Hour, false, true, false, true},
		{"they do not come on", dark, 10 * time.Hour, true, false, false, false},
		{"they do not go off", func(at time.Duration) bool { return planned(at) || at%day >= 20*time.Hour }, 22 * time.Hour, true, false, false, false},
		{"they go off at two", func(at time.Duration) bool { return planned(at) && at%day < 14*time.Hour }, 14*time.Hour + 50*time.Minute, false, true, true, true},
		{"they come on at four", func(at time.Duration) bool { return planned(at) || at%day >= 4*time.Hour && at%day < 8*time.Hour }, 4*time.Hour + 50*time.Minute, false, true, true, true},
	} {
		var w LampWatch
		litDays(&w, 0, 6*day, planned, nil)
		if gain, known := w.Gain(); !known || math.Abs(gain-2) > 0.2 {
			t.Fatalf("lamps that add 2 °C are seen to add %v, known %v", gain, known)
		}
		if !w.Sign.Warms || w.Ramps() || w.Sign.Missing > follow || w.Sign.Moved > 0 {
			t.Fatalf("after six days as usual: %+v", w.Sign)
		}
		before := w.Course[1].Mean[lampBins-1]
		most := 0.0
		litDays(&w, 6*day, 6*day+c.until, c.lit, func(time.Duration) { most = max(most, w.Sign.Moved) })
		s := w.Sign
		if (s.Missing >= 7) != c.missing || (s.Missing <= follow) != c.follows || (most >= 5) != c.moved {
			t.Errorf("%s: %+v, moved by at most %v", c.name, s, most)
		}
		if after := w.Course[1].Mean[lampBins-1]; math.Abs(float64(after-before)) > 0.1 {
			t.Errorf("%s: what is usual goes from %v to %v", c.name, before, after)
		}
	}
}

// follow is evidence against lamps that did not switch, from which they count as seen.
const follow = -3.0

// Lamps that were seen to switch did, whatever cools their enclosure later.
func TestLampWatch_WhatWasSeenWasSeen(t *testing.T) {
	const day = 24 * time.Hour
	for _, seen := range []bool{true, false} {
		var w LampWatch
		litDays(&w, 0, 6*day+8*time.Hour+40*time.Minute, planned, nil)
		if !w.Since.Seen {
			t.Fatalf("after the switch: %+v", w.Sign)
		}
		for at := 6*day + 8*time.Hour + 40*time.Minute; at < 6*day+10*time.Hour; at += time.Minute {
			w.Since.Seen = seen
			w.Observe(at, 22, 22, true, planned(at)) // something cools it again
			if seen && w.Sign.Missing > 0 {
				t.Fatalf("at %v: lamps that were seen to switch did not: %+v", at, w.Sign)
			}
		}
		if !seen && w.Sign.Missing < LampHint {
			t.Errorf("not seen to switch: %+v", w.Sign)
		}
	}
}

// What lamps that are wrong did speaks for the next switch too, until they are told; told,
// it is used up, and the lamps are right again by schedule at the next.
func TestLampWatch_WrongUntilTheNextSwitch(t *testing.T) {
	const day = 24 * time.Hour
	var w LampWatch
	litDays(&w, 0, 6*day, planned, nil)
	stuck := func(time.Duration) bool { return false }
	litDays(&w, 6*day, 6*day+19*time.Hour, stuck, nil)
	was := w.Sign.Missing
	litDays(&w, 6*day+19*time.Hour, 6*day+20*time.Hour+time.Minute, stuck, nil)
	if w.Sign.Carried != was || was <= 0 || w.Sign.Looks != 0 || w.Sign.Missing != 0 || w.Early {
		t.Errorf("at the next switch %+v, missed by %v", w.Sign, was)
	}
	w.IsWrong()
	if !w.Wrong || w.Sign != (LampSign{Warms: true}) {
		t.Errorf("told: %+v", w.Sign)
	}
	litDays(&w, 6*day+20*time.Hour+time.Minute, 7*day+8*time.Hour+time.Minute, stuck, nil)
	if w.Wrong || !w.Early {
		t.Errorf("after the next switch: wrong %v, before it %v", w.Wrong, w.Early)
	}
}

// What is known of the lamps' warmth, and whether they dim.
func TestLampWatch_WhatIsKnown(t *testing.T) {
	for _, c := range []struct {
		off, on float32
		days    bool
		gain    float64
	}{{-1.5, 1, true, 1.5}, {-1, 2, true, 2}, {0.5, -0.5, true, -0.5}} {
		var w LampWatch
		w.Course[0].Mean[lampBins-1], w.Course[1].Mean[lampBins-1] = c.off, c.on
		if gain, known := w.Gain(); gain != c.gain || known {
			t.Errorf("%+v: %v, known %v without a day", c, gain, known)
		}
		w.Course[1].Days[lampBins-1] = 9
		if _, known := w.Gain(); !known {
			t.Errorf("%+v: not known after days", c)
		}
	}
	for _, c := range []struct {
		on   bool
		ramp [2]float64
		want bool
	}{{true, [2]float64{-0.15, 0}, true}, {true, [2]float64{-0.14, 9}, false}, {false, [2]float64{-9, 0.15}, true}, {false, [2]float64{0, 0.14}, false}} {
		if got := (&LampWatch{On: c.on, Ramp: c.ramp}).Ramps(); got != c.want {
			t.Errorf("%+v: dims %v", c, got)
		}
	}
	for _, c := range []struct {
		f    LampFault
		want bool
	}{{LampsFollow, false}, {LampsNotOff, false}, {LampsNotOn, true}, {LampsOffEarly, true}, {LampsOnEarly, false}} {
		if c.f.Dark() != c.want {
			t.Errorf("%v: dark %v", c.f, !c.want)
		}
	}
}

// Lamps that dim for an hour before they go off are seen to after some days.
func TestLampWatch_Dims(t *testing.T) {
	const day = 24 * time.Hour
	var w LampWatch
	air := 22.0
	for at := time.Duration(0); at < 6*day; at += time.Minute {
		hour, target := at%day, 22.0
		switch {
		case hour >= 19*time.Hour && planned(at):
			target = 22 + 2*(20*time.Hour-hour).Hours()
		case planned(at):
			target = 24
		}
		air += (target - air) * (1 - math.Exp(-1.0/15))
		w.Observe(at, air, 22, true, planned(at))
		if at == 5*day+18*time.Hour && !w.Ramps() {
			t.Errorf("not seen to dim: %v", w.Ramp)
		}
	}
	if w.Ramps() {
		t.Errorf("they come on at once: %v", w.Ramp)
	}
}

// How long light takes to follow a switch is learned day by day: lamps that dim for most of
// an hour after it are no fault, and such that are at once are missed after a quarter of one.
func TestLampWatch_LightLag(t *testing.T) {
	for _, dims := range []time.Duration{0, 50 * time.Minute} {
		var w LampWatch
		for at := time.Duration(0); at < 72*time.Hour; at += time.Minute {
			off := at % (24 * time.Hour)
			on, lux := off >= 12*time.Hour, 2000.0
			if !on && off >= dims {
				lux = 1
			}
			w.ObserveLight(at, lux, on)
			w.Observe(at, 24, 22, true, on)
			if at == time.Minute && w.LightLag() != lightDims {
				t.Errorf("on the first day: %v", w.LightLag())
			}
			if late := w.Light.State != LampsOn; at > 30*time.Hour && !on && off >= w.LightLag() && !late {
				t.Fatalf("dims for %v: lit %v after the switch is too late", dims, off)
			}
		}
		if w.On = false; (w.LightLag() - dims - lightSlack).Abs() > time.Minute {
			t.Errorf("dims for %v: %v", dims, w.LightLag())
		}
		if w.Light.learnLag(false, lightLate); (w.LightLag() - dims - lightSlack).Abs() > time.Minute {
			t.Errorf("a lamp that stuck is learned as dimming: %v", w.LightLag())
		}
	}
}

// A light probe is believed after ten minutes of the same, and learns how bright on and off
// are where schedule and light agree.
func TestLampWatch_Light(t *testing.T) {
	var w LampWatch
	at := time.Duration(0)
	say := func(lux float64, on bool, d time.Duration) {
		at += d
		w.ObserveLight(at, lux, on)
	}
	if say(400, true, 0); w.Light.State != LampsOn {
		t.Errorf("the first reading: %v", w.Light.State)
	}
	say(1, true, time.Minute)
	if say(1, true, lightHold-1); w.Light.State != LampsOn {
		t.Error("dark for less than ten minutes")
	}
	if say(1, true, 1); w.Light.State != LampsOff || w.Light.SeenOff != 0 || w.Light.SeenOn != 1 {
		t.Errorf("dark for ten minutes: %+v", w.Light)
	}
	before := w.Light
	for _, bad := range []float64{math.NaN(), math.Inf(1), -1} {
		if say(bad, true, time.Hour); w.Light != before {
			t.Errorf("%v lux: %+v", bad, w.Light)
		}
	}
	// Before anything is learned the middle of 2 and 80 lux parts them, by their logarithms.
	for lux, want := range map[float64]Lamps{12.7: LampsOn, 12.6: LampsOff, 0: LampsOff} {
		w = LampWatch{}
		if w.ObserveLight(0, lux, false); w.Light.State != want {
			t.Errorf("%v lux: %v", lux, w.Light.State)
		}
	}
	// Faint lamps are learned: 30 lux beside 1 lux of the night part at 5.5 lux.
	w, at = LampWatch{}, 0
	for range 3 {
		say(30, true, time.Hour)
		say(1, false, time.Hour)
	}
	if w.Light.SeenOn != 3 || w.Light.SeenOff != 3 || math.Abs(math.Exp(w.Light.LogOn)-30) > 1e-9 || math.Abs(math.Exp(w.Light.LogOff)-1) > 1e-9 {
		t.Errorf("learned %+v", w.Light)
	}
	for lux, want := range map[float64]Lamps{5.6: LampsOn, 5.4: LampsOff} {
		x := w
		x.ObserveLight(at+time.Hour, lux, true)
		x.ObserveLight(at+2*time.Hour, lux, true)
		if x.Light.State != want {
			t.Errorf("%v lux beside what was learned: %v", lux, x.Light.State)
		}
	}
}

// Lamps that rest at noon each day, though nobody wrote it down, do so as usual, however
// coarse the probes and whatever the room does; at another hour they do not, and nobody
// knows before some days.
func TestLampWatch_ARestEachDay(t *testing.T) {
	const day = 24 * time.Hour
	for _, c := range []struct {
		name string
		rest func(n int) time.Duration // hour at which it begins on a day
		want bool
	}{
		{"each day", func(int) time.Duration { return 13 * time.Hour }, false},
		{"a little later each day", func(n int) time.Duration { return 13*time.Hour + time.Duration(3*n)*time.Minute }, false},
		{"new", func(n int) time.Duration { return time.Duration(13+24*(9-n)) * time.Hour }, true},
		{"much later for once", func(n int) time.Duration { return time.Duration(13+2*(n/9)) * time.Hour }, true},
	} {
		for _, step := range []float64{0.01, 0.5} {
			var w LampWatch
			most, lamps, room := 0.0, 0.0, 22.0
			for at := time.Duration(0); at < 10*day; at += time.Minute {
				lit, n := 0.0, int(at/day)
				if rest := at%day - c.rest(n); planned(at) && (rest < 0 || rest >= time.Hour) {
					lit = 2.4
				}
				room = 22 + 0.4*math.Sin(at.Hours()/7.3) // a weather of its own
				lamps += (lit - lamps) / 20
				seen := func(x float64) float64 { return math.Round(x/step) * step }
				w.Observe(at, seen(room+lamps), seen(room), true, planned(at))
				if n == 9 {
					most = max(most, w.Sign.Moved)
				}
			}
			if got := most >= 5; got != c.want {
				t.Errorf("%s, steps of %v: evidence of %v", c.name, step, most)
			}
		}
	}
}

// Without the room's temperature, a room whose heating failed, or that is warmed again, moves
// an enclosure as lamps do. One that is as it usually is at the switch does not.
func TestLampWatch_NoRoomProbe(t *testing.T) {
	const day = 24 * time.Hour
	for _, gain := range []float64{1.2, 2, 3} {
		for fails := time.Duration(0); fails < day; fails += time.Hour {
			var w LampWatch
			room, lamps := 22.0, 0.0
			for at := time.Duration(0); at < 8*day; at += time.Minute {
				switch since := at - 6*day - fails; {
				case since > 0 && since < 15*time.Hour:
					room += (12 - room) / (10 * 60) // each minute
				default:
					room = min(22, room+2.0/60)
				}
				lit := 0.0
				if planned(at) {
					lit = gain
				}
				lamps += (lit - lamps) / 30
				w.Observe(at, room+lamps, 0, false, planned(at))
				hours := (at - 6*day - fails).Hours()
				if hours > 2 && w.Switch > 6*day+fails+90*time.Minute && w.Sign.Missing >= LampHint {
					t.Fatalf("lamps of %v °C, heating away from %v: missed %.1f h later: %+v", gain, fails, hours, w.Sign)
				}
			}
		}
		var w LampWatch
		air, most := 22.0, 0.0
		for at := time.Duration(0); at < 6*day+22*time.Hour; at += time.Minute {
			target := 22.3 - 0.1*float64(at/day) // from day to day
			if planned(at) || at > 6*day+8*time.Hour {
				target += gain
			}
			air += (target - air) / 30
			w.Observe(at, air, 0, false, planned(at))
			most = max(most, w.Sign.Missing)
		}
		if most < LampHint {
			t.Errorf("lamps of %v °C that stay on: %+v, at most %v", gain, w.Sign, most)
		}
	}
}

// Lamps that go off before their time are told without the room's temperature, by what the
// hour and a half since shows; a room that cools on, or was aired, is no lamp.
func TestLampWatch_OffEarlyNoRoom(t *testing.T) {
	const day = 24 * time.Hour
	for _, c := range []struct {
		name string
		dark bool
		room func(since time.Duration) float64 // °C away
		want bool
	}{
		{"lamps off", true, func(time.Duration) float64 { return 0 }, true},
		{"lamps off in a room that cools", true, func(d time.Duration) float64 { return -0.4 * d.Hours() }, true},
		{"the room cools on", false, func(d time.Duration) float64 { return -2.2 * d.Hours() }, false},
		{"aired", false, func(d time.Duration) float64 {
			if d > 40*time.Minute {
				return 0
			}
			return -4
		}, false},
	} {
		var w LampWatch
		air, most := 22.0, 0.0
		for at := time.Duration(0); at < 6*day+16*time.Hour; at += time.Minute {
			since := at - 6*day - 13*time.Hour
			target := 22 + 0.3*math.Sin(at.Hours()/3.7)
			if planned(at) && (since < 0 || !c.dark) {
				target += 2.4
			}
			if since > 0 {
				target += c.room(since)
			}
			air += (target - air) / 30
			w.Observe(at, air, 0, false, planned(at))
			if since > 0 && since < 2*time.Hour {
				most = max(most, w.Sign.Moved)
			}
		}
		if got := most >= 4.5; got != c.want {
			t.Errorf("%s: evidence of %.1f", c.name, most)
		}
	}
}

// A state from elsewhere may have counted further than a watch does.
func TestLampWatch_StepsOfAnotherState(t *testing.T) {
	var w LampWatch
	w.Since.Begun = true
	w.Steps[0].N[0] = math.MaxUint8
	w.learnStep()
	if u := w.Steps[0]; u.N[0] != 2*courseDays || math.IsInf(float64(u.Mean[0]), 0) || math.IsNaN(float64(u.Mean[0])) {
		t.Errorf("%d looks, mean %v", u.N[0], u.Mean[0])
	}
}

// The evidence is half the logarithm of the squares that are left, a degree of freedom each,
// as in the likelihood of a straight line with a free intercept (any handbook of regression).
func TestContrast(t *testing.T) {
	usual := []float64{0, 0, -1, -2}
	for _, moved := range [][]float64{{-0.4, -0.5, -1.4, -2.5}, {-1, -1, -1, -1}, {3, 2, 3, 2}} {
		var c Contrast
		level, rest := 0.0, 0.0
		for i, x := range usual {
			c.Add(x, moved[i])
			level, rest = level+moved[i]/4, rest+(moved[i]-x)/4
		}
		alike, own := 0.08, 0.08 // two of 0.2 °C
		for i, x := range usual {
			alike += (moved[i] - level) * (moved[i] - level)
			own += (moved[i] - x - rest) * (moved[i] - x - rest)
		}
		near(t, "evidence", c.Evidence(), 2.5*math.Log(alike/own), 1e-9)
	}
	var one Contrast
	one.Add(-2, -2)
	if one.Evidence() != 0 {
		t.Error("one enclosure is no contrast")
	}
}

// The last look of a phase has no later one beside it; a switch before anything is known
// begins no course.
func TestLampWatch_FirstAndLastOfAPhase(t *testing.T) {
	w := LampWatch{Last: 100*time.Hour + (stepSlots-1)*stepSlot, Switch: 100 * time.Hour}
	w.Since.Begun = true
	for k := range stepSlots {
		w.Steps[0].N[k], w.Steps[0].Mean[k] = stepFew, 1
	}
	w.Past[0].Value, w.Past[lampWindow].Value = 1, 0
	if _, known := w.habitual(); !known {
		t.Error("the last look is not known")
	}
	w = LampWatch{}
	if w.switched(time.Hour); w.Since != (lampCourse{}) || w.Switch != time.Hour {
		t.Errorf("%+v", w.Since)
	}
}

// Of lamps that dim for an hour and a half most comes before they are off: that it did not
// come tells as well, where little is left for later.
func TestLampWatch_DidNotDim(t *testing.T) {
	const day = 24 * time.Hour
	share := func(at time.Duration) float64 {
		switch hour := at % day; {
		case !planned(at):
			return 0
		case hour >= 18*time.Hour+30*time.Minute:
			return (20*time.Hour - hour).Hours() / 1.5
		}
		return 1
	}
	run := func(sticks, hasRoom bool) (told bool, lacks, step float64) {
		var w LampWatch
		air := 22.0
		for at := time.Duration(0); at < 6*day+21*time.Hour+10*time.Minute; at += time.Minute {
			lit := share(at)
			if sticks && at > 6*day+18*time.Hour {
				lit = 1
			}
			air += (22 + 0.7*lit - air) * (1 - math.Exp(-1.0/20))
			w.Observe(at, air, 22, hasRoom, planned(at))
			told = w.Sign.Missing >= LampHint && !w.On
		}
		lacks, step, _ = w.Lacks()
		return told, lacks, step
	}
	for _, hasRoom := range []bool{true, false} {
		for _, sticks := range []bool{true, false} {
			told, lacks, step := run(sticks, hasRoom)
			if told != sticks || sticks != (lacks > 0.5) || step > -0.5 {
				t.Errorf("room %v, sticks %v: told %v, lacks %.2f of %.2f °C", hasRoom, sticks, told, lacks, step)
			}
		}
	}
}
