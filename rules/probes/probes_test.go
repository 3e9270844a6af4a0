package probes

import (
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"dewline/rules/alarm"
	"dewline/rules/climate"
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
	for range 30 { // half as long as it was held back
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

// Silence is the bus's where at least two on it are silent, dewline's where at least
// three and all are.
func TestSilentCause(t *testing.T) {
	for _, c := range []struct {
		name   string
		probes int
		late   []int
		buses  string // of each probe, a letter
		want   alarm.CauseKind
		id     string
	}{
		{"itself", 3, []int{1}, "aab", alarm.CauseProbe, "p1"},
		{"its bus", 3, []int{0, 1}, "aab", alarm.CauseProbe, "a"},
		{"alone on its bus", 3, []int{0, 1}, "bab", alarm.CauseProbe, "p1"},
		{"all of three", 3, []int{0, 1, 2}, "aab", alarm.CauseDewline, ""},
		{"both of two", 2, []int{0, 1}, "ab", alarm.CauseProbe, "p1"},
	} {
		v := roomtest.View(t, c.probes-1, "") // the first is the room's
		for i := range v.Probes {
			v.Probes[i].Cfg.Bus = c.buses[i : i+1]
			v.Probes[i].St.Readings = 9
		}
		limit := v.Probes[0].SilentAfter(&v.Cfg.Rules) / 2
		for _, i := range c.late {
			v.Probes[i].St.Heard.Mono = v.At.Mono - limit - 1
		}
		l := look{Judge: New(v), v: v}
		if got, _ := l.silentCause(l.at(1), v.At); got.Kind != c.want || got.ID != c.id {
			t.Errorf("%s: %+v", c.name, got)
		}
		for _, i := range c.late { // at half of the limit nobody is late
			v.Probes[i].St.Heard.Mono = v.At.Mono - limit
		}
		if got, _ := l.silentCause(l.at(1), v.At); got.ID != "p1" {
			t.Errorf("%s, nobody late: %+v", c.name, got)
		}
	}
}

// A run is chance's as long as one day in a thousand has one; the longer and the fewer the
// probe's own runs were, the longer. It is none of it before the probe was seen for a day,
// and no shorter than twenty minutes is told.
func TestRuns_Chance(t *testing.T) {
	const long = 3 * time.Hour
	for _, c := range []struct {
		name    string
		longest float64
		num     float64 // of the longest
		alone   bool
		days    uint8
		len     float64
		span    time.Duration
		want    bool
	}{
		{"a thousand runs of one: twice two", 1, 1000, false, 1, 4, long, true},
		{"one more", 1, 1000, false, 1, 4.1, long, false},
		{"for a short time", 1, 1000, false, 1, 30, frozenLeast - 1, true},
		{"for long enough", 1, 1000, false, 1, 30, frozenLeast, false},
		{"its humidity goes on", 1, 1000, true, 1, 12, long, true},
		{"and not for long", 1, 1000, true, 1, 90, 3*frozenLeast - 1, true},
		{"for thrice as long", 1, 1000, true, 1, 12.1, long, false},
		{"ten runs of 49: four times fifty", 49, 10, false, 1, 199, long, true},
		{"more", 49, 10, false, 1, 201, long, false},
		{"two runs: told as of three", 0, 2, false, 1, 7.2, long, true},
		{"more than of three", 0, 2, false, 1, 7.4, long, false},
		{"not known for a day", 1, 1000, false, 0, 900, long, true},
	} {
		n := Runs{Len: c.len, At: long, Days: c.days, Alone: c.alone, Before: RunsOfDay{Longest: c.longest, Sum: c.num * (c.longest + 1)}}
		if got := n.chance(long+c.span, 1); got != c.want {
			t.Errorf("%s: %v, it may be %.2f", c.name, got, n.most())
		}
		n.Before, n.Today = n.Today, n.Before
		if got := n.chance(long+c.span, 1); got != c.want {
			t.Errorf("%s, today: %v", c.name, got)
		}
	}
}

// Runs are kept by the day; what was not seen to its end is none, and what came while
// half of the others moved counts half.
func TestRuns_Take(t *testing.T) {
	var n Runs
	const day = 24 * time.Hour
	step := func(same, known bool, share float64, now time.Duration) { n.take(same, known, share, now) }
	step(false, true, 1, 1)
	for i := range 5 {
		step(true, true, 0.5, time.Duration(2+i))
	}
	if n.Len != 2.5 || n.At != 1 || n.Today.Sum != 0 {
		t.Errorf("five, half of them: %+v", n)
	}
	if step(true, false, 1, 10); n.Len != 0 || n.Today.Sum != 0 || n.At != 10 {
		t.Errorf("after a silence: %+v", n)
	}
	step(true, true, 1, 11)
	if step(false, true, 1, 12); n.Today != (RunsOfDay{Longest: 1, Sum: 2, Same: 6, Count: 1}) || n.Len != 0 || n.At != 12 {
		t.Errorf("ended: %+v", n)
	}
	if step(false, true, 1, day+1); n.Before != (RunsOfDay{Longest: 1, Sum: 3, Same: 6, Count: 2}) || n.Today.Sum != 0 || n.Days != 1 {
		t.Errorf("after a day: %+v", n)
	}
	step(false, true, 1, 2*day+1)
	if step(false, true, 1, 3*day+1); n.Days != 2 || n.Before.Longest != 0 {
		t.Errorf("days are counted to two: %+v", n)
	}
}

// What noise makes is told by chance alone; what stands within a coarse step is not, until the
// others moved by what would show. The runs are of the geometric law (no source needed), or not.
func TestChance_NoiseOrSteps(t *testing.T) {
	noise := RunsOfDay{Longest: 3, Sum: 1100, Same: 100, Count: 1000}
	steps := RunsOfDay{Longest: 60, Sum: 1100, Same: 1000, Count: 100}
	few := RunsOfDay{Longest: 3, Sum: 55, Same: 5, Count: 50}
	long := RunsOfDay{Longest: 300, Sum: 1100, Same: 400, Count: 700} // that noise never makes
	for _, c := range []struct {
		name  string
		day   RunsOfDay
		temp  bool // alone
		moved int32
		len   float64
		want  bool
	}{
		{"noise, in a calm room", noise, true, 0, 500, false},
		{"noise of few readings, not for 2.7 times as long", few, true, 0, 39, true},
		{"for 2.7 times as long", few, true, 0, 40, false},
		{"steps, in a calm room", steps, true, 0, 5000, true},
		{"steps, the others move by two of them", steps, true, 50, 5000, true},
		{"steps, the others move by three", steps, true, 75, 5000, false},
		{"both, the others move by two", steps, false, 50, 5000, false},
		{"both, not for twice as long", steps, false, 50, 250, true},
		{"both, the others hardly move", steps, false, 2, 2500, true},
		{"a run that is too long for noise", long, true, 0, 5000, true},
	} {
		p := probe{&room.Probe{}, &State{}}
		p.Grain.Temp, p.St.HasPeers, p.St.PeerHigh = 25, true, c.moved
		n := &p.Stills.Both
		if c.temp {
			n = &p.Stills.Temp
		}
		*n = Runs{Len: c.len, Days: 2, Before: c.day}
		if got := p.chance(n, 24*time.Hour); got != c.want {
			t.Errorf("%s: by chance %v, it may be %.0f", c.name, got, n.most())
		}
	}
	// Two days of few readings are as good as one of twice as many.
	for _, today := range []RunsOfDay{{}, few} {
		p := probe{&room.Probe{}, &State{}}
		n := &p.Stills.Temp
		*n = Runs{Len: 30, Days: 2, Before: few, Today: today}
		if got := p.chance(n, 24*time.Hour); got != (today.Count == 0) {
			t.Errorf("%+v: by chance %v, it may be %.0f", today, got, n.most())
		}
	}
}

// Damp air says nothing of how long a probe repeats all that it tells.
func TestStill_DampIsNoRun(t *testing.T) {
	p := probe{&room.Probe{}, &State{}}
	for i := range 500 {
		now := time.Duration(i) * time.Minute
		p.still(&sensors.Reading{At: sensors.Instant{Mono: now}, Has: sensors.HasTemperature | sensors.HasHumidity, Humidity: wetBelow}, time.Hour, 1)
		p.St.Readings, p.St.Heard.Mono = 1, now
	}
	if n := p.Stills.Both; n.Len != 0 || n.Today.Count != 0 {
		t.Errorf("%+v", n)
	}
}

// What the probe's own judge calls frozen is calm while the others are, and where the probe
// stood half as long before and moved again.
func TestHabit(t *testing.T) {
	for _, c := range []struct {
		moved int32
		days  uint8
		len   float64
		want  bool
	}{{49, 0, 500, true}, {50, 0, 500, false}, {50, 1, 200, true}, {50, 1, 201, false}, {50, 0, 200, false}} {
		p := probe{&room.Probe{}, &State{}}
		p.St.HasPeers, p.St.PeerHigh = true, c.moved
		p.Stills.Temp = Runs{Len: c.len, Days: c.days, Before: RunsOfDay{Longest: 100, Sum: 900}}
		if got := p.calm(sensors.FrozenValue); got != c.want {
			t.Errorf("%+v: %v", c, got)
		}
	}
}

// Only readings that came count: half of them lost, a probe may stand for as many readings,
// not for as long. Its temperature alone tells, where its humidity goes on or is damp.
func TestStill_CountsReadings(t *testing.T) {
	stand := func(every time.Duration, humidity func(int) sensors.CentiPercent, share float64) (after int) {
		p := probe{&room.Probe{}, &State{}}
		for _, n := range []*Runs{&p.Stills.Temp, &p.Stills.Both} {
			*n = Runs{From: 1, Days: 1, Before: RunsOfDay{Longest: 19, Sum: 20 * 1000, Same: 1500, Count: 1000}} // 40 are chance's
		}
		now := time.Hour
		for i := range 400 {
			r := sensors.Reading{At: instant(now), Quality: sensors.Good, Has: sensors.HasTemperature | sensors.HasHumidity, Temperature: 2400, Humidity: humidity(i)}
			p.still(&r, time.Hour, share)
			if p.St.Heard, p.St.Readings = r.At, 1; p.St.Frozen {
				if stood, most := p.stood(now, time.Hour); stood != time.Duration(i)*every || most > stood {
					t.Errorf("it stood for %v of %v", stood, most)
				}
				return i
			}
			now += every
		}
		return 0
	}
	same := func(int) sensors.CentiPercent { return 8100 }
	goes := func(i int) sensors.CentiPercent { return sensors.CentiPercent(8100 + i) }
	for _, c := range []struct {
		name     string
		every    time.Duration
		humidity func(int) sensors.CentiPercent
		share    float64
		want     int
	}{
		{"all of it", time.Minute, same, 1, 41}, {"half of the readings are lost", 2 * time.Minute, same, 1, 41},
		{"half of the others move", time.Minute, same, 0.5, 81}, {"none moves", time.Minute, same, 0, 0},
		{"the temperature alone", time.Minute, goes, 1, 121},
		{"in damp air", time.Minute, func(i int) sensors.CentiPercent { return sensors.CentiPercent(wetBelow + i%2) }, 1, 41},
	} {
		if got := stand(c.every, c.humidity, c.share); got != c.want {
			t.Errorf("%s: told after %d readings, want %d", c.name, got, c.want)
		}
	}
}

// A night counts from fifteen looks on, a week has seven, and the base is the middle of
// four weeks; a drift is what the last two agree on.
func TestDrift_AtItsLimits(t *testing.T) {
	week := func(d *Drift, by int32) {
		for range nightsAWeek {
			for range nightLeast {
				d.add(by)
			}
			d.night()
		}
	}
	var d Drift
	for range nightLeast - 1 {
		d.add(100)
	}
	if d.night(); d.NumN != 0 || d.Num != 0 || d.Sum != 0 {
		t.Errorf("fourteen looks are a night: %+v", d)
	}
	for _, by := range []int32{10, 40, 20} {
		week(&d, by)
	}
	if d.HasBase || d.NumW != 3 || d.moved(0) != 0 {
		t.Errorf("three weeks: %+v", d)
	}
	if week(&d, 30); !d.HasBase || d.Base != 20 || d.NumW != 4 { // the lower middle one of 10 to 40
		t.Errorf("four weeks: %+v", d)
	}
	for _, c := range []struct{ by, want int32 }{{320, 10}, {420, 300}, {-400, 0}, {-380, -400}, {-400, -400}} {
		if week(&d, c.by); d.away() != c.want {
			t.Errorf("a week of %d: moved by %d, want %d", c.by, d.away(), c.want)
		}
	}
	d.Weeks = [driftWeeks]int16{50 + d.Base, 50 + d.Base}
	for apart, want := range map[int16]int32{33: 50, 34: 0} { // 1.5 times what the first weeks lie apart
		if d.Apart = apart; d.moved(50) != want || d.moved(51) != 0 {
			t.Errorf("first weeks that lie %d apart: %d", apart, d.moved(50))
		}
	}
	for _, c := range []struct {
		hum, temp int16
		want      bool
		facts     int
	}{{200, 0, true, 1}, {199, 29, false, 0}, {-200, 0, true, 1}, {0, 30, true, 1}, {0, -30, true, 1}, {200, 30, true, 2}} {
		p := probe{&room.Probe{}, &State{}}
		p.HumDrift = Drift{HasBase: true, Weeks: [driftWeeks]int16{c.hum, c.hum}}
		p.TempDrift = Drift{HasBase: true, Weeks: [driftWeeks]int16{c.temp, c.temp}}
		list, drifted := p.driftEvidence(), look{Judge: &Judge{At: []State{*p.State}}}.drifted(p)
		if drifted != c.want || len(list) != c.facts {
			t.Errorf("%+v: drifted %v, %+v", c, drifted, list)
		}
		if c.facts > 0 && list[0].Percent != float64(c.hum)/100 {
			t.Errorf("%+v: %+v", c, list)
		}
	}
	// Nights are compared from two to five o'clock, and closed after that.
	for minute, want := range map[int]bool{119: false, 120: true, 299: true, 300: false} {
		v := roomtest.View(t, rackLeast, "")
		v.At.Wall = time.Date(2026, 3, 2, 0, minute, 0, 0, time.UTC)
		v.ReadClock(v.At)
		roomtest.Says(v, 1, 24.5, 88)
		l := look{Judge: New(v), v: v}
		l.At[1].TempDrift.Num, l.At[1].HumDrift.Num = 20, 20
		l.compareNight(v.At)
		if got := l.nightOpen; got != want || want != (l.At[1].TempDrift.Num == 21) || !want && l.At[1].TempDrift.NumN != 1 {
			t.Errorf("minute %d of the day: compared %v, %+v", minute, got, l.At[1].TempDrift)
		}
		if want && (l.At[1].TempDrift.Sum != 50 || l.At[1].HumDrift.Sum != 300 || l.At[0].TempDrift.Num != 0) {
			t.Errorf("%+v, %+v", l.At[1].TempDrift, l.At[0].TempDrift)
		}
	}
	v := roomtest.View(t, rackLeast-1, "")
	l := look{Judge: New(v), v: v}
	l.toOthers(func(p probe) (int32, bool) { return int32(p.St.Temp), true }, func(probe, int32) {
		t.Error("three probes are a rack")
	})
}

// The rhythm of a probe is that of its first two readings, and another one after four odd
// intervals; a quarter of an hour between is an outage.
func TestProbe_RhythmAtItsLimits(t *testing.T) {
	for _, c := range []struct {
		name  string
		first bool
		d     time.Duration
		odd   uint8
		want  time.Duration
		after uint8
	}{
		{"the first", true, 5 * time.Minute, 0, 5 * time.Minute, 0}, {"no faster than it is asked", true, time.Second, 0, time.Minute, 0},
		{"more than five eighths", false, 37500*time.Millisecond + 1, 3, time.Minute, 0}, {"no more", false, 37500 * time.Millisecond, 3, 37500 * time.Millisecond, 0},
		{"half as much more", false, 90 * time.Second, 3, time.Minute, 0}, {"more", false, 90*time.Second + 1, 2, time.Minute, 3},
		{"a quarter of an hour", false, room.LongestInterval, 3, room.LongestInterval, 0}, {"an outage", false, room.LongestInterval + 1, 3, time.Minute, 3},
	} {
		p := probe{&room.Probe{}, &State{Odd: c.odd, OddLeast: c.d, OddMost: c.d}}
		p.St.Interval, p.St.Readings = time.Minute, 9
		if c.first {
			p.St.Readings = 1
		}
		if p.rhythm(c.d); p.St.Interval != c.want || p.Odd != c.after {
			t.Errorf("%s: every %v, odd %d", c.name, p.St.Interval, p.Odd)
		}
	}
	// Four odd ones that are not alike are readings lost, no rhythm; shorter ones are one.
	for most, want := range map[time.Duration]time.Duration{3 * time.Minute: 2 * time.Minute, 3*time.Minute + 1: time.Minute} {
		p := probe{&room.Probe{}, &State{Odd: 3, OddLeast: 2 * time.Minute, OddMost: most}}
		p.St.Interval, p.St.Readings = time.Minute, 9
		if p.rhythm(2 * time.Minute); p.St.Interval != want {
			t.Errorf("from two minutes to %v: every %v", most, p.St.Interval)
		}
	}
	// What a node sends in bursts keeps the rhythm in which it measures.
	for every, n := range map[time.Duration]int{time.Minute: 10, 10 * time.Second: 30, 20 * time.Second: 36} {
		burst := probe{&room.Probe{}, &State{}}
		burst.St.Interval, burst.St.Readings = every, 9
		for range 50 {
			burst.rhythm(time.Duration(n) * every)
			for range n - 1 {
				burst.rhythm(200 * time.Millisecond)
			}
		}
		if burst.St.Interval != every {
			t.Errorf("%d at once: every %v, not %v", n, burst.St.Interval, every)
		}
	}
	// One that speaks more often since an outage does so for as long as half of it.
	quick := probe{&room.Probe{}, &State{}}
	quick.St.Interval, quick.St.Readings = time.Minute, 9
	quick.rhythm(10 * time.Minute)
	for n, want := range map[int]time.Duration{29: time.Minute, 30: 10 * time.Second} {
		p := probe{&room.Probe{}, &State{HeldBack: quick.HeldBack}}
		p.St.Interval, p.St.Readings = time.Minute, 9
		for range n {
			p.rhythm(10 * time.Second)
		}
		if p.St.Interval != want {
			t.Errorf("%d of ten seconds after ten minutes: every %v, want %v", n, p.St.Interval, want)
		}
	}
	for d, want := range map[time.Duration]bool{longestHeating: true, longestHeating + 1: false} {
		p := probe{&room.Probe{}, &State{}}
		p.St.Heard = instant(time.Minute)
		p.St.Heard.Synced = true
		if p.excuse(&sensors.Reading{At: instant(time.Minute + d), Reason: sensors.Heating}); (p.St.Unseen == d) != want {
			t.Errorf("it heats for %v: excused %v", d, p.St.Unseen)
		}
	}
}

// Two probes of an enclosure part by what their places and their usual ones leave open.
func TestPairs_AtTheirLimits(t *testing.T) {
	v := roomtest.View(t, 1, "[[probe]]\nid = \"q1\"\nfamily = \"simulated\"\nplace = \"litter\"\nenclosure = \"e1\"\n")
	l := look{Judge: New(v), v: v}
	p, q := l.at(1), l.at(2)
	p.St.Temp, q.St.Temp = 2500, 2300
	if a, b, limit := placesOf(p, q, 2200, 12, true); a != 300 || b != 100 || limit != apartSame {
		t.Errorf("%v, %v, %d", a, b, limit)
	}
	q.Cfg.Place = "canopy"
	if _, _, limit := placesOf(p, q, 2200, 12, true); limit != apartOther {
		t.Errorf("in two places: %d", limit)
	}
	for range 3 {
		for h := 11; h < 14; h++ {
			for range 3 {
				p.Own.Observe(float64(h), 2.5)
				q.Own.Observe(float64(h), 0.5)
			}
		}
	}
	if a, b, limit := placesOf(p, q, 2200, 12, true); a != 50 || b != 50 || limit != apartUsual {
		t.Errorf("beside what is usual: %v, %v, %d", a, b, limit)
	}
	if _, _, limit := placesOf(p, q, 2200, 12, false); limit != apartOther {
		t.Error("usual places of an unknown hour")
	}
	for _, c := range []struct {
		diff, shared float64
		want         int32
	}{{300, 100, 200}, {-300, -100, 200}, {300, -100, 300}, {300, 400, 0}, {300, 0, 300}, {-300, 100, 300}} {
		if got := beyondShared(c.diff, c.shared); got != c.want {
			t.Errorf("%v of which others show %v: %d", c.diff, c.shared, got)
		}
	}
	for _, c := range []struct {
		offP, offQ float64
		want       string
	}{{100, 50, "p1"}, {-100, 50, "p1"}, {50, 100, "q1"}, {100, -100, "q1"}} {
		if got := oddOf(p, q, c.offP, c.offQ, time.Hour); got.Cfg.ID != c.want {
			t.Errorf("%v and %v away: %s is odd", c.offP, c.offQ, got.Cfg.ID)
		}
	}
	p.Stills.Temp, q.Stills.Temp = Runs{Today: RunsOfDay{Longest: 5}, Days: 1}, Runs{Before: RunsOfDay{Longest: 15}, Days: 1}
	for _, c := range []struct {
		lenP, lenQ float64
		forP       time.Duration
		want       string
	}{
		{5, 0, 11, "q1"}, {6, 0, 11, "p1"}, {6, 0, 10, "q1"}, {0, 16, 0, "q1"}, {6, 16, 11, "q1"}, {6, 15, 11, "p1"},
	} {
		p.Stills.Temp.Len, q.Stills.Temp.Len, p.Stills.Temp.At = c.lenP, c.lenQ, time.Hour-c.forP*time.Minute
		if got := oddOf(p, q, 50, 100, time.Hour); got.Cfg.ID != c.want {
			t.Errorf("one stands still for %v, the other for %v: %s is odd", c.lenP, c.lenQ, got.Cfg.ID)
		}
	}
	if p.Stills.Temp.Days, q.Stills.Temp.Len = 0, 0; oddOf(p, q, 50, 100, 2*time.Hour).Cfg.ID != "q1" {
		t.Error("nobody knows for how long it may stand still")
	}
	p.Alarm(alarm.KindDisagrees).Rec.Life.Active = true
	if oddOf(p, q, 50, 100, time.Hour).Cfg.ID != "p1" {
		t.Error("another is blamed")
	}
	// In each other's places both are away to opposite sides by what these are apart.
	for _, c := range []struct {
		devP, devQ float64
		apart      time.Duration
		want       bool
	}{
		{-2, 2, 0, true}, {-1.7, 2.09, 0, true}, {-1.5, 2, 0, false}, {-2, 2, placesTogether, true}, {-2, 2, placesTogether + 1, false},
		{-1.5, 1.5, 0, true}, {-1.3, 1.3, 0, false}, {-2.7, 2.7, 0, false}, {2, 2, 0, false}, {-2, -2, 0, false},
	} {
		p.Away, q.Away = Away{Since: 1, by: c.devP}, Away{Since: 1 + c.apart, by: c.devQ}
		if got := inPlaceOf(p, q, 12); got != c.want {
			t.Errorf("%+v: in each other's place %v", c, got)
		}
	}
	for _, c := range []struct {
		by, middle, off float64
		since           time.Duration
		want            bool
	}{
		{0.5, 0, 0, 0, true}, {0.49, 0, 0, 0, false}, {0.5, -0.5, 0.25, 0, true}, {0.5, 0, 0.13, 0, false},
		{0.25, 0, 0, 1, true}, {0.24, 0, 0, 1, false}, {math.NaN(), 0, 0, 1, false},
	} {
		p.Away = Away{Since: c.since, by: c.by}
		if p.away(c.middle, c.off) != c.want {
			t.Errorf("%+v: away %v", c, !c.want)
		}
	}
}

// A lost enclosure wakes after three or ten minutes, by where it was going, and all of
// them together after ten.
func TestBlind_AtItsLimits(t *testing.T) {
	for _, c := range []struct {
		name  string
		ahead time.Duration // to the lethal limit by the last forecast, 0 for none
		age   time.Duration // of that when it was lost
		rate  float64       // °C/h
		below int32         // the lethal limit, hundredths
		want  time.Duration
	}{
		{"it was expected soon", 2*time.Hour - 1, 3 * time.Minute, 0, 500, blindAhead}, {"in two hours", 2 * time.Hour, 0, 0, 500, 0},
		{"long before", time.Hour, 3*time.Minute + 1, 0, 500, 0}, {"going nowhere", 0, 0, 0, 10, 0},
		{"rising, and warm", 0, 0, 2, 40, blindAhead}, {"rising, and not warm yet", 0, 0, 3, 500, blindRise}, {"rising too slowly", 0, 0, 2, 500, 0}, {"hardly rising", 0, 0, 0.29, 40, 0},
	} {
		v := roomtest.View(t, 1, "")
		en := &v.Enclosures[0]
		for m := -40; m <= 0; m++ {
			en.St.Trend.Observe(v.At.Mono+time.Duration(m)*time.Minute, 24+c.rate*float64(m)/60)
		}
		en.Now.Hot = en.Limits.Lethal - c.below
		if c.ahead > 0 {
			en.St.Ahead = room.Ahead{At: v.At.Mono - c.age, ToLethal: climate.Eta{Known: true, Mid: c.ahead}}
		}
		if got := blindLimit(en, v.At.Mono); got != c.want {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
		en.Alarms[alarm.KindLethal].Rec.Life.Active = true
		if blindLimit(en, v.At.Mono) != 0 {
			t.Errorf("%s: twice told", c.name)
		}
	}
	for _, c := range []struct {
		ago  [2]time.Duration // lost for, 0 for not
		want int
	}{{[2]time.Duration{blindRoom, blindRoom}, 2}, {[2]time.Duration{blindRoom, blindRoom - 1}, 0}, {[2]time.Duration{time.Hour, 0}, 0}} {
		v := roomtest.View(t, 2, "")
		for i, d := range c.ago {
			if p := &v.Probes[i+1]; d > 0 {
				p.Cfg.Measures.Temperature = true
				p.Alarm(alarm.KindSilent).Rec.Life.Active = true
				p.St.Heard.Mono = v.At.Mono - d
			}
		}
		found := &roomtest.Found{}
		look{New(v), v, &room.Out{Lives: found}}.judgeBlind(v.At)
		if len(found.Raised) != c.want {
			t.Errorf("lost for %v: %d raised", c.ago, len(found.Raised))
		}
	}
}

// A step is three grains of a probe, and 0.2 °C or 3 % at least; it took another's place
// where it came near to that and far from its own.
func TestSteps_AtTheirLimits(t *testing.T) {
	for _, c := range []struct {
		grain     Grain
		temp, hum float64
		want      bool
	}{
		{Grain{}, 20, 0, true}, {Grain{}, 19, 299, false}, {Grain{}, 0, 300, true}, {Grain{}, -20, 0, true}, {Grain{}, 0, -300, true},
		{Grain{Temp: 10}, 30, 0, true}, {Grain{Temp: 10}, 29, 0, false}, {Grain{Hum: 200}, 0, 600, true}, {Grain{Hum: 200}, 0, 599, false},
	} {
		a, b := Level{Temp: 2400, Hum: 8000, HasHum: true}, Level{Temp: 2400 + c.temp, Hum: 8000 + c.hum, HasHum: true}
		if got := c.grain.far(&a, &b); got != c.want {
			t.Errorf("%+v: a step %v", c, got)
		}
	}
	at := func(temp, hum float64) Level { return Level{Temp: temp, Hum: hum, HasHum: true} }
	var g Grain
	a, b := at(2400, 8000), at(2430, 8500)
	if got := g.apart(&a, &b); got != 8 {
		t.Errorf("two and two of what may be missed: %v", got)
	}
	for _, c := range []struct {
		after Level
		share float64
		want  bool
	}{
		{at(2430, 8500), 3, false}, {at(2700, 8000), 3, true}, {at(2730, 8000), 3, true}, {at(2731, 8000), 3, false}, {at(2700, 8500), 6, true}, {at(2670, 8000), 6, true},
	} {
		mine := Step{Before: at(2400, 8000), After: c.after}
		other := Step{Before: at(2700, 8000)}
		if got := g.tookPlace(&mine, &other, c.share); got != c.want {
			t.Errorf("%+v: took its place %v", c, got)
		}
	}
	// Of places that are little apart such a share is near.
	for _, c := range []struct {
		miss, share float64
		want        bool
	}{{15, 3, true}, {16, 3, false}, {10, 6, true}, {11, 6, false}} {
		mine := Step{Before: at(2400, 8000), After: at(2426+c.miss, 8000)}
		other := Step{Before: at(2426, 8000)}
		if got := g.tookPlace(&mine, &other, c.share); got != c.want {
			t.Errorf("%+v: took its place %v", c, got)
		}
	}
	var v Level
	for _, x := range []float64{24, 26, 25, 29} {
		now := levelOf(&sensors.Reading{Has: sensors.HasTemperature | sensors.HasHumidity, Temperature: sensors.CelsiusOf(x), Humidity: sensors.PercentOf(60 + x)})
		v.add(&now, 3)
	}
	if v.Num != 3 || math.Abs(v.Temp-(2500+400/3.)) > 1e-9 || math.Abs(v.Hum-(8500+400/3.)) > 1e-9 {
		t.Errorf("%+v", v)
	}
	grain := 0.0
	for _, size := range []float64{0, 10, 10, 100} {
		move(&grain, size)
	}
	if grain != 10+20/64. { // a large move counts as three grains
		t.Errorf("grain %v", grain)
	}
}

// A jump is forgotten every ten minutes; three at a time, a shift of the last day, or heat
// that stands alone for two readings are told.
func TestJump_AtItsLimits(t *testing.T) {
	for _, c := range []struct {
		name  string
		jumps uint8
		ago   time.Duration
		alone uint8 // readings
		shift time.Duration
		want  alarm.Input
		left  uint8
	}{
		{"three", 3, 10*time.Minute - 1, 0, 0, alarm.Beyond, 3}, {"three, ten minutes ago", 3, 10 * time.Minute, 0, 0, alarm.Between, 2}, {"two", 2, 0, 0, 0, alarm.Between, 2},
		{"the last is forgotten", 1, 10 * time.Minute, 0, 0, alarm.Back, 0}, {"alone twice", 0, 0, 2, 0, alarm.Beyond, 0}, {"alone once", 0, 0, 1, 0, alarm.Back, 0},
		{"it shifted", 0, 0, 0, shiftTold, alarm.Beyond, 0}, {"it shifted long ago", 0, 0, 0, shiftTold + 1, alarm.Back, 0},
	} {
		v := roomtest.View(t, 1, "")
		v.At.Mono = 100 * time.Hour
		found := &roomtest.Found{}
		l := look{New(v), v, &room.Out{Lives: found}}
		p := l.at(1)
		p.Alarm(alarm.KindJump).Rec.Life.State = alarm.Unack
		p.St.Jumps, p.St.JumpAt = c.jumps, v.At.Mono-c.ago
		p.St.Alone, p.St.HotRun = c.alone > 0, c.alone
		if c.shift > 0 {
			p.Shift = Shift{At: v.At.Mono - c.shift, By: 200}
		}
		l.judgeJump(p, v.At)
		if f, ok := found.Last(alarm.KindJump); !ok || f.In != c.want || p.St.Jumps != c.left {
			t.Errorf("%s: %v, %d jumps left", c.name, f.In, p.St.Jumps)
		}
	}
	for _, c := range []struct {
		name string
		num  uint8
		ago  time.Duration
		want alarm.Input
		left uint8
	}{{"four led back", 4, spikeFor - 1, alarm.Beyond, 4}, {"four hours ago", 4, spikeFor, alarm.Between, 3}, {"the last is forgotten", 1, spikeFor, alarm.Back, 0}} {
		v := roomtest.View(t, 1, "")
		v.At.Mono = 100 * time.Hour
		found := &roomtest.Found{}
		l := look{New(v), v, &room.Out{Lives: found}}
		p := l.at(1)
		p.Alarm(alarm.KindJump).Rec.Life.State = alarm.Unack
		p.Spikes = Spikes{c.num, v.At.Mono - c.ago}
		l.judgeJump(p, v.At)
		if f, ok := found.Last(alarm.KindJump); !ok || f.In != c.want || p.Spikes.Num != c.left {
			t.Errorf("%s: %v, %d left", c.name, f.In, p.Spikes.Num)
		}
	}
	// Readings at the lethal limit count in a row, given again only once.
	p := probe{&room.Probe{}, &State{}}
	for i, c := range []struct {
		hot, again bool
		want       uint8
	}{{true, true, 1}, {true, true, 1}, {true, false, 2}, {false, false, 0}, {true, false, 1}} {
		if p.countHot(c.hot, c.again); p.St.HotRun != c.want {
			t.Errorf("%d: %d in a row", i, p.St.HotRun)
		}
	}
	p.St.HotRun = countMost
	if p.countHot(true, false); p.St.HotRun != countMost {
		t.Error("it begins anew")
	}
}

// A loose contact of a probe that is read every five minutes is told by jumps that lead
// back; a door that lets in some of the room's air for a moment is none.
func TestSpikes_LedBack(t *testing.T) {
	for _, c := range []struct {
		name   string
		to     float64 // °C, from 24
		after  float64 // °C of the reading behind it
		reason sensors.Reason
		want   uint8
	}{
		{"up and back", 33, 24.1, sensors.Jump, 1}, {"it stays", 33, 32, sensors.Jump, 0}, {"no jump", 33, 24.1, sensors.FrozenValue, 0},
		{"down past the room", 12, 24, sensors.Jump, 1}, {"down towards it", 21, 24, sensors.Jump, 0},
	} {
		v := roomtest.View(t, 1, "")
		roomtest.Says(v, 0, 20, 50)
		l := look{New(v), v, &room.Out{Lives: &roomtest.Found{}}}
		p := l.at(1)
		p.St.Interval = 5 * time.Minute
		p.St.Doubtful, p.St.Reason, p.St.Doubt = true, c.reason, sensors.CelsiusOf(c.to)
		at := v.At
		at.Mono += poll
		l.takeTemperature(p, &sensors.Reading{At: at, Has: sensors.HasTemperature, Temperature: sensors.CelsiusOf(c.after), Quality: sensors.Good})
		if p.Spikes.Num != c.want {
			t.Errorf("%s: %d", c.name, p.Spikes.Num)
		}
	}
}

// A dew point two degrees above all else in the enclosure for half an hour makes a probe's
// humidity unbelievable: its surest part, the reading less its uncertainty.
func TestDew_AtItsLimits(t *testing.T) {
	for _, c := range []struct {
		name  string
		hum   float64
		less  float64
		since time.Duration
		want  bool
	}{
		{"too wet for half an hour", 99, 0, 30 * time.Minute, true}, {"for less", 99, 0, 30*time.Minute - 1, false}, {"it may be drier", 99, 12, time.Hour, false},
		{"2 °C above", 88.6, 0, time.Hour, false}, {"more", 89.4, 0, time.Hour, true},
	} {
		v := roomtest.View(t, 1, "[[probe]]\nid = \"q1\"\nfamily = \"simulated\"\nplace = \"canopy\"\nenclosure = \"e1\"\n"+
			"[[probe]]\nid = \"q2\"\nfamily = \"simulated\"\nplace = \"water\"\nenclosure = \"e1\"\n")
		l := look{New(v), v, &room.Out{Lives: &roomtest.Found{}}}
		roomtest.Says(v, 3, 20, 80)
		roomtest.Says(v, 1, 26, c.hum) // 26 °C at 88.6 % has a dew point of 24 °C (Magnus)
		roomtest.Says(v, 2, 22, 80)
		p := l.at(1)
		p.St.HumLess, p.DewSince = sensors.PercentOf(c.less), v.At.Mono-c.since
		if l.judgeDew(&v.Enclosures[0], v.At); p.St.Dewy != c.want {
			t.Errorf("%s: %v", c.name, p.St.Dewy)
		}
		if l.at(2).St.Dewy {
			t.Errorf("%s: the other one", c.name)
		}
		// The other falls silent: what is told stays, and nothing more is.
		v.Probes[2].St.HasTemp, v.Probes[3].St.HasTemp = false, false
		if l.judgeDew(&v.Enclosures[0], v.At); p.St.Dewy != c.want {
			t.Errorf("%s, and alone: %v", c.name, p.St.Dewy)
		}
	}
	// By itself only what steam alone could be is not believed: 61 °C at 99.9 % has a dew
	// point of 61 °C, 70 °C at 50 % one of 54, 125 °C at 85 % one of 119 (Magnus).
	for celsius, hum := range map[float64]float64{61: 99.9, 70: 50, 125: 85} {
		v := roomtest.View(t, 1, "")
		l := look{New(v), v, &room.Out{Lives: &roomtest.Found{}}}
		roomtest.Says(v, 1, celsius, hum)
		p := l.at(1)
		p.DewSince = v.At.Mono - dewFor
		if l.judgeDew(&v.Enclosures[0], v.At); p.St.Dewy != (celsius == 125) {
			t.Errorf("%v °C at %v %% by itself: %v", celsius, hum, p.St.Dewy)
		}
		if roomtest.Says(v, 1, 24, 85); celsius == 125 {
			if l.judgeDew(&v.Enclosures[0], v.At); p.St.Dewy {
				t.Error("it is well again, and not believed")
			}
		}
	}
}

// A probe that says the same for hours while the others move is frozen, but where it is known
// to stand so, or where nothing of it is heard.
func TestFrozen_WhileOthersMove(t *testing.T) {
	for _, c := range []struct {
		name string
		set  func(p probe, v *room.View)
		want bool
	}{
		{"it stands", func(probe, *room.View) {}, true},
		{"for less", func(p probe, _ *room.View) { p.St.StillAt++ }, false},
		{"the others hardly move", func(p probe, _ *room.View) { p.St.PeerLow, p.St.PeerHigh = 2400, 2449 }, false},
		{"it never spoke", func(p probe, _ *room.View) { p.St.Readings = 0 }, false},
		{"it tells no temperature", func(p probe, _ *room.View) { p.St.Still.Has = sensors.HasHumidity }, false},
		{"it is silent", func(p probe, v *room.View) { p.St.Heard.Mono -= time.Hour }, false},
	} {
		v := roomtest.View(t, 3, "")
		v.At.Mono = 100 * time.Hour
		for i := range v.Probes {
			roomtest.Says(v, i, 24, 80)
		}
		l := look{New(v), v, &room.Out{Lives: &roomtest.Found{}}}
		p := l.at(1)
		p.St.Still.Has = sensors.HasTemperature
		p.St.StillAt, p.St.HasPeers, p.St.PeerLow, p.St.PeerHigh = v.At.Mono-v.Cfg.Rules.FrozenAfter.D(), true, 2390, 2450
		c.set(p, v)
		if l.judgeFrozen(v.At); p.St.Frozen != c.want {
			t.Errorf("%s: frozen %v", c.name, p.St.Frozen)
		}
	}
}

// How far a humidity may be wrong is what the reading says, and else what its calibration did.
func TestTakeHumidity_HowFarItMayBeWrong(t *testing.T) {
	for _, c := range []struct{ below, above, less, more sensors.CentiPercent }{{0, 0, 150, 150}, {300, 0, 300, 0}, {0, 200, 0, 200}} {
		p := probe{&room.Probe{}, &State{}}
		p.CalibrU = 150
		r := sensors.Reading{At: instant(time.Hour), Humidity: 8000}
		r.Uncertainty.HumidityBelow, r.Uncertainty.HumidityAbove = c.below, c.above
		if p.takeHumidity(&r); p.St.HumLess != c.less || p.St.HumMore != c.more {
			t.Errorf("%+v: %v less, %v more", c, p.St.HumLess, p.St.HumMore)
		}
	}
}

// Frost in a mild room is the probe's own, unless it sank to it; 45 °C is implausible itself.
func TestTakeTemperature_Implausible(t *testing.T) {
	for _, c := range []struct {
		name  string
		last  sensors.CentiCelsius
		says  sensors.CentiCelsius
		alone bool
	}{
		{"frost", 2400, -1, true}, {"freezing", 2400, 0, false}, {"it sank", freezing + room.Leap, -1, false}, {"it fell", freezing + room.Leap + 1, -1, true},
		{"45 °C", 2400, Implausible, true}, {"less", 2400, Implausible - 1, false},
	} {
		v := roomtest.View(t, 4, "")
		l := look{New(v), v, &room.Out{Lives: &roomtest.Found{}}}
		p := l.at(1)
		p.St.Temp, p.St.AnyAt = c.last, v.At.Mono
		l.takeTemperature(p, &sensors.Reading{At: v.At.Add(poll), Has: sensors.HasTemperature, Temperature: c.says, Quality: sensors.Good})
		if p.St.Alone != c.alone {
			t.Errorf("%s: alone %v", c.name, p.St.Alone)
		}
	}
}

// A probe that says the same is followed from when it began to, unless it was silent.
func TestStill_AtItsLimits(t *testing.T) {
	const silent = 2 * time.Minute
	for _, c := range []struct {
		name    string
		same    bool
		gap     time.Duration
		quality sensors.Quality
		frozen  bool
		want    bool // it stands since before
	}{
		{"the same", true, silent, sensors.Good, false, true}, {"after a silence", true, silent + 1, sensors.Good, false, false}, {"frozen, after a silence", true, silent + 1, sensors.Good, true, true},
		{"another", false, time.Second, sensors.Good, false, false}, {"a bad one", false, time.Second, sensors.Bad, false, true},
	} {
		p := probe{&room.Probe{}, &State{}}
		p.St.Readings, p.St.Heard, p.St.StillAt, p.St.Frozen = 5, instant(time.Hour), time.Minute, c.frozen
		r := sensors.Reading{At: instant(time.Hour + c.gap), Has: sensors.HasTemperature, Temperature: 2400, Quality: c.quality}
		p.St.Still = sensors.Sample{Has: r.Has, Temperature: 2400}
		if !c.same {
			r.Temperature = 2401
		}
		if p.still(&r, silent, 1); (p.St.StillAt == time.Minute) != c.want {
			t.Errorf("%s: stands since %v", c.name, p.St.StillAt)
		}
	}
}

// Two probes of one enclosure are told to disagree only by what is not heat or cold, nor
// what others show as well.
func TestCompare_AtItsLimits(t *testing.T) {
	for _, c := range []struct {
		name       string
		p, q       float64 // °C, the room has 22; both are usually as warm as that
		usual      bool
		otherPlace bool
		mates      float64 // by which the others' have parted, 0 for none
		want       alarm.Input
		odd        string
	}{
		{"2 °C apart", 24, 22, false, false, 0, alarm.Beyond, "p1"}, {"less", 23.9, 22, false, false, 0, alarm.Between, "p1"}, {"6 °C in two places", 28, 22, false, true, 0, alarm.Beyond, "p1"},
		{"less in two places", 27.9, 22, false, true, 0, alarm.Between, "p1"},
		{"1.5 °C beside what is usual", 23.5, 22, true, false, 0, alarm.Beyond, "p1"}, {"less beside it", 23.4, 22, true, false, 0, alarm.Between, "p1"},
		{"both warmer", 24.1, 22.4, true, false, 0, alarm.Between, "p1"}, {"one hardly", 24, 22.3, true, false, 0, alarm.Beyond, "p1"}, {"both colder", 19.5, 21.5, true, false, 0, alarm.Between, "p1"},
		{"to both sides", 22.9, 21, true, false, 0, alarm.Beyond, "q1"},
		{"others show it too", 24, 22, true, true, 1, alarm.Back, ""}, {"others show the other", 24, 22, true, true, -1, alarm.Beyond, "p1"},
	} {
		extra := ""
		for i := 1; i <= 4; i++ {
			extra += fmt.Sprintf("[[probe]]\nid = \"q%d\"\nfamily = \"simulated\"\nplace = \"litter\"\nenclosure = \"e%d\"\n", i, i)
		}
		v := roomtest.View(t, 4, extra)
		found := &roomtest.Found{}
		l := pairs{look{New(v), v, &room.Out{Lives: found}}}
		for i := range v.Probes {
			p := l.at(i)
			if c.otherPlace && p.Cfg.ID[0] == 'q' {
				p.Cfg.Place = "canopy"
			}
			for n := 0; c.usual && n < 27; n++ {
				p.Own.Observe(float64(11+n/3%3), 0)
			}
			roomtest.Says(v, i, 22, 85)
			if c.mates != 0 && p.Cfg.ID[0] == 'p' {
				roomtest.Says(v, i, 22+c.mates, 85)
			}
		}
		p, q := l.at(1), l.at(5)
		p.St.Temp, q.St.Temp = sensors.CelsiusOf(c.p), sensors.CelsiusOf(c.q)
		l.compare(p, q, 2200, 12, c.usual, v.At)
		f, ok := found.Last(alarm.KindDisagrees)
		if ok != (c.odd != "") || ok && (f.In != c.want || f.Alarm.Rec.Key.Subject != c.odd) {
			t.Errorf("%s: %v, %v", c.name, ok, f)
		}
	}
}
