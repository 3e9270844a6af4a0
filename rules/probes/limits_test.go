package probes

import (
	"fmt"
	"math"
	"testing"
	"time"

	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/rules/room"
	"dewline/rules/room/roomtest"
	"dewline/sensors"
)

// A drop comes in one step that is large beside the rest of the way, the probe's noise
// and the time between its readings.
func TestWet_atOnceAtItsLimits(t *testing.T) {
	is := func(rises uint8, from, most, least sensors.CentiPercent) room.Wet {
		return room.Wet{Rises: rises, From: from, Most: most, Least: least}
	}
	for _, c := range []struct {
		name  string
		wet   room.Wet
		top   sensors.CentiPercent
		every time.Duration
		ago   time.Duration // since the reading before
		want  bool
	}{
		{"one step", is(1, 9000, 600, 200), 10000, poll, poll, true},
		{"half of the way", is(1, 9000, 500, 200), 10000, poll, poll, false},
		{"no step", is(0, 9000, 600, 200), 10000, poll, poll, false},
		{"as small as one can be", is(1, 9700, 200, 200), 10000, poll, poll, true},
		{"smaller", is(1, 9700, 199, 200), 10000, poll, poll, false},
		{"four steps", is(wetRises-1, 9000, 600, 200), 10000, poll, poll, true},
		{"five", is(wetRises, 9000, 600, 200), 10000, poll, poll, false},
		{"two of a slow probe", is(wetSteps-1, 9000, 600, 200), 10000, time.Minute, time.Minute, true},
		{"three of a slow probe", is(wetSteps, 9000, 600, 200), 10000, time.Minute, time.Minute, false},
		{"three in a minute and a half", is(wetSteps, 9000, 600, 200), 10000, wetClimb / 3, poll, true},
		{"nobody looked for a minute and a half", is(1, 9000, 600, 200), 10000, poll, wetClimb, true},
		{"for longer", is(1, 9000, 600, 200), 10000, poll, wetClimb + 1, false},
		{"four polls of a slow probe", is(1, 9000, 600, 200), 10000, time.Minute, wetPolls * time.Minute, true},
	} {
		p := probe{&room.Probe{}, &State{}}
		p.St.Wet, p.St.Interval, p.St.HumAt = c.wet, c.every, time.Hour-c.ago
		if got := p.atOnce(c.top, time.Hour); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
	p := probe{&room.Probe{}, &State{}}
	for _, c := range []struct {
		every time.Duration
		grain float64
		want  sensors.CentiPercent
	}{{poll, 0, wetLeap}, {poll, 100, 350}, {wetClimb, 0, wetLeap}, {wetClimb + 1, 0, wetSlow}, {wetClimb + 1, 1000, 3500}} {
		p.St.Interval, p.Grain.Hum = c.every, c.grain
		if got := p.leastLeap(); got != c.want {
			t.Errorf("every %v, grain %v: %v, want %v", c.every, c.grain, got, c.want)
		}
	}
}

// Saturation begins at 99 %, ends below it, and is left below 96 %; what comes back within
// twenty minutes of that is the same damp air.
func TestWet_followsSaturation(t *testing.T) {
	for _, c := range []struct {
		name        string
		before, say sensors.CentiPercent
		since       time.Duration
		left        time.Duration // ago, 0 for never
		quality     sensors.Quality
		wantSince   time.Duration
		slow, fast  bool
	}{
		{"a drop", 8500, 9900, 0, 0, sensors.Good, time.Hour, false, true},
		{"nearly", 8500, 9899, 0, 0, sensors.Good, 0, false, false},
		{"it stays", 9900, 9950, time.Minute, 0, sensors.Good, time.Minute, false, false},
		{"it dries a little", 9900, 9899, time.Minute, 0, sensors.Good, 0, false, false},
		{"back within twenty minutes", 8500, 9900, 0, wetBack, sensors.Good, time.Hour, true, false},
		{"after them", 8500, 9900, 0, wetBack + 1, sensors.Good, time.Hour, false, true},
		{"a bad reading", 8500, 9900, 0, 0, sensors.Bad, 0, false, false},
		{"a suspect one", 8500, 9900, 0, 0, sensors.Suspect, time.Hour, false, true},
	} {
		p := probe{&room.Probe{}, &State{}}
		p.St.Interval, p.St.HasHum, p.St.Hum, p.St.HumAt = poll, true, c.before, time.Hour-poll
		p.St.Wet.Since = c.since
		if c.left > 0 {
			p.St.Wet.Left = time.Hour - c.left
		}
		p.followWet(&sensors.Reading{At: instant(time.Hour), Has: sensors.HasHumidity, Humidity: c.say, Quality: c.quality})
		if w := p.St.Wet; w.Since != c.wantSince || w.Slow != c.slow || w.Fast != c.fast {
			t.Errorf("%s: %+v", c.name, w)
		}
	}
	// Drying is noted as it passes 96 %, once.
	p := probe{&room.Probe{}, &State{}}
	p.St.HasHum = true
	for i, c := range []struct {
		hum   sensors.CentiPercent
		left  time.Duration
		often uint8
	}{{9600, 0, 0}, {9599, 2 * time.Second, 1}, {9000, 2 * time.Second, 1}, {9599, 2 * time.Second, 1}} {
		p.St.Wet.Fast = i == 1
		at := time.Duration(i+1) * time.Second
		p.followWet(&sensors.Reading{At: instant(at), Has: sensors.HasHumidity, Humidity: c.hum, Quality: sensors.Good})
		if p.St.Hum = c.hum; p.St.Wet.Left != c.left || p.St.Wet.Often != c.often {
			t.Errorf("%d: %+v", i, p.St.Wet)
		}
	}
	for _, c := range []struct {
		often uint8
		ago   time.Duration
		want  uint8
	}{{0, time.Hour, 1}, {2, time.Hour, 3}, {2, wetForget, 2}, {2, 9 * wetForget, 1}} {
		w := room.Wet{Fast: true, Often: c.often, OftenAt: 1000*time.Hour - c.ago}
		if dried(&w, 1000*time.Hour); w.Often != c.want || w.OftenAt != 1000*time.Hour {
			t.Errorf("%+v: %+v", c, w)
		}
	}
}

// What most probes of other enclosures, or of those on the same mist supply, show too is
// the air's: two at least, and half of them.
func TestWet_together(t *testing.T) {
	for _, c := range []struct {
		name        string
		enclosures  int
		wet         []int // enclosures, from 1
		mates       []int // on the same supply as the first; the others have none
		roomIsWet   bool
		want, alone bool // alone: of a probe in no enclosure
	}{
		{"one of two others", 3, []int{2}, nil, false, false, false},
		{"two of four others", 5, []int{2, 3}, nil, false, true, false},
		{"two of five others", 6, []int{2, 3}, nil, false, false, false},
		{"itself does not count", 6, []int{1, 2, 3}, nil, false, false, false},
		{"the room does not count", 6, []int{2, 3}, nil, true, false, false},
		{"two of four mates among nine", 10, []int{2, 3}, []int{2, 3, 4, 5}, false, true, false},
		{"two of five mates", 10, []int{2, 3}, []int{2, 3, 4, 5, 6}, false, false, false},
		{"one of two mates", 10, []int{2}, []int{2, 3}, false, false, false},
		{"two who are no mates", 10, []int{8, 9}, []int{2, 3}, false, false, false},
	} {
		v := roomtest.View(t, c.enclosures, "")
		for i := range v.Enclosures {
			v.Enclosures[i].Mist = -1
		}
		if c.mates != nil {
			for _, m := range append(c.mates, 1) {
				v.Enclosures[m-1].Mist = 0
			}
		}
		for _, w := range c.wet {
			v.Probes[w].St.Wet.Since = 1
		}
		if c.roomIsWet {
			v.Probes[0].St.Wet.Since = 1
		}
		l := look{Judge: New(v), v: v}
		if got := l.wetTogether(l.at(1)); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
		if l.wetTogether(l.at(0)) {
			t.Errorf("%s: the room's own", c.name)
		}
	}
}

// A wet probe is told by what its judge found, and stays until it is dry.
func TestWet_judged(t *testing.T) {
	for _, c := range []struct {
		name       string
		reason     sensors.Reason
		dewy, slow bool
		active     bool
		drop       bool
		hum        sensors.CentiPercent
		want, told bool
		nextDrop   bool
		airIsWet   bool // of a suspect reading
		airIfItBad bool
	}{
		{"pinned", sensors.PinnedWet, false, false, false, false, 10000, true, true, true, false, false},
		{"its dew point is too high", sensors.DewTooHigh, false, false, false, false, 10000, true, true, true, false, false},
		{"the air is wet", sensors.PinnedWet, false, true, false, false, 10000, false, false, false, true, false},
		{"dewy", sensors.NoReason, true, true, false, false, 9000, true, true, false, false, false},
		{"told, still wet", sensors.NoReason, false, false, true, true, wetBelow, true, true, true, false, false},
		{"told, and dry", sensors.NoReason, false, false, true, true, wetBelow - 1, false, true, false, false, false},
		{"told of another matter", sensors.NoReason, false, false, true, false, 9900, false, true, false, false, false},
	} {
		v := roomtest.View(t, 1, "")
		found := &roomtest.Found{}
		l := look{New(v), v, &room.Out{Lives: found}}
		p := l.at(1)
		p.St.Reason, p.St.Dewy, p.St.Hum = c.reason, c.dewy, c.hum
		p.St.Wet = room.Wet{Since: v.At.Mono, Slow: c.slow, Drop: c.drop}
		s := p.Alarm(alarm.KindWet)
		if s.Rec.Life.Active = c.active; c.active {
			s.Rec.Life.State = alarm.Unack
		}
		l.judgeWet(p, v.At)
		f, told := found.Last(alarm.KindWet)
		if told != c.told || told && (f.In == alarm.Beyond) != c.want || p.St.Wet.Drop != c.nextDrop {
			t.Errorf("%s: told %v %v, a drop %v", c.name, told, f.In, p.St.Wet.Drop)
		}
		if told && (s.Rec.Value != c.hum.Percent() || s.Rec.Limit != pinnedAt) {
			t.Errorf("%s: %v against %v", c.name, s.Rec.Value, s.Rec.Limit)
		}
		r := sensors.Reading{Reason: c.reason, Quality: sensors.Suspect}
		if got := l.airIsWet(p, &r); got != c.airIsWet {
			t.Errorf("%s: the air is wet %v", c.name, got)
		}
		if r.Quality = sensors.Bad; l.airIsWet(p, &r) != c.airIfItBad {
			t.Errorf("%s: by a bad reading", c.name)
		}
	}
}

// A radio's losses are counted in rows, older ones half, and chance makes no row longer
// than its share of losses tells.
func TestLoss_AtItsLimits(t *testing.T) {
	n := Loss{}
	for _, polls := range []int{1, 1, 3, 0, 2} { // two lost, then none, then one
		n.note(polls, polls > 2)
	}
	if n != (Loss{Got: 5, Lost: 3, Rows: 2, Long: 1, Longest: [3]uint16{2, 1}}) {
		t.Errorf("%+v", n)
	}
	n = Loss{}
	if n.note(1<<20, true); n.Lost != lossKept/4 || n.Rows != 1 {
		t.Errorf("an outage counts as %+v", n)
	}
	n = Loss{Got: 3000, Lost: lossKept - 3001, Rows: 100, Longest: [3]uint16{9, 7, 5}}
	if n.note(1, false); n.Got != 3001 {
		t.Errorf("at the end: %+v", n)
	}
	if n.note(1, false); n != (Loss{Got: 1501, Lost: 547, Rows: 50, Before: [3]uint16{9, 7, 5}}) {
		t.Errorf("older ones count half: %+v", n)
	}
	if n.note(9, true); n.third() != 7 { // of nine, eight, seven and five
		t.Errorf("the third longest is %d of %+v", n.third(), n)
	}
	if s := (&Loss{Got: 70, Lost: 10}).share(); s != 0.1 {
		t.Errorf("share %v of 10 in 80 and the twenty that are believed", s)
	}
	if (&Loss{Got: 4000}).polls() != 0 {
		t.Error("what loses nothing is silent at once")
	}
	// Single losses of one poll in ten, none after another: the next is lost by 2/1020 or so.
	// Of independent losses a row of n has the chance p^n.
	for _, n := range []Loss{{Got: 900, Lost: 100, Rows: 90}, {Got: 2000, Lost: 1000, Rows: 700}} {
		p := n.share()
		next := (float64(n.Lost-n.Rows) + lossFew*p) / (float64(n.Lost) + lossFew)
		got := n.polls()
		if chance := p * math.Pow(next, got-1); math.Abs(chance/lossChance-1) > 1e-6 {
			t.Errorf("%+v: a row of %v has the chance %v", n, got, chance)
		}
	}
}

// A silence is told as late as rows of lost polls make it, ten minutes late at most and twenty
// where such rows are usual; what was told of a poor radio stays told for two hours.
func TestLoss_ToldLater(t *testing.T) {
	rules := &configs.Rules{SilentAfter: configs.Duration(2 * time.Minute)}
	const limit = 3 * time.Minute // three polls of a minute
	for third, want := range map[uint16]time.Duration{0: limit, 4: 10 * time.Minute, 9: limit + lossDelay, 10: limit + 2*lossDelay} {
		p := probe{&room.Probe{}, &State{}}
		p.St.Interval, p.St.Readings = time.Minute, 9
		if p.Loss = (Loss{Got: 4000, Longest: [lossTops]uint16{third, third, third}}); third > 0 {
			p.Loss.Lost, p.Loss.Rows = 3, 3
		}
		if got := p.toldAfter(rules); got != want {
			t.Errorf("rows of %d: told after %v, want %v", third, got, want)
		}
	}
	for ago, want := range map[time.Duration]bool{lossHold - 1: true, lossHold: false} {
		p := probe{&room.Probe{}, &State{}}
		p.Loss, p.Told = Loss{Got: 80, Lost: 20, Rows: lossAgain}, time.Hour
		s := room.MakeAlarm(alarm.KindSilent, 0, "p1")
		s.Rec.Life.Active, s.Rec.Priority = true, alarm.Today
		if got := p.held(&s, time.Hour+ago); got != want {
			t.Errorf("told %v ago: held %v", ago, got)
		}
		if s.Rec.Priority = alarm.Wake; p.held(&s, time.Hour+ago) {
			t.Errorf("told %v ago: one that wakes is held", ago)
		}
	}
}

// A step that stands is the probe's own only if the air would have dried with it and did
// not, no other probe shows it, and neither lamps nor a door explain it.
func TestShift_AtItsLimits(t *testing.T) {
	base := Step{At: time.Hour, Before: Level{Temp: 2400, Hum: 8000, HasHum: true}, After: Level{Temp: 2700, Hum: 8000, HasHum: true}, First: 2700}
	for _, c := range []struct {
		name string
		set  func(l look, p probe)
		want bool
	}{
		{"3 °C and as damp as before", func(look, probe) {}, true},
		{"downwards", func(l look, p probe) {
			p.Step.After.Temp, p.Step.First = 2150, 2150
			roomtest.Says(l.v, 0, 30, 50)
		}, true},
		{"2 °C", func(_ look, p probe) { p.Step.After.Temp, p.Step.First = 2600, 2600 }, true},
		{"less", func(_ look, p probe) { p.Step.After.Temp, p.Step.First = 2599, 2599 }, false},
		{"of a noisy probe", func(_ look, p probe) { p.Grain.Temp = 51 }, false},
		{"it took its time", func(_ look, p probe) { p.Step.First = 2500 }, false},
		{"after a silence", func(_ look, p probe) { p.Step.Silent = true }, false},
		{"exchanged", func(_ look, p probe) { p.St.Swap.With = "p2" }, false},
		{"a slow probe", func(_ look, p probe) { p.St.Interval = shiftPoll + 1 }, false},
		{"not so slow", func(_ look, p probe) { p.St.Interval = shiftPoll }, true},
		{"a slow one whose air never made a third of such a step", func(_ look, p probe) {
			p.St.Interval, p.Stills.Temp.Days, p.Steps = 15*time.Minute, 2, Steps{100, 100 * time.Hour}
		}, true},
		{"whose air made more", func(_ look, p probe) {
			p.St.Interval, p.Stills.Temp.Days, p.Steps = 15*time.Minute, 2, Steps{101, 100 * time.Hour}
		}, false},
		{"twice as much four days ago", func(_ look, p probe) {
			p.St.Interval, p.Stills.Temp.Days, p.Steps = 15*time.Minute, 2, Steps{200, 100*time.Hour - shiftFades}
		}, true},
		{"and nobody knows", func(_ look, p probe) { p.St.Interval, p.Stills.Temp.Days = 15*time.Minute, 1 }, false},
		{"nobody knows how damp it was", func(_ look, p probe) { p.Step.Before.HasHum = false }, false},
		{"nor is", func(_ look, p probe) { p.Step.After.HasHum = false }, false},
		{"the air dried by a fifth", func(_ look, p probe) { p.Step.After.Hum = 6700 }, false},
		{"by a few percent", func(_ look, p probe) { p.Step.After.Hum = 7700 }, true},
		{"implausibly hot, and believed", func(_ look, p probe) { p.Step.After.Temp, p.Step.First = float64(Implausible), float64(Implausible) }, true},
		{"and told to stand alone", func(_ look, p probe) {
			p.Step.After.Temp, p.Step.First, p.St.Alone = float64(Implausible), float64(Implausible), true
		}, false},
		{"the lamps were switched", func(l look, p probe) { l.v.Lamps[0].Known, l.v.Lamps[0].Edge = true, shiftLamps-1 }, false},
		{"a while ago", func(l look, p probe) { l.v.Lamps[0].Known, l.v.Lamps[0].Edge = true, shiftLamps }, true},
		{"another steps with it", func(l look, _ probe) { l.at(2).Step = base }, false},
		{"half as far", func(l look, _ probe) { l.at(2).Step = base; l.at(2).Step.After.Temp = 2550 }, true},
		{"the other way", func(l look, _ probe) { l.at(2).Step = base; l.at(2).Step.After.Temp = 2100 }, true},
		{"another time", func(l look, _ probe) { l.at(2).Step = base; l.at(2).Step.At += 2*poll + 1 }, true},
		{"nearly the same time", func(l look, _ probe) { l.at(2).Step = base; l.at(2).Step.At -= 2 * poll }, false},
		{"part of the way to the room", func(l look, _ probe) { roomtest.Says(l.v, 0, 28, 50) }, false},
		{"beyond the room", func(l look, _ probe) { roomtest.Says(l.v, 0, 27, 50) }, true},
		{"cold and dry, as an element that is gone", func(_ look, p probe) { p.Step.After.Temp, p.Step.First, p.Step.After.Hum = -4000, -4000, 0 }, true},
		{"the same as a door does", func(_ look, p probe) { p.Step.After.Temp, p.Step.First, p.Step.After.Hum = 2150, 2150, 6000 }, false},
		{"without a room probe", func(l look, p probe) {
			p.Step.After.Temp, p.Step.First, p.Step.After.Hum, l.v.InRoom = 1401, 1401, 6000, nil
		}, false},
		{"nor any drier", func(l look, p probe) {
			p.Step.After.Temp, p.Step.First, p.Step.After.Hum, l.v.InRoom = 1401, 1401, 7700, nil
		}, true},
		{"colder than a room may be", func(l look, p probe) {
			p.Step.After.Temp, p.Step.First, p.Step.After.Hum, l.v.InRoom = 1400, 1400, 6000, nil
		}, true},
		{"back to where it was calm", func(_ look, p probe) { p.Calm.Temp = 2600 }, false},
	} {
		v := roomtest.View(t, 2, "")
		v.At.Mono = 100 * time.Hour
		for i := range v.Probes {
			roomtest.Says(v, i, 24, 80)
		}
		v.Lamps[0].Edge = time.Hour
		roomtest.Says(v, 0, 20, 50)
		l := look{New(v), v, &room.Out{Lives: &roomtest.Found{}}}
		p := l.at(1)
		p.Step = base
		c.set(l, p)
		swaps{l}.shifted(p, v.At)
		if (p.Shift.At > 0) != c.want {
			t.Errorf("%s: %+v", c.name, p.Shift)
		}
	}
	// It is over when the probe goes back by more than half.
	for back, over := range map[float64]bool{2549: true, 2551: false} {
		v := roomtest.View(t, 1, "")
		l := look{New(v), v, &room.Out{Lives: &roomtest.Found{}}}
		p := l.at(1)
		p.Shift = Shift{At: 1, Before: 2400, By: 300}
		p.Step = Step{At: time.Hour, Before: Level{Temp: 2700}, After: Level{Temp: back}}
		if (swaps{l}).shifted(p, v.At); (p.Shift.At == 0) != over {
			t.Errorf("back at %v: %+v", back, p.Shift)
		}
	}
}

// How far the places of others have parted is asked of two at least, of those on the
// same lamps first.
func TestPairs_sharedShift(t *testing.T) {
	for _, c := range []struct {
		name   string
		parted []float64 // °C, of the second enclosure on; NaN for one probe only
		lamps  []int     // theirs; the first has 0
		want   float64
	}{
		{"nobody", nil, nil, 0},
		{"one", []float64{1}, []int{0}, 0},
		{"two", []float64{1, 2}, []int{0, 0}, 200},
		{"three", []float64{1, 2, 3}, []int{0, 0, 0}, 200},
		{"two on the same lamps among four", []float64{1, 2, 5, 6}, []int{0, 0, -1, -1}, 200},
		{"one on the same lamps", []float64{1, 4, 5}, []int{0, -1, -1}, 400},
		{"one that has no pair", []float64{1, math.NaN()}, []int{0, 0}, 0},
	} {
		extra := ""
		for i := range c.parted {
			if !math.IsNaN(c.parted[i]) {
				extra += fmt.Sprintf("[[probe]]\nid = \"q%d\"\nfamily = \"simulated\"\nplace = \"canopy\"\nenclosure = \"e%d\"\n", i+2, i+2)
			}
		}
		extra += "[[probe]]\nid = \"q1\"\nfamily = \"simulated\"\nplace = \"canopy\"\nenclosure = \"e1\"\n"
		v := roomtest.View(t, len(c.parted)+1, extra)
		l := pairs{look{New(v), v, &room.Out{Lives: &roomtest.Found{}}}}
		for i := range v.Probes {
			p := l.at(i)
			for n := range 27 {
				p.Own.Observe(float64(11+n/3%3), 0)
			}
			roomtest.Says(v, i, 22, 85)
			if p.Encl > 0 && p.Cfg.Place == "litter" {
				roomtest.Says(v, i, 22+c.parted[p.Encl-1], 85)
			}
		}
		for i, lamps := range c.lamps {
			v.Enclosures[i+1].Lamps = lamps
		}
		if got := l.sharedShift(l.at(1), l.at(v.ByID["q1"]), 2200, 12, v.At.Mono); math.Abs(got-c.want) > 1 && !math.IsNaN(c.want) {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}

// Heat that one probe tells alone is doubted where others could have seen it and are calm.
func TestAlone_surroundings(t *testing.T) {
	for _, c := range []struct {
		name string
		room float64 // °C; NaN for unknown
		hot  int     // other enclosures at the limit to act at, of three
		old  bool    // they were last seen long ago
		want bool
	}{
		{"all calm", 24, 0, false, true},
		{"one of three is hot", 24, 1, false, true},
		{"two are", 24, 2, false, false},
		{"two are, and nobody knows the room", math.NaN(), 2, false, false},
		{"one is, and nobody knows the room", math.NaN(), 1, false, true},
		{"the room is warm", 35, 0, false, false},
		{"only the room can say", 24, 0, true, true},
		{"nobody can", math.NaN(), 0, true, false},
	} {
		v := roomtest.View(t, 4, "")
		l := look{New(v), v, &room.Out{Lives: &roomtest.Found{}}}
		for i := range v.Enclosures {
			en := &v.Enclosures[i]
			if en.Now.Hot = en.Limits.Act - 1; i >= 1 && i <= c.hot || i == 0 {
				en.Now.Hot = en.Limits.Act
			}
			if c.old {
				en.St.At.Mono = v.At.Mono - room.LongestInterval - 1
			}
		}
		if roomtest.Says(v, 0, c.room, 50); math.IsNaN(c.room) {
			v.Probes[0].St.HasTemp = false
		}
		if got := l.surroundingsCalm(0, v.At.Mono); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}

// A probe that nearly was there before has climbed to its heat.
func TestAlone_climbed(t *testing.T) {
	p := probe{&room.Probe{}, &State{}}
	for _, c := range []struct {
		has, alone bool
		temp       sensors.CentiCelsius
		want       bool
	}{{true, false, Implausible - room.Leap, true}, {true, false, Implausible - room.Leap - 1, false}, {true, true, Implausible, false}, {false, false, Implausible, false}} {
		p.St.HasTemp, p.St.Alone, p.St.Temp = c.has, c.alone, c.temp
		if p.climbed() != c.want {
			t.Errorf("%+v: %v", c, !c.want)
		}
	}
}

// Who tells no humidity though it is there to tell it, and since when.
func TestSilent_humidityGone(t *testing.T) {
	const now, began, humAt = 10 * time.Hour, time.Hour, 9 * time.Hour
	for _, c := range []struct {
		name    string
		quality sensors.Quality
		reason  sensors.Reason
		hasHum  bool
		told    bool // the alarm is known to be so
		active  bool
		since   time.Duration // it is in service
		drop    bool
		want    time.Duration
	}{
		{"since an hour", sensors.Good, sensors.NoReason, true, false, false, 0, false, time.Hour},
		{"out of range", sensors.Suspect, sensors.OutOfRange, true, false, false, 0, false, time.Hour},
		{"broken from the start", sensors.Suspect, sensors.OutOfRange, false, false, false, 0, false, 9 * time.Hour},
		{"never told any", sensors.Good, sensors.NoReason, false, false, false, 0, false, 9 * time.Hour},
		{"not since it serves", sensors.Good, sensors.NoReason, false, false, false, 9*time.Hour + time.Minute, false, 59 * time.Minute},
		{"never told any but wet", sensors.Suspect, sensors.PinnedWet, false, false, false, 0, false, 0},
		{"a heater pulse", sensors.Suspect, sensors.Heating, true, false, false, 0, false, 0},
		{"a heater pulse while it is told", sensors.Suspect, sensors.Heating, true, true, true, 0, false, time.Hour},
		{"a bad reading", sensors.Bad, sensors.NoReason, true, false, false, 0, false, 0},
		{"in service since then", sensors.Good, sensors.NoReason, true, false, false, 9*time.Hour + time.Minute, false, 59 * time.Minute},
		{"told before that", sensors.Good, sensors.NoReason, true, true, true, 9*time.Hour + time.Minute, false, time.Hour},
		{"a wet one", sensors.Good, sensors.NoReason, true, false, false, 0, true, 0},
	} {
		v := roomtest.View(t, 1, "")
		l := look{New(v), v, &room.Out{Lives: &roomtest.Found{}}}
		p := l.at(1)
		p.St.Quality, p.St.Reason, p.St.HasHum, p.St.HumAt = c.quality, c.reason, c.hasHum, humAt
		p.St.Heard, p.St.Began, p.Since, p.St.Wet.Drop = instant(now), instant(began), c.since, c.drop
		p.Alarm(alarm.KindSilent).Rec.Life.Active = c.active
		if got := p.humidityGone(c.told); got != c.want {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}

// After a gap nothing takes a reading from before it and one from now.
func TestForget(t *testing.T) {
	v := roomtest.View(t, 1, "")
	l := look{New(v), v, &room.Out{Lives: &roomtest.Found{}}}
	for _, c := range []struct{ dewy, wet, long bool }{{false, false, false}, {true, true, true}} {
		p := l.at(1)
		p.St.HotRun, p.Step, p.Level, p.Away, p.DewSince = 2, Step{At: 1}, Level{Num: 1}, Away{Since: 1}, 1
		p.St.Dewy, p.St.Wet, p.St.StillAt, p.St.HasPeers, p.St.Leap = c.dewy, room.Wet{Rises: 2}, 1, true, 5
		if c.wet {
			p.St.Wet.Since = 1
		}
		v.Absence = room.Absence{Known: !c.long}
		l.forget(time.Hour)
		if p.St.HotRun != 0 || p.Step.At != 0 || p.Level.Num != 0 || p.Away.Since != 0 || (p.DewSince == 0) == c.dewy || (p.St.Wet.Rises == 0) == c.wet {
			t.Errorf("%+v: %+v", c, p.State)
		}
		if long := p.St.StillAt == time.Hour && !p.St.HasPeers && p.St.Leap == 0; long != c.long {
			t.Errorf("%+v: stands since %v", c, p.St.StillAt)
		}
	}
}

// A node's clock that is wrong is told while it is, and followed until it is right again;
// a silence that is told ends once the probe speaks as it should, however bad its radio.
func TestJudges_UntilItIsOver(t *testing.T) {
	for _, c := range []struct {
		name   string
		reason sensors.Reason
		open   bool
		seen   alarm.Input
		found  bool
		want   alarm.Input
	}{
		{"wrong", sensors.WrongClock, false, alarm.Back, true, alarm.Beyond}, {"right", sensors.NoReason, false, alarm.Back, false, 0},
		{"right, and it is told", sensors.NoReason, true, alarm.Back, true, alarm.Back}, {"right, and it was about to be", sensors.NoReason, false, alarm.Beyond, true, alarm.Back},
	} {
		v := roomtest.View(t, 1, "")
		found := &roomtest.Found{}
		l := look{New(v), v, &room.Out{Lives: found}}
		p := l.at(1)
		s := p.Alarm(alarm.KindNodeClock)
		p.St.Reason, s.Rec.Life.Seen = c.reason, c.seen
		if c.open {
			s.Rec.Life.State = alarm.Unack
		}
		l.judgeNodeClock(p)
		if f, ok := found.Last(alarm.KindNodeClock); ok != c.found || f.In != c.want {
			t.Errorf("%s: %v, %v", c.name, ok, f.In)
		}
	}
	for told, want := range map[bool]bool{true: true, false: false} {
		v := roomtest.View(t, 1, "")
		found := &roomtest.Found{}
		l := look{New(v), v, &room.Out{Lives: found}}
		p := l.at(1)
		p.St.Readings, p.Loss = 100, Loss{Got: 500, Lost: 500, Rows: 100} // so that chance makes long rows
		limit := p.SilentAfter(&v.Cfg.Rules)
		if p.toldAfter(&v.Cfg.Rules) <= limit+time.Second {
			t.Fatal("its radio is too good")
		}
		s := p.Alarm(alarm.KindSilent)
		s.Rec.Life.State, s.Rec.Life.Active = alarm.Unack, told
		if told { // in the silence that goes on
			s.Rec.Life.Seen = alarm.Beyond
		}
		p.St.HumAt, p.St.Heard.Mono = v.At.Mono-limit-time.Second, v.At.Mono-limit-time.Second
		l.judgeSilent(p, v.At)
		if f, ok := found.Last(alarm.KindSilent); !ok || (f.In == alarm.Beyond) != want {
			t.Errorf("told %v: %+v", told, f)
		}
	}
	v := roomtest.View(t, 2, "")
	l := look{Judge: New(v), v: v}
	p := l.at(1)
	for i, want := range []uint8{1, 2, 3} {
		r := sensors.Reading{At: instant(time.Duration(i+1) * time.Minute), Temperature: 2400 + 100*sensors.CentiCelsius(i+1)}
		p.St.HasTemp, p.St.Temp = true, 2400
		if l.jumped(p, &r); p.St.Jumps != want || p.St.JumpAt != r.At.Mono || p.St.LeapAt != r.At.Mono {
			t.Errorf("%d jumps, want %d", p.St.Jumps, want)
		}
	}
	if p.St.Leap != 600 {
		t.Errorf("together they led %d away", p.St.Leap)
	}
	p.St.Leap = 0
	for i := range 6 { // a spike leads away and back, however often it comes
		r := sensors.Reading{At: instant(time.Duration(i+4) * time.Minute), Has: sensors.HasTemperature, Temperature: 2400, Quality: sensors.Good}
		if i%2 == 0 {
			r.Temperature, r.Quality, r.Reason = 3000, sensors.Suspect, sensors.Jump
		}
		l.takeTemperature(p, &r)
		p.note(&r, time.Minute, false)
	}
	if p.St.Leap != 0 {
		t.Errorf("spikes led %d away", p.St.Leap)
	}
	// A door that is opened on heat leads part of the way to the room, or to the others.
	for _, inRoom := range [][]int{v.InRoom, nil} {
		v.InRoom = inRoom
		for to, want := range map[sensors.CentiCelsius]uint8{2399: 1, 2400: 1, 2401: 0, 3999: 0, 4001: 1} {
			r := sensors.Reading{At: v.At, Temperature: to}
			p.St.Temp, p.St.Jumps = 4000, 0
			if l.jumped(p, &r); p.St.Jumps != want {
				t.Errorf("from 40 °C to %s, room probes %v: %d jumps", to, inRoom, p.St.Jumps)
			}
		}
	}
}
