package probes

import (
	"math"
	"slices"
	"testing"
	"time"

	"dewline/rules/alarm"
	"dewline/rules/room"
	"dewline/rules/room/roomtest"
	"dewline/sensors"
)

func TestProbe_Rhythm(t *testing.T) {
	p := probe{&room.Probe{}, &State{}}
	at := time.Duration(0)
	read := func(d time.Duration) {
		at += d
		p.note(&sensors.Reading{At: instant(at), Quality: sensors.Good}, poll, false)
	}
	read(0)
	read(time.Minute) // the first interval teaches
	if p.St.Interval != time.Minute {
		t.Fatalf("%v", p.St.Interval)
	}
	read(10 * time.Minute) // one outage does not
	read(time.Hour)
	if p.St.Interval != time.Minute {
		t.Errorf("after an outage: %v", p.St.Interval)
	}
	for range 5 {
		read(10 * time.Second)
	}
	if p.St.Interval != 10*time.Second {
		t.Errorf("after a change for good: %v", p.St.Interval)
	}
}

func TestProbe_HeatTrust(t *testing.T) {
	p := probe{&room.Probe{}, &State{}}
	p.St.Temp, p.St.HasTemp, p.St.TempAt, p.St.Interval = 2400, true, time.Minute, poll
	for _, c := range []struct {
		q    sensors.Quality
		why  sensors.Reason
		temp sensors.CentiCelsius
		want trust
	}{
		{sensors.Good, sensors.NoReason, 2400, trusted},
		{sensors.Bad, sensors.BadCRC, 2400, noUse},
		{sensors.Suspect, sensors.PinnedWet, 2400, trusted},
		{sensors.Suspect, sensors.DewTooHigh, 2400, trusted},
		{sensors.Suspect, sensors.Jump, 2450, trusted}, // the humidity jumped
		{sensors.Suspect, sensors.Jump, 3100, doubted},
		{sensors.Suspect, sensors.FrozenValue, 2400, doubted},
		{sensors.Suspect, sensors.Swapped, 2400, doubted},
		{sensors.Suspect, sensors.Heating, 2400, noUse},
		{sensors.Suspect, sensors.TooOld, 2400, noUse},
	} {
		r := sensors.Reading{At: instant(time.Minute + poll), Has: sensors.HasTemperature, Temperature: c.temp, Quality: c.q, Reason: c.why}
		if got := p.heatTrust(&r); got != c.want {
			t.Errorf("%v %v at %v: %d, want %d", c.q, c.why, c.temp, got, c.want)
		}
	}
	if got := p.heatTrust(&sensors.Reading{Quality: sensors.Good}); got != noUse {
		t.Errorf("a reading without a temperature: %d", got)
	}
}

// A drop takes an element most of its way at once, with a response time of 8 s
// (SHT3x-DIS data sheet, version 7 of December 2022); fog comes evenly, however
// near to saturation it begins.
func TestWet_DropOrFog(t *testing.T) {
	drop := func(from, tau float64) (list []float64) {
		for i := range 6 {
			list = append(list, 100-(100-from)*math.Exp(-float64(i)*poll.Seconds()/tau))
		}
		return list
	}
	for _, c := range []struct {
		name     string
		humidity []float64
		slow     bool
	}{
		{"a drop at 8 s", drop(85, 8), false},
		{"a drop at 10 s", drop(85, 10), false},
		{"a drop near saturation", drop(95, 8), false},
		{"pinned at once", []float64{84, 100, 100}, false},
		{"pinned in damp air", append(slices.Repeat([]float64{96.9, 97, 96.8}, 9), 100, 100), false},
		{"a door was open", append(slices.Repeat([]float64{99.8}, 9), 70, 65, 66, 90, 99.5, 100), true},
		{"one low reading of damp air", append(slices.Repeat([]float64{98.8, 98.9}, 5), 97.4, 100, 100), true},
		{"one high reading, then damp air", append(slices.Repeat([]float64{97.9, 98}, 5), 100, 98.3, 98.8, 99.1), true},
		{"noise of 1 %", append(slices.Repeat([]float64{96, 97.2, 95.8, 97}, 9), 99.3, 99.9, 100), true},
		{"fog", []float64{85, 90, 95, 98, 100}, true},
		{"fog near saturation", []float64{94.7, 96, 97.4, 98.7, 99.4}, true},
		{"a slow climb", []float64{95, 95.5, 96, 96.5, 97, 97.5, 98, 98.5, 99}, true},
	} {
		p := probe{&room.Probe{}, &State{}}
		p.St.Interval, p.St.HasTemp = poll, true
		for i, h := range append([]float64{c.humidity[0]}, c.humidity...) {
			x := sensors.Reading{At: instant(time.Duration(i) * poll), Has: sensors.HasHumidity, Humidity: sensors.PercentOf(h), Quality: sensors.Good}
			x.Has |= sensors.HasTemperature
			p.followWet(&x)
			p.follow(&x)
			p.note(&x, poll, false)
		}
		if w := &p.St.Wet; w.Since == 0 || w.Slow != c.slow {
			t.Errorf("%s: %+v", c.name, *w)
		}
	}
}

// What came at once and dried, three times in a few days, is a mist by hand; what does
// not dry within a day is a wet probe all the same.
func TestWet_SprayedByHand(t *testing.T) {
	v := roomtest.View(t, 3, "")
	l := look{Judge: New(v), v: v}
	p := l.at(1)
	say := func(h float64) {
		v.At = v.At.Add(poll)
		x := sensors.Reading{At: v.At, Has: sensors.HasHumidity | sensors.HasTemperature, Temperature: 2400, Humidity: sensors.PercentOf(h), Quality: sensors.Good}
		p.followWet(&x)
		p.follow(&x)
		p.note(&x, poll, false)
	}
	for day := range 5 {
		for _, h := range []float64{84, 84.1, 84, 84.1, 84, 99.8} {
			say(h)
		}
		if fault := l.wetFault(p); fault != (day < wetHabit) {
			t.Errorf("day %d: a fault %v", day, fault)
		}
		for _, h := range []float64{100, 98, 95, 90} {
			say(h)
		}
		v.At = v.At.Add(20 * time.Hour)
	}
	say(84)
	say(99.8)
	v.At = v.At.Add(wetDries)
	if !l.wetFault(p) {
		t.Error("it does not dry within a day, and nothing is told")
	}
}

// Saturation that all show alike is the air; a drop takes one probe there at
// once; what rises step by step is the air.
func TestWetFault(t *testing.T) {
	v := roomtest.View(t, 5, "")
	p, since := &v.Probes[1], v.At.Mono
	l := look{Judge: New(v), v: v}
	set := func(wet room.Wet, others int) {
		for i := range v.Probes {
			if q := &v.Probes[i]; q.Encl >= 0 {
				q.St.Wet = room.Wet{}
				if q != p && others > 0 {
					q.St.Wet.Since = since
					others--
				}
			}
		}
		p.St.Wet = wet
	}
	for _, c := range []struct {
		name   string
		wet    room.Wet
		others int
		want   bool
	}{
		{"a drop", room.Wet{Since: since}, 0, true},
		{"a drop, and one other", room.Wet{Since: since}, 1, true},
		{"all of them", room.Wet{Since: since}, 4, false},
		{"half of the others", room.Wet{Since: since}, 2, false},
		{"step by step", room.Wet{Since: since, Slow: true}, 0, false},
		{"step by step, for long", room.Wet{Since: since - 24*time.Hour, Slow: true}, 0, false},
	} {
		set(c.wet, c.others)
		if got := l.wetFault(l.at(1)); got != c.want {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}

const poll = 10 * time.Second

func instant(d time.Duration) sensors.Instant { return sensors.Instant{Mono: d} }

// A probe is silent once its last reading is older than it may be.
func TestStep_Silent(t *testing.T) {
	for _, c := range []struct {
		age  time.Duration
		want bool
	}{{30 * time.Second, false}, {10 * time.Minute, true}} {
		v := roomtest.View(t, 1, "")
		for i := range v.Probes {
			roomtest.Says(v, i, 24, 85) // a second reading: the rhythm is known
		}
		found := &roomtest.Found{}
		v.Due, v.At, v.AgeAt = room.Ticked, v.At.Add(c.age), -1
		New(v).Step(v, &room.Out{Lives: found})
		if f, ok := found.Last(alarm.KindSilent); ok != c.want || ok && f.In != alarm.Beyond {
			t.Errorf("after %v: %+v", c.age, found.List)
		}
	}
}
