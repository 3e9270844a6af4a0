package probes

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"dewline/rules/alarm"
	"dewline/rules/room"
	"dewline/rules/room/roomtest"
	"dewline/sensors"
)

// exchange is a room in which the probes of two enclosures stand in each other's place
// since one reading, both without a silence.
func exchange(t *testing.T) (swaps, probe, probe) {
	v := roomtest.View(t, 2, "")
	v.At.Mono = 100 * time.Hour
	for i := range v.Probes {
		roomtest.Says(v, i, 24, 80)
	}
	l := swaps{look{New(v), v, &room.Out{Lives: &roomtest.Found{}}}}
	p, q := l.at(1), l.at(2)
	warm, cool := Level{Temp: 2700, Hum: 7500, Num: swapMean, HasHum: true}, Level{Temp: 2300, Hum: 8500, Num: swapMean, HasHum: true}
	p.Step = Step{At: v.At.Mono, Before: cool, After: warm, First: 2700, Stands: true}
	q.Step = Step{At: v.At.Mono, Before: warm, After: cool, First: 2300, Stands: true}
	return l, p, q
}

// Two probes that step into each other's place at once are exchanged, unless a door may
// have done it, or their polls are too far apart to tell.
func TestSwap_Exchanged(t *testing.T) {
	same := func(_ swaps, p, q probe) { // but for the humidity
		p.Step.Before.Temp, p.Step.After.Temp, q.Step.Before.Temp, q.Step.After.Temp = 2400, 2400+swapWarms-1, 2400+swapWarms-1, 2400
	}
	for _, c := range []struct {
		name  string
		set   func(l swaps, p, q probe)
		found bool
	}{
		{"at once", func(swaps, probe, probe) {}, true},
		{"two polls apart", func(_ swaps, p, q probe) { q.Step.At -= 2 * p.St.Interval }, true},
		{"more", func(_ swaps, p, q probe) { q.Step.At -= 2*p.St.Interval + 1 }, false},
		{"more, across a silence of both", func(_ swaps, p, q probe) { q.Step.At -= time.Minute; p.Step.Silent, q.Step.Silent = true, true }, true},
		{"across a silence of one", func(_ swaps, p, q probe) { q.Step.At -= time.Minute; p.Step.Silent = true }, false},
		{"a quarter of an hour apart", func(_ swaps, p, q probe) { q.Step.At -= swapWithin; p.Step.Silent, q.Step.Silent = true, true }, true},
		{"longer", func(_ swaps, p, q probe) { q.Step.At -= swapWithin + 1; p.Step.Silent, q.Step.Silent = true, true }, false},
		{"the other does not stand", func(_ swaps, _, q probe) { q.Step.Stands = false }, false},
		{"the other went elsewhere", func(_ swaps, _, q probe) { q.Step.After.Temp = 2500 }, false},
		{"a little beside it", func(_ swaps, p, _ probe) { p.Step.After.Temp += 2 * swapNearTemp }, true},
		{"farther", func(_ swaps, p, _ probe) { p.Step.After.Temp += 2*swapNearTemp + 1 }, false},
		{"one door was shut, another opened", same, false},
		{"the same across a silence of both", func(l swaps, p, q probe) { same(l, p, q); p.Step.Silent, q.Step.Silent = true, true }, true},
		{"the same, and they go back", func(l swaps, p, q probe) { same(l, p, q); p.St.Swap.With = q.Cfg.ID }, true},
		{"noisy probes", func(_ swaps, p, _ probe) { p.Grain.Temp = 400/swapGrains + 1 }, false},
		{"slow polls, the first reading made most of it", func(_ swaps, p, _ probe) { p.St.Interval, p.Step.First = swapPoll+1, 2300+swapFirst*400 }, true},
		{"less", func(_ swaps, p, _ probe) { p.St.Interval, p.Step.First = swapPoll+1, 2299+swapFirst*400 }, false},
		{"the other's made less", func(_ swaps, p, q probe) { p.St.Interval, q.Step.First = swapPoll+1, 2701-swapFirst*400 }, false},
		{"a little beside it, both noisy", func(_ swaps, p, q probe) { p.Grain.Temp, p.Step.After.Temp = 100, 2700+120 }, true},
		{"with slow polls", func(_ swaps, p, q probe) {
			p.Grain.Temp, p.Step.After.Temp, p.St.Interval = 100, 2700+120, swapPoll+1
		}, false},
		{"not so slow", func(_ swaps, p, q probe) { p.St.Interval, q.St.Interval = swapPoll, swapPoll }, true},
	} {
		l, p, q := exchange(t)
		c.set(l, p, q)
		l.stand(p)
		if got := l.exchanged(p); (got.Probe != nil) != c.found || c.found && got.Cfg.ID != q.Cfg.ID {
			t.Errorf("%s: found %v", c.name, got.Probe != nil)
		}
	}
}

// Where no probe hangs in the room, places are known against the middle of all, if two do
// not make it; where one does and is silent, they are not known meanwhile.
func TestSwap_PlacesWithoutARoomProbe(t *testing.T) {
	for _, c := range []struct {
		enclosures   int
		inRoom, want bool
	}{{5, false, true}, {5, true, false}, {4, false, false}} {
		v := roomtest.View(t, c.enclosures, "")
		l := look{New(v), v, &room.Out{Lives: &roomtest.Found{}}}
		usual := []float64{0, 2.5, -0.5, 0, 0, 0}
		for i := range v.Probes {
			for hour := range 24 * 9 {
				for range 3 {
					l.At[i].Own.Observe(float64(hour%24), usual[i])
				}
			}
		}
		v.Probes[0].St.HasTemp = false
		if !c.inRoom {
			v.InRoom = nil
		}
		usual[1], usual[2] = usual[2], usual[1]
		for range placesFor/time.Minute + 1 {
			v.At = v.At.Add(time.Minute)
			v.ReadClock(v.At)
			for i := 1; i <= c.enclosures; i++ {
				roomtest.Says(v, i, 24+usual[i], 85)
			}
			l.minutely(v.At)
		}
		if got := v.Probes[1].St.Swap.With == "p2" && v.Probes[2].St.Swap.Late; got != c.want {
			t.Errorf("%+v: %+v", c, v.Probes[1].St.Swap)
		}
	}
}

// An exchange is told of both, forgets what each jumped by, and is over when they go back.
func TestSwap_ToldOfBoth(t *testing.T) {
	l, p, q := exchange(t)
	for _, x := range []probe{p, q} {
		x.St.Leap, x.St.Jumps, x.Away, x.St.Swap.Late = 300, 2, Away{Since: 1}, true
	}
	l.tellSwap(p, q, l.v.At, false)
	for _, x := range [][2]probe{{p, q}, {q, p}} {
		s := x[0].St.Swap
		if s.With != x[1].Cfg.ID || s.At != l.v.At.Mono || !s.Told || s.Late || x[0].St.Leap != 0 || x[0].St.Jumps != 0 || x[0].Step.At != 0 || x[0].Away.Since != 0 {
			t.Errorf("%s: %+v, %+v", x[0].Cfg.ID, s, x[0].State)
		}
	}
	found := l.out.Lives.(*roomtest.Found)
	if f, _ := found.Last(alarm.KindDisagrees); len(found.List) != 2 || f.In != alarm.Beyond || !f.AtOnce {
		t.Errorf("told %+v", found.List)
	}
	for _, x := range []probe{p, q} {
		if f := (&Judge{At: l.At}).Fact(l.v, x.Alarm(alarm.KindDisagrees)); f.ID != alarm.FactSwapped || f.About != x.St.Swap.With {
			t.Errorf("%s: %+v", x.Cfg.ID, f)
		}
		if c, why := (&Judge{At: l.At}).Cause(l.v, x.Alarm(alarm.KindDisagrees)); c != (alarm.Cause{Kind: alarm.CauseProbe, ID: "p1"}) || len(why) != 1 || why[0].ID != alarm.FactExchanged {
			t.Errorf("%s by %+v, %+v", x.Cfg.ID, c, why)
		}
	}
	l.tellSwap(q, p, l.v.At, false)
	if f, _ := found.Last(alarm.KindDisagrees); p.St.Swap.With != "" || q.St.Swap.With != "" || p.St.Swap.Told || f.In != alarm.Back || len(found.List) != 4 {
		t.Errorf("they are back: %+v, %+v", p.St.Swap, found.List)
	}
	l.judgeSwap(p)
	if len(found.List) != 4 {
		t.Error("what is over is told again")
	}
}

// After a day the new places are the usual ones, of both.
func TestSwap_SettlesAfterADay(t *testing.T) {
	for ago, want := range map[time.Duration]bool{swapTold: false, swapTold + 1: true} {
		l, p, q := exchange(t)
		for n := range 27 {
			p.Own.Observe(float64(11+n/3%3), 1)
			q.Own.Observe(float64(11+n/3%3), -2)
		}
		l.tellSwap(p, q, l.v.At, false)
		r := sensors.Reading{At: l.v.At.Add(ago), Quality: sensors.Bad}
		l.watchSwap(p, &r)
		a, _ := p.Own.At(12)
		b, _ := q.Own.At(12)
		if (p.St.Swap.With == "") != want || (q.St.Swap.With == "") != want || (a < 0) != want || (b > 0) != want {
			t.Errorf("after %v: %+v, usually at %v and %v", ago, p.St.Swap, a, b)
		}
	}
}

// Who drifts past another's place while that one is away too did not change places with
// it: they left hours apart. What all do together is the room's.
func TestSwap_PlacesInPassing(t *testing.T) {
	for _, c := range []struct {
		name  string
		by    func(minute, probe int) float64 // °C from the own place
		begin time.Duration
		want  bool
	}{
		{"changed", func(_, i int) float64 { return []float64{0, 1.5, -1.5, 0, 0, 0}[i] }, 0, true},
		{"each with an offset of its own", func(_, i int) float64 { return []float64{0, 1, -1, 0, 0, 0}[i] }, 0, true},
		{"hours apart", func(m, i int) float64 {
			return []float64{0, 1.5, -min(1.5, max(0, float64(m-60)/60)), 0, 0, 0}[i]
		}, 0, false},
		{"in passing", func(m, i int) float64 { x := 6 * min(1, float64(m)/120); return []float64{0, x, -x, 0, 0, 0}[i] }, 0, false},
		{"one left", func(_, i int) float64 { return []float64{0, 1.5, 0, 0, 0, 0}[i] }, 0, false},
		{"the room is warm", func(_, i int) float64 { return 2 + []float64{0, 1.5, -1.5, 0, 0, 0}[i] }, 0, true},
		{"all are restless", func(_, i int) float64 { return []float64{0, 1.5, -1.5, 0.6, -0.6, 0.4}[i] }, 0, false},
	} {
		v := roomtest.View(t, 5, "")
		l := look{New(v), v, &room.Out{Lives: &roomtest.Found{}}}
		usual := []float64{0, 1, 2.5, 0, 0, 0}
		for i := range v.Probes {
			for hour := range 24 * 9 {
				for range 3 {
					l.At[i].Own.Observe(float64(hour%24), usual[i]+0.2*float64(hour/24%3))
				}
			}
		}
		for m := range 180 {
			v.At = v.At.Add(time.Minute)
			v.ReadClock(v.At)
			for i := range v.Probes {
				by := 0.0
				if i > 0 {
					by = c.by(m, i) + 0.2
				}
				roomtest.Says(v, i, 22+usual[i]+by, 85)
			}
			l.minutely(v.At)
		}
		if got := v.Probes[1].St.Swap.With == "p2"; got != c.want {
			t.Errorf("%s: told %v; %+v, %+v", c.name, got, l.At[1].Away, l.At[2].Away)
		}
	}
}

// A reading or two that lead back make no step, of whatever size.
func TestSwap_SpikeIsNoStep(t *testing.T) {
	for n, want := range []bool{false, false, false, false, false, false, true} {
		p := probe{&room.Probe{}, &State{}}
		stands := false
		for i := range 20 {
			x := sensors.Reading{At: instant(time.Duration(i) * poll), Has: sensors.HasTemperature, Temperature: sensors.CentiCelsius(2400 + i%2), Quality: sensors.Good}
			if i >= 10 && i < 10+n {
				x.Temperature = 6930
			}
			stands = p.follow(&x) || stands
			p.note(&x, poll, false)
			p.St.Temp, p.St.HasTemp = x.Temperature, true
		}
		if stands != want || !want && p.Level.Temp > 2402 {
			t.Errorf("%d readings: stands %v, at %+v", n, stands, p.Level)
		}
	}
}

// A step within five minutes of a silence may be a probe that was plugged in elsewhere, and one
// within half an hour of another belongs to its row, which began from where the air was calm.
func TestSwap_StepOfARow(t *testing.T) {
	const now = 10 * time.Hour
	for _, c := range []struct {
		quiet, stepped time.Duration // ago, -1 for never
		silent, calm   bool
	}{
		{-1, -1, false, true}, {5 * time.Minute, 30 * time.Minute, true, false}, {5*time.Minute + 1, 30*time.Minute + 1, false, true},
	} {
		p := probe{&room.Probe{}, &State{}}
		p.St.HasTemp, p.St.Temp, p.St.Interval, p.St.Quality = true, 2400, poll, sensors.Good
		p.St.Heard, p.St.Last = instant(now-poll), instant(now-poll)
		p.Level, p.Calm, p.Grain.Temp = Level{Temp: 2400, Num: swapMean}, Level{Temp: 2000, Num: 1}, 1
		if c.quiet >= 0 {
			p.Quiet = now - c.quiet
		}
		if c.stepped >= 0 {
			p.Stepped = now - c.stepped
		}
		p.follow(&sensors.Reading{At: instant(now), Has: sensors.HasTemperature, Temperature: 2700, Quality: sensors.Good})
		if p.Step.At != now || p.Step.Silent != c.silent || (p.Calm.Temp == 2400) != c.calm {
			t.Errorf("%+v: %+v, calm at %v", c, p.Step, p.Calm.Temp)
		}
	}
}

// How far a probe is from its place is against the room where there are few.
func TestSwap_AwayOfFew(t *testing.T) {
	v := roomtest.View(t, 2, "")
	l := swaps{look{New(v), v, &room.Out{Lives: &roomtest.Found{}}}}
	for i := range 24*9 + 1 {
		for range 3 {
			l.At[1].Own.Observe(float64(i%24), 1)
		}
	}
	roomtest.Says(v, 1, 24.5, 85)
	middle, off := l.leaveTogether(2200, 12, v.At.Mono)
	if by := l.At[1].Away.by; by != 1.5 || middle != 0 || off != 0 || !math.IsNaN(l.At[2].Away.by) {
		t.Errorf("2.5 °C over the room, where 1 is usual: by %v, the middle %v, off %v", by, middle, off)
	}
}

// What a probe said before a long silence, or before it came into service, is no level to
// step from.
func TestSwap_ForgetsOldLevels(t *testing.T) {
	for _, c := range []struct {
		name   string
		has    bool
		silent time.Duration
		since  time.Duration // it is in service
		keeps  bool
	}{
		{"a poll ago", true, poll, 0, true}, {"a quarter of an hour ago", true, swapWithin, 0, true}, {"longer", true, swapWithin + 1, 0, false},
		{"in service since", true, poll, time.Hour, false}, {"it never told", false, poll, 0, false},
	} {
		p := probe{&room.Probe{}, &State{}}
		p.St.HasTemp, p.St.Interval, p.Since, p.St.Quality = c.has, poll, c.since, sensors.Good
		p.St.Heard, p.St.Last, p.St.Temp = instant(time.Hour-c.silent), instant(time.Hour-c.silent), 2400
		p.Level = Level{Temp: 2400, Num: swapMean}
		if p.follow(&sensors.Reading{At: instant(time.Hour), Has: sensors.HasTemperature, Temperature: 2400, Quality: sensors.Good}) {
			t.Errorf("%s: a step", c.name)
		}
		if (p.Level.Num == swapMean) != c.keeps {
			t.Errorf("%s: %+v", c.name, p.Level)
		}
		if quiet := p.Quiet == time.Hour; quiet != (c.silent > 3*poll) {
			t.Errorf("%s: it was silent %v", c.name, quiet)
		}
	}
	// Only humidity that it told before and tells now has a grain.
	for _, c := range []struct{ had, has, want bool }{{true, true, true}, {true, false, false}, {false, true, false}} {
		p := probe{&room.Probe{}, &State{}}
		p.Level.Num, p.St.HasTemp, p.St.Temp, p.St.HasHum, p.St.Hum, p.St.Quality = 1, true, 2400, c.had, 8000, sensors.Good
		r := sensors.Reading{Has: sensors.HasTemperature, Temperature: 2410, Humidity: 8100}
		if c.has {
			r.Has |= sensors.HasHumidity
		}
		if p.moved(&r); (p.Grain.Hum == 100) != c.want || p.Grain.Temp != 10 {
			t.Errorf("%+v: %+v", c, p.Grain)
		}
	}
}

// What is told of each alarm of a probe.
func TestProbes_WhatIsTold(t *testing.T) {
	for _, c := range []struct {
		name string
		kind alarm.Kind
		set  func(v *room.View, p probe)
		want alarm.Fact
	}{
		{"silent, the only one", alarm.KindSilent, func(*room.View, probe) {}, alarm.Fact{ID: alarm.FactBlind}},
		{"silent, of two", alarm.KindSilent, func(v *room.View, _ probe) { v.Enclosures[0].Probes = []int{1, 2} }, alarm.Fact{ID: alarm.FactID(alarm.ProbeSilent)}},
		{"only its humidity", alarm.KindSilent, func(_ *room.View, p probe) {
			p.St.HumAt -= time.Hour
			p.Alarm(alarm.KindSilent).Rec.Life.Active, p.Alarm(alarm.KindSilent).Rec.Value = true, 3600
		}, alarm.Fact{ID: alarm.FactHumiditySilent}},
		{"it spoke longer ago than its humidity", alarm.KindSilent, func(_ *room.View, p probe) {
			p.St.HumAt -= time.Hour
			p.Alarm(alarm.KindSilent).Rec.Life.Active, p.Alarm(alarm.KindSilent).Rec.Value = true, 3601
		}, alarm.Fact{ID: alarm.FactBlind}},
		{"heat that stands alone", alarm.KindJump, func(_ *room.View, p probe) { p.St.Alone, p.Shift = true, Shift{At: 1, By: 300} }, alarm.Fact{ID: alarm.FactJumpAlone}},
		{"beside the air", alarm.KindJump, func(_ *room.View, p probe) { p.Shift = Shift{At: 1, By: 300} }, alarm.Fact{ID: alarm.FactJumpStays, Delta: 3}},
		{"jumps", alarm.KindJump, func(*room.View, probe) {}, alarm.Fact{ID: alarm.FactID(alarm.ProbeJump)}},
		{"the humidity is due", alarm.KindOverdue, func(_ *room.View, p probe) { p.dueHum = true }, alarm.Fact{ID: alarm.FactDueHumidity}},
		{"the temperature is due", alarm.KindOverdue, func(_ *room.View, p probe) { p.dueTemp = true }, alarm.Fact{ID: alarm.FactDueTemperature}},
		{"both are due", alarm.KindOverdue, func(_ *room.View, p probe) { p.dueHum, p.dueTemp = true, true }, alarm.Fact{ID: alarm.FactID(alarm.ProbeOverdue)}},
		{"exchanged", alarm.KindDisagrees, func(_ *room.View, p probe) { p.St.Swap.With = "x" }, alarm.Fact{ID: alarm.FactSwapped, About: "x"}},
		{"exchanged, seen late", alarm.KindDisagrees, func(_ *room.View, p probe) { p.St.Swap.With, p.St.Swap.Late = "x", true }, alarm.Fact{ID: alarm.FactSwappedLate, About: "x"}},
		{"it was exchanged", alarm.KindDisagrees, func(_ *room.View, p probe) { p.Alarm(alarm.KindDisagrees).Rec.HasLimit = false }, alarm.Fact{ID: alarm.FactStood}},
		{"disagrees", alarm.KindDisagrees, func(_ *room.View, p probe) { p.Alarm(alarm.KindDisagrees).Rec.HasLimit = true }, alarm.Fact{ID: alarm.FactID(alarm.ProbeDisagrees)}},
		{"wet", alarm.KindWet, func(*room.View, probe) {}, alarm.Fact{ID: alarm.FactID(alarm.ProbeWet)}},
	} {
		v := roomtest.View(t, 1, "")
		j := New(v)
		p := look{Judge: j, v: v}.at(1)
		c.set(v, p)
		if got := j.Fact(v, p.Alarm(c.kind)); got != c.want {
			t.Errorf("%s: %+v, want %+v", c.name, got, c.want)
		}
	}
	// A wet probe is told by what is odd about it: 24 °C at 88.6 % have a dew point of 22 °C (Magnus).
	v := roomtest.View(t, 1, "")
	j := New(v)
	p := look{Judge: j, v: v}.at(1)
	if _, why := j.Cause(v, p.Alarm(alarm.KindWet)); len(why) != 1 || why[0].ID != alarm.FactWetAtOnce {
		t.Errorf("%+v", why)
	}
	roomtest.Says(v, 1, 24, 88.6)
	p.St.Dewy = true
	if _, why := j.Cause(v, p.Alarm(alarm.KindWet)); len(why) != 1 || why[0].ID != alarm.FactDewPoint || float64(why[0].Temperature) < 21.9 || float64(why[0].Temperature) > 22.1 {
		t.Errorf("%+v", why)
	}
}

// Of steps that stand in any order, and are replaced and forgotten, the same is found as by
// a look at every probe.
func TestSwap_ExchangedAsByLookingAtAll(t *testing.T) {
	v := roomtest.View(t, 12, "")
	l := swaps{look{New(v), v, &room.Out{Lives: &roomtest.Found{}}}}
	rng := rand.New(rand.NewPCG(7, 8))
	level := func() Level { return Level{Temp: float64(2300 + 100*rng.IntN(3)), Num: swapMean} }
	found := 0
	for now := time.Hour; now < 300*time.Hour; now += time.Duration(rng.IntN(30)) * time.Second {
		p := l.at(rng.IntN(len(v.Probes)))
		p.St.Interval = time.Duration(10+rng.IntN(50)) * time.Second
		p.Step = Step{At: now - time.Duration(rng.IntN(1+rng.IntN(3600)))*time.Second, Before: level(), After: level(), Silent: rng.IntN(2) == 0, Stands: true}
		l.stand(p)
		var want probe
		for i := range v.Probes {
			q := l.at(i)
			a, b, apart := &p.Step, &q.Step, (p.Step.At - q.Step.At).Abs()
			near := apart <= 2*p.St.Interval || a.Silent && b.Silent && apart <= swapWithin
			if q != p && b.Stands && near && p.tookPlaces(q) {
				want, found = q, found+1
				break
			}
		}
		if len(l.stood) > 2*len(v.Probes)+1 {
			t.Fatalf("%d steps stand of %d probes", len(l.stood), len(v.Probes))
		}
		if got := l.exchanged(p); got.Probe != want.Probe {
			t.Fatalf("found %+v, and by looking at all %+v", got.Probe, want.Probe)
		}
		if rng.IntN(4) == 0 {
			l.at(rng.IntN(len(v.Probes))).Step = Step{}
		}
	}
	if found < 1000 {
		t.Errorf("found %d: the test saw too little", found)
	}
}
