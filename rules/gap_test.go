package rules

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"dewline/configs/draws"
	"dewline/rules/alarm"
	"dewline/rules/room"
	"dewline/sensors"

	"pgregory.net/rapid"
)

// off lets dewline be off: running time stands still, and the clock goes on. A
// clock that is not set goes on from where it was.
func (r *rig) off(d time.Duration, set bool) {
	r.t.Helper()
	b, err := json.Marshal(r.e.State())
	if err != nil {
		r.t.Fatal(err)
	}
	records, err := json.Marshal(r.e.Records())
	if err != nil {
		r.t.Fatal(err)
	}
	var s State
	var list []room.Record
	if err := json.Unmarshal(b, &s); err != nil {
		r.t.Fatal(err)
	}
	if err := json.Unmarshal(records, &list); err != nil {
		r.t.Fatal(err)
	}
	r.asleep += d
	if r.synced = set; set {
		r.skew += r.asleep
		r.asleep = 0
	}
	r.e = New(r.cfg)
	r.take(r.e.Restore(&s, list, r.instant()))
}

// setClock sets the clock of a board that was off without one.
func (r *rig) setClock() {
	r.skew, r.asleep, r.synced = r.skew+r.asleep, 0, true
}

// eachOff runs a test of a time off, with the clock set at once and later.
func eachOff(t *testing.T, d time.Duration, f func(t *testing.T, off func(r *rig))) {
	t.Run("set at once", func(t *testing.T) { f(t, func(r *rig) { r.off(d, true) }) })
	t.Run("set later", func(t *testing.T) { f(t, func(r *rig) { r.off(d, false) }) })
}

// 46 °C after a time off is heat at the second reading, whoever stands beside.
func TestGap_HeatIsBelieved(t *testing.T) {
	for _, d := range []time.Duration{time.Minute, 10 * time.Minute, 6 * time.Hour} {
		eachOff(t, d, func(t *testing.T, off func(r *rig)) {
			t.Run(fmt.Sprintf("two agreeing probes after %v", d), func(t *testing.T) {
				r := newRig(t, rigConfig(t, 3, "", 1))
				r.run(time.Hour, r.calm)
				off(r)
				r.run(2*poll, r.hot(46, "p1", "q1"))
				r.want(alarm.LethalLimit, "e1", "NORM>UNACK")
				r.run(time.Hour, r.hot(46, "p1", "q1"))
				r.want(alarm.LethalLimit, "e1", "NORM>UNACK")
				r.want(alarm.ProbeJump, "", "")
			})
			t.Run(fmt.Sprintf("one probe among calm ones after %v", d), func(t *testing.T) {
				r := newRig(t, rigConfig(t, 3, "", 1))
				r.run(time.Hour, r.calm)
				off(r)
				r.run(poll, r.hot(46, "q1"))
				r.want(alarm.LethalLimit, "", "")
				r.run(poll, r.hot(46, "q1"))
				r.want(alarm.LethalLimit, "e1", "NORM>UNACK")
				if x := r.last(alarm.LethalLimit); x.Priority != alarm.Wake {
					t.Errorf("%v", x.Priority)
				}
			})
			t.Run(fmt.Sprintf("a power-on value after %v", d), func(t *testing.T) {
				r := newRig(t, rigConfig(t, 3, ""))
				r.run(time.Hour, r.calm)
				off(r)
				r.run(poll, r.hot(85, "p1", "p2"))
				r.run(time.Hour, r.calm)
				r.quiet()
			})
		})
	}
}

// hot lets some probes tell a temperature and the others be calm.
func (r *rig) hot(celsius float64, ids ...string) weather {
	return func(id string, at time.Duration) *sensors.Reading {
		x := r.calm(id, at)
		for _, h := range ids {
			if id == h {
				x.Temperature = sensors.CelsiusOf(celsius + 0.01*float64(int(at/poll)%3))
			}
		}
		return x
	}
}

// A probe that was silent for long, or never there, is believed as after a time
// off; one that leaps before everybody's eyes is a fault as ever.
func TestGap_OfOneProbe(t *testing.T) {
	for _, silent := range []time.Duration{2 * time.Minute, 6 * time.Hour} {
		t.Run(silent.String(), func(t *testing.T) {
			r := newRig(t, rigConfig(t, 3, "", 1))
			r.run(time.Hour, r.calm)
			r.run(silent, r.with("q1", func() *sensors.Reading { return nil }))
			r.run(2*poll, r.hot(46, "q1"))
			r.want(alarm.LethalLimit, "e1", "NORM>UNACK")
			r.run(time.Hour, r.hot(46, "q1"))
			r.want(alarm.ProbeJump, "", "")
		})
	}
	t.Run("one value after a silence", func(t *testing.T) {
		r := newRig(t, rigConfig(t, 3, "", 1))
		r.run(time.Hour, r.calm)
		r.run(3*time.Hour, r.with("q1", func() *sensors.Reading { return nil }))
		r.run(poll, r.hot(85, "q1"))
		r.run(time.Hour, r.calm)
		r.quiet(alarm.ProbeSilent)
	})
	t.Run("from the start", func(t *testing.T) {
		r := newRig(t, rigConfig(t, 3, "", 1))
		r.run(2*poll, r.hot(46, "q1"))
		r.want(alarm.LethalLimit, "e1", "NORM>UNACK")
	})
	t.Run("a message that is asked for again confirms nothing", func(t *testing.T) {
		r := newRig(t, rigConfig(t, 3, ""))
		r.run(time.Hour, r.calm)
		r.off(6*time.Hour, true)
		r.run(poll, r.hot(46, "p1"))
		r.run(2*time.Minute, func(id string, at time.Duration) *sensors.Reading {
			x := r.hot(46, "p1")(id, at)
			x.Again = id == "p1"
			return x
		})
		r.want(alarm.LethalLimit, "", "")
		r.run(poll, r.hot(46, "p1"))
		r.want(alarm.LethalLimit, "e1", "NORM>UNACK")
	})
	t.Run("a fault that was told stays one across a short restart", func(t *testing.T) {
		r := newRig(t, rigConfig(t, 3, "", 1))
		r.run(time.Hour, r.calm)
		r.run(time.Hour, r.hot(60, "q1"))
		r.want(alarm.ProbeJump, "q1", "NORM>UNACK")
		r.off(2*time.Minute, true)
		r.run(time.Hour, r.hot(60, "q1"))
		r.want(alarm.LethalLimit, "", "")
		r.want(alarm.ProbeJump, "q1", "NORM>UNACK")
	})
}

// Tubs that stand otherwise after a night off have no door ajar, and nothing
// leapt, froze or changed places.
func TestGap_NothingIsJudgedAcross(t *testing.T) {
	eachOff(t, 6*time.Hour, func(t *testing.T, off func(r *rig)) {
		cfg := rigConfig(t, 6, "", 1)
		for i := range cfg.Enclosures {
			cfg.Enclosures[i].Stage = "froglet"
		}
		r := newRig(t, cfg)
		damp := func(celsius, percent float64) weather {
			return func(id string, at time.Duration) *sensors.Reading {
				x := r.calm(id, at)
				if id != "room" {
					x.Temperature += sensors.CelsiusOf(celsius)
					x.Humidity += sensors.PercentOf(percent)
				}
				return x
			}
		}
		r.run(time.Hour, damp(0, 10))
		off(r)
		r.run(time.Hour, damp(-1.5, -4)) // drier and cooler, as the room is
		r.quiet()
	})
}

// A delay counts what was seen without a gap, and an alarm that is open waits for
// the whole of its way back.
func TestGap_DelaysBeginAnew(t *testing.T) {
	eachOff(t, 6*time.Hour, func(t *testing.T, off func(r *rig)) {
		r := newRig(t, rigConfig(t, 2, ""))
		r.now = 12 * time.Hour
		r.run(time.Hour, r.calm)
		on := r.cfg.Rules.BandOnDelay.D()
		r.run(on-time.Minute, r.hold("p1", 27.5, 85))
		off(r)
		r.run(on-time.Minute, r.hold("p1", 27.5, 85))
		r.want(alarm.AboveBand, "", "")
		r.run(2*time.Minute, r.hold("p1", 27.5, 85))
		r.want(alarm.AboveBand, "e1", "NORM>UNACK")
		back := r.cfg.Rules.BandOffDelay.D()
		r.run(back-time.Minute, r.hold("p1", 24, 85))
		off(r)
		r.run(back-time.Minute, r.hold("p1", 24, 85))
		r.want(alarm.AboveBand, "e1", "NORM>UNACK")
	})
}

// Every alarm that is open stays so while nothing comes.
func TestGap_OpenAlarmsStay(t *testing.T) {
	eachOff(t, 6*time.Hour, func(t *testing.T, off func(r *rig)) {
		r := newRig(t, rigConfig(t, 3, "", 1))
		r.run(time.Hour, r.calm)
		bad := func(id string, at time.Duration) *sensors.Reading {
			switch id {
			case "p3":
				return nil
			case "p2":
				return r.hot(33, "p2")(id, at)
			}
			return r.hot(60, "q1")(id, at)
		}
		r.run(time.Hour, bad)
		was := len(r.e.Open())
		off(r)
		r.run(20*time.Minute, func(string, time.Duration) *sensors.Reading { return nil })
		r.want(alarm.LethalLimit, "e2", "NORM>UNACK")
		r.want(alarm.ProbeJump, "q1", "NORM>UNACK")
		r.want(alarm.ProbeSilent, "p3", "NORM>UNACK")
		if now := len(r.e.Open()); now < was {
			t.Errorf("%d alarms of %d are open", now, was)
		}
	})
}

// An endless mist goes on while the air is soaked after the gap as before it.
func TestGap_EndlessMistStays(t *testing.T) {
	r := newRig(t, rigConfig(t, 2, noonMist))
	s := &r.e.v.Enclosures[0].Alarms[alarm.KindMistEndless]
	r.run(time.Hour, r.hold("p1", 24, 99))
	r.e.out.Hold(s, true)
	r.states[s.Rec.Key] = s.Rec.Life.State
	r.off(time.Hour, true)
	r.log = nil
	r.run(time.Hour, r.hold("p1", 24, 99))
	r.want(alarm.MistEndless, "", "")
	r.run(time.Hour, r.hold("p1", 24, 85))
	r.want(alarm.MistEndless, "e1", "UNACK>RTNUN")
}

// A shelf of two hours is over after ten hours off, also where that is known only
// later.
func TestGap_ShelvesEndByWallTime(t *testing.T) {
	for _, set := range []bool{true, false} {
		r := newRig(t, rigConfig(t, 2, ""))
		r.run(time.Hour, r.calm)
		r.run(time.Hour, r.hold("p1", 24, 60))
		if err := r.act(Action{Kind: Shelve, Key: alarm.Key{Alarm: alarm.HumidityFloor, Subject: "e1"}, For: 2 * time.Hour, By: "robin"}); err != nil {
			t.Fatal(err)
		}
		r.off(30*time.Minute, set)
		r.run(5*time.Minute, r.hold("p1", 24, 60))
		if got := r.states[alarm.Key{Alarm: alarm.HumidityFloor, Subject: "e1"}]; got != alarm.Shelved {
			t.Fatalf("after half an hour: %v", got)
		}
		r.off(10*time.Hour, set)
		r.run(5*time.Minute, r.hold("p1", 24, 60))
		r.setClock()
		r.run(time.Minute, r.hold("p1", 24, 60))
		if got := r.states[alarm.Key{Alarm: alarm.HumidityFloor, Subject: "e1"}]; got != alarm.Unack {
			t.Errorf("clock set %v: %v", set, got)
		}
	}
}

// How old the last values are counts the time off.
func TestGap_ValuesAreAsOldAsTheyAre(t *testing.T) {
	for _, set := range []bool{true, false} {
		r := newRig(t, rigConfig(t, 1, ""))
		r.run(time.Hour, r.calm)
		r.off(6*time.Hour, set)
		r.tick()
		r.setClock()
		r.now += poll
		r.tick()
		v, p := r.e.Enclosures()[0], r.e.Probes()[1]
		if v.Temperature.Known || v.Temperature.Age < 6*time.Hour || p.Age.D() < 6*time.Hour || p.Fresh {
			t.Errorf("clock set %v: known %v, %v old, the probe's %v", set, v.Temperature.Known, v.Temperature.Age, p.Age)
		}
		r.want(alarm.ProbeSilent, "", "")
		g, ok := r.e.TakeGap()
		if !ok || (g.For-6*time.Hour).Abs() > time.Minute || !strings.Contains(g.From.String(), "10:00") {
			t.Errorf("clock set %v: %+v", set, g)
		}
		if _, again := r.e.TakeGap(); again {
			t.Error("told twice")
		}
	}
}

// A reload is no gap, whatever the clock.
func TestGap_NotAReload(t *testing.T) {
	r := newRig(t, rigConfig(t, 2, ""))
	r.now = 12 * time.Hour
	r.run(time.Hour, r.calm)
	r.synced = false
	r.run(time.Minute, r.calm)
	on := r.cfg.Rules.BandOnDelay.D()
	r.run(on-time.Minute, r.hold("p1", 29, 85))
	r.take(r.e.Reconfigure(r.cfg, r.instant()))
	r.run(2*time.Minute, r.hold("p1", 29, 85))
	r.want(alarm.AboveBand, "e1", "NORM>UNACK")
	if g, ok := r.e.TakeGap(); ok {
		t.Errorf("%+v", g)
	}
}

// A process that stood still for an hour judges nothing of that hour.
func TestGap_StoodStill(t *testing.T) {
	for _, d := range []time.Duration{time.Minute, time.Hour} {
		r := newRig(t, rigConfig(t, 3, "", 1))
		r.run(time.Hour, r.calm)
		r.now += d
		r.tick()
		r.run(time.Hour, r.calm)
		r.quiet()
		if d == time.Hour {
			r.now += d
			r.run(2*poll, r.hot(46, "q1"))
			r.want(alarm.LethalLimit, "e1", "NORM>UNACK")
		}
	}
}

// What comes after a gap raises nothing that the same readings would not raise
// in an engine that saw nothing before, but for the heat that was suffered, which
// adds up; and heat is told at the second reading.
func TestGap_AsAFreshEngine(t *testing.T) {
	cfg := rigConfig(t, 3, "", 1)
	draws.Check(t, func(rt *rapid.T) {
		r := newRig(t, cfg)
		r.now = time.Duration(rapid.IntRange(1, 22).Draw(rt, "hour")) * time.Hour
		leg := func(name string) weather {
			temp, hum := map[string]float64{}, map[string]float64{}
			for _, p := range cfg.Probes {
				temp[p.ID] = rapid.SampledFrom([]float64{0, 0, 0, -5, 4, 9, 24, 40}).Draw(rt, name+p.ID)
				hum[p.ID] = rapid.SampledFrom([]float64{0, 0, -10, -25, 12}).Draw(rt, name+p.ID+"%")
			}
			return func(id string, at time.Duration) *sensors.Reading {
				x := r.calm(id, at)
				x.Temperature += sensors.CelsiusOf(temp[id])
				x.Humidity = min(x.Humidity+sensors.PercentOf(hum[id]), 10000)
				return x
			}
		}
		before, after := leg("before "), leg("after ")
		r.run(time.Duration(rapid.IntRange(5, 40).Draw(rt, "minutes"))*time.Minute, before)
		open, doubted := map[alarm.Key]bool{}, map[string]bool{} // a probe that is doubted leaves the word to others
		for _, v := range r.e.Open() {
			open[v.Key] = true
			for _, p := range cfg.Probes {
				doubted[p.Enclosure] = doubted[p.Enclosure] || p.ID == v.Key.Subject
			}
		}
		d := time.Duration(rapid.IntRange(17, 3000).Draw(rt, "gap")) * time.Minute
		r.off(d, rapid.Bool().Draw(rt, "set"))
		fresh := newRig(t, cfg)
		fresh.now, fresh.skew, fresh.synced = r.now, r.skew, r.synced
		r.log = nil
		for range rapid.IntRange(1, 45).Draw(rt, "then") {
			r.run(time.Minute, after)
			fresh.run(time.Minute, func(id string, at time.Duration) *sensors.Reading {
				was := r.now
				r.now = at // the readings are those that the other got
				defer func() { r.now = was }()
				return after(id, at)
			})
		}
		fresh.run(3*time.Minute, func(id string, _ time.Duration) *sensors.Reading {
			x := after(id, r.now)
			x.At = fresh.instant()
			return x
		}) // its minutes begin elsewhere
		raised := map[alarm.Key]bool{{Alarm: alarm.Exposure, Subject: "e1"}: true, {Alarm: alarm.Exposure, Subject: "e2"}: true, {Alarm: alarm.Exposure, Subject: "e3"}: true}
		for _, x := range fresh.log {
			raised[x.Key] = true
		}
		for _, x := range r.log {
			if x.To == alarm.Unack && x.From != alarm.Unack && !open[x.Key] && !raised[x.Key] && !doubted[x.Key.Subject] {
				rt.Fatalf("after %v: %v>%v %v: %s", d, x.From, x.To, x.Key, x.Text)
			}
		}
		for _, p := range cfg.Probes {
			k := alarm.Key{Alarm: alarm.LethalLimit, Subject: p.Enclosure}
			if p.Enclosure != "" && after(p.ID, r.now).Temperature >= 3100 && r.states[k] == alarm.Norm {
				rt.Fatalf("after %v: %s is lethal and nothing is told", d, p.ID)
			}
		}
	})
}

// Standing still for 30 s, or two polls, is nothing; for two minutes running time counts
// it. A clock that was set back by less than a minute only drifted.
func TestGap_AtItsLimits(t *testing.T) {
	for stood, want := range map[time.Duration]time.Duration{30 * time.Second: 0, 30*time.Second + 1: 30*time.Second + 1} {
		r := newRig(t, rigConfig(t, 1, ""))
		r.run(time.Minute, r.calm)
		r.e.Tick(instant(r.e.v.Latest.Mono + stood))
		if g, ok := r.e.TakeGap(); g.For != want || ok != (want > 0) {
			t.Errorf("stood still for %v: %+v", stood, g)
		}
	}
	for stood, want := range map[time.Duration]bool{stoodShort: true, stoodShort + 1: false} {
		r := newRig(t, rigConfig(t, 1, ""))
		r.run(time.Minute, r.calm)
		watched := r.e.v.Watched
		r.e.Tick(instant(r.e.v.Latest.Mono + stood))
		if goesOn := r.e.v.Watched == watched; goesOn != want {
			t.Errorf("stood still for %v: goes on %v", stood, goesOn)
		}
	}
	for back, want := range map[time.Duration]bool{time.Minute: true, time.Minute + 1: false} {
		e := New(rigConfig(t, 1, ""))
		e.v.Off = room.Off{Set: instant(time.Hour), Open: true, At: 2 * time.Hour}
		now := instant(3 * time.Hour)
		now.Wall = now.Wall.Add(-back)
		if d, ok := e.closeOff(now); ok != want || d != 0 {
			t.Errorf("the clock went back by %v: %v, %v", back, d, ok)
		}
	}
	e := New(rigConfig(t, 1, ""))
	e.v.Off = room.Off{Set: instant(time.Hour), Open: true, At: 2 * time.Hour}
	now := instant(3 * time.Hour)
	now.Wall = now.Wall.Add(9 * time.Hour)
	e.v.Enclosures[0].St.Dose.Minutes = 5
	e.learnOff(now)
	g, ok := e.TakeGap()
	if !ok || g.For != 9*time.Hour || !g.From.Equal(instant(2*time.Hour).Wall) || g.At != 2*time.Hour {
		t.Errorf("%+v", g)
	}
	if e.v.Off.Added != 9*time.Hour-room.UnknownOff || e.v.Enclosures[0].St.Dose.Unknown != 9*time.Hour {
		t.Errorf("%+v, %v", e.v.Off, e.v.Enclosures[0].St.Dose.Unknown)
	}
}
