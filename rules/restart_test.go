package rules

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"dewline/rules/alarm"
	"dewline/rules/room"
	"dewline/sensors"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// eventful is a day on which much goes wrong: heat that comes and goes, a twin
// that fails, dry air, cold.
func (r *rig) eventful(id string, at time.Duration) *sensors.Reading {
	x := r.calm(id, at)
	m := int((at - 12*time.Hour) / time.Minute)
	switch {
	case id == "p1" && m > 10 && m < 60:
		x.Temperature = sensors.CelsiusOf(24 + 8*math.Sin(float64(m-10)/50*math.Pi))
	case id == "q1" && m > 30 && m < 45:
		return nil
	case id == "q1" && m > 50 && m < 53:
		b := r.bad("q1", sensors.BadCRC)
		return &b
	case id == "p2" && m > 5 && m < 40:
		x.Humidity = 6500
	case id == "p2" && m > 45 && m < 70:
		x.Temperature = 1480
	case id == "p2" && m == 72:
		s := r.suspect("p2", 33, sensors.Jump)
		return &s
	}
	return x
}

// play runs the eventful time with a keeper who answers, restarting before
// every call or never.
func play(t *testing.T, restart bool) []Transition {
	r := newRig(t, rigConfig(t, 2, "", 1))
	r.now, r.restart = 12*time.Hour, restart
	for i := range 18 {
		r.run(5*time.Minute, r.eventful)
		if i%4 == 3 {
			for _, v := range r.e.Open() {
				_ = r.act(Action{Kind: Acknowledge, Key: v.Key, Seq: v.Seq, By: "robin"})
			}
		}
		if i == 9 {
			_ = r.act(Action{Kind: Shelve, Key: Key{Alarm: HumidityFloor, Subject: "e2"}, For: 20 * time.Minute, By: "robin"})
		}
		if i == 12 {
			_ = r.act(Action{Kind: TakeOut, Key: Key{Subject: "e2"}, For: 15 * time.Minute, By: "robin"})
		}
	}
	return r.log
}

// A restart at any step changes nothing: same transitions, same onsets, same
// words. (Reliability checker: no acknowledged loss after a restart.)
func TestRestart_BeforeEveryCallChangesNothing(t *testing.T) {
	plain, reborn := play(t, false), play(t, true)
	t.Logf("%d transitions", len(plain))
	if len(plain) < 20 {
		t.Fatalf("only %d transitions happened", len(plain))
	}
	for i := range min(len(plain), len(reborn)) {
		if diff := cmp.Diff(plain[i], reborn[i]); diff != "" {
			t.Fatalf("transition %d differs (-plain +restarted):\n%s", i, diff)
		}
	}
	if len(plain) != len(reborn) {
		t.Errorf("%d transitions, restarted %d", len(plain), len(reborn))
	}
}

func TestRestart_RecordsWithoutStateKeepTheirOnset(t *testing.T) {
	r := newRig(t, rigConfig(t, 1, ""))
	r.run(time.Minute, r.calm)
	r.step(r.good("p1", 31, 85))
	records := r.e.Records()
	e := New(r.cfg)
	if ts := e.Restore(nil, records, r.instant()); len(ts) != 0 {
		t.Errorf("a restart told %d times of what was told", len(ts))
	}
	rec, ok := e.Record(Key{Alarm: LethalLimit, Subject: "e1"})
	if !ok || rec.Life.State != alarm.Unack || rec.Life.Seq != 1 || rec.Life.Since.Mono != r.now {
		t.Errorf("%+v", rec.Life)
	}
	r.now += poll
	if ts := e.Step(r.good("p1", 31, 85)); len(ts) != 0 {
		t.Errorf("raised twice: %+v", ts)
	}
}

// A card that lost its newest minutes makes running time go back.
func TestRestart_LostMinutesDoNotDeafen(t *testing.T) {
	r := newRig(t, rigConfig(t, 1, ""))
	r.run(time.Hour, r.calm)
	for _, lost := range []time.Duration{3 * time.Minute, 30 * time.Minute} {
		e := New(r.cfg)
		back := instant(r.now - lost)
		e.Restore(r.e.State(), r.e.Records(), back)
		x := r.good("p1", 31, 85)
		x.At = back
		if ts := e.Step(x); len(ts) != 1 || ts[0].Key.Alarm != LethalLimit {
			t.Errorf("%v lost: %+v", lost, ts)
		}
	}
}

func TestRestart_UnknownShelfMeansUnshelved(t *testing.T) {
	r := newRig(t, rigConfig(t, 1, ""))
	r.run(time.Minute, r.calm)
	rec := room.Record{Key: Key{Alarm: LethalLimit, Subject: "e1"}, Life: alarm.Record{State: alarm.Shelved, Seq: 4, Active: true}, Priority: Wake}
	e := New(r.cfg)
	ts := e.Restore(nil, []room.Record{rec}, r.instant())
	if len(ts) != 1 || ts[0].From != alarm.Shelved || ts[0].To != alarm.Unack || ts[0].Seq != 4 {
		t.Errorf("%+v", ts)
	}
}

func TestStep_DuplicatesAndOldReadingsChangeNothing(t *testing.T) {
	clean := newRig(t, rigConfig(t, 1, ""))
	messy := newRig(t, rigConfig(t, 1, ""))
	var before *sensors.Reading
	for _, r := range []*rig{clean, messy} {
		r.now = 12 * time.Hour
		before = nil
		r.run(time.Hour, func(id string, at time.Duration) *sensors.Reading {
			x := r.eventful(id, at)
			if r == messy && id == "p1" && before != nil {
				r.step(*before)
				r.step(*x)
				r.step(*before)
			}
			if id == "p1" {
				before = x
			}
			return x
		})
	}
	if diff := cmp.Diff(clean.log, messy.log); diff != "" {
		t.Errorf("duplicates changed the transitions:\n%s", diff)
	}
}

// history is a random life of a small room.
func history(t *rapid.T, r *rig, steps int) {
	temp, hum := 24.0, 85.0
	for range steps {
		r.now += time.Duration(rapid.IntRange(1, 12).Draw(t, "wait")) * poll
		switch rapid.IntRange(0, 9).Draw(t, "what") {
		case 0:
			temp = rapid.Float64Range(10, 40).Draw(t, "temp")
		case 1:
			hum = rapid.Float64Range(0, 100).Draw(t, "hum")
		case 2:
			r.step(r.bad("p1", sensors.Reason(rapid.IntRange(1, 17).Draw(t, "reason"))))
		case 3:
			r.step(r.suspect("p1", temp, sensors.Reason(rapid.IntRange(1, 17).Draw(t, "reason"))))
		case 4:
			for _, v := range r.e.Open() {
				_ = r.act(Action{Kind: Acknowledge, Key: v.Key, By: "x"})
			}
		case 5:
			kinds := []ActionKind{Reset, Shelve, Unshelve, TakeOut, ReturnToService}
			_ = r.act(Action{Kind: rapid.SampledFrom(kinds).Draw(t, "kind"), Key: Key{Subject: "e1"}, By: "x",
				For: time.Duration(rapid.IntRange(0, 20).Draw(t, "for")) * time.Minute})
		case 6:
			r.skew = time.Duration(rapid.IntRange(-400, 400).Draw(t, "skew")) * time.Hour
			r.synced = rapid.Bool().Draw(t, "synced")
		case 7:
			r.reborn()
		}
		r.step(r.good("p1", temp, hum))
		if rapid.Bool().Draw(t, "room") {
			r.step(r.good("room", 22, 50))
		}
		r.tick()
	}
}

// Whatever happens: transitions chain, an onset is raised before it ends, an
// active heat alarm is never NORM, and nothing clears without a good reading.
func TestEngine_Properties(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		r := newRig(t, rigConfig(t, 1, "", 1))
		history(rt, r, rapid.IntRange(1, 60).Draw(rt, "steps"))
		raised := map[Key]uint64{}
		for _, x := range r.log {
			if x.From == alarm.Norm && x.To != alarm.Norm {
				if x.Seq != raised[x.Key]+1 {
					rt.Fatalf("%v: onset %d after %d", x.Key, x.Seq, raised[x.Key])
				}
				raised[x.Key] = x.Seq
			}
			if x.Seq != raised[x.Key] {
				rt.Fatalf("%v: %v>%v of onset %d, the open one is %d", x.Key, x.From, x.To, x.Seq, raised[x.Key])
			}
		}
		for _, rec := range r.e.Records() {
			if rec.Life.Active && rec.Life.State == alarm.Norm {
				rt.Fatalf("%v is active and NORM", rec.Key)
			}
		}
	})
}

// Without a reading that shows it, an alarm neither rises nor clears.
func TestEngine_NothingCrossesNothingRises(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		r := newRig(t, rigConfig(t, 2, ""))
		r.now = 13 * time.Hour
		r.run(rapid.SampledFrom([]time.Duration{time.Minute, 10 * time.Minute}).Draw(rt, "calm"), r.calm)
		for range rapid.IntRange(1, 80).Draw(rt, "steps") {
			r.now += poll
			temp := rapid.Float64Range(22, 26).Draw(rt, "temp")
			x := r.good("p1", temp, rapid.Float64Range(70.01, 100).Draw(rt, "hum"))
			if rapid.IntRange(0, 3).Draw(rt, "lost") == 0 {
				x = r.bad("p1", sensors.TimedOut)
			}
			r.step(x)
			r.step(*r.calm("p2", r.now)) // without a step that looks like an exchange
			r.step(r.good("room", 22, 50))
			r.tick()
		}
		for _, x := range r.log {
			if x.Key.Alarm != ProbeSilent && x.Key.Alarm != DoorAjar {
				rt.Fatalf("%v>%v %v: %s", x.From, x.To, x.Key, x.Text)
			}
		}
	})
}

func FuzzStep(f *testing.F) {
	f.Add(int64(10), int32(3100), int32(8500), uint8(2), uint8(0), uint8(7), false)
	f.Add(int64(-5), int32(-27315), int32(0), uint8(1), uint8(8), uint8(3), true)
	f.Add(int64(1<<40), int32(1<<30), int32(-1<<30), uint8(9), uint8(99), uint8(255), true)
	cfg := rigConfig(f, 2, "", 1)
	f.Fuzz(func(t *testing.T, wait int64, temp, hum int32, quality, reason, has uint8, tick bool) {
		r := newRig(t, cfg)
		r.run(time.Minute, r.calm)
		r.now += time.Duration(wait)
		r.states = map[Key]alarm.State{}
		for _, v := range r.e.Open() {
			r.states[v.Key] = v.State
		}
		x := r.good("p1", 0, 0)
		x.Temperature, x.Humidity = sensors.CentiCelsius(temp), sensors.CentiPercent(hum)
		x.Quality, x.Reason, x.Has = sensors.Quality(quality), sensors.Reason(reason), sensors.Quantities(has)
		r.step(x)
		if tick {
			r.tick()
		}
		if _, err := json.Marshal(r.e.State()); err != nil {
			t.Fatal(err)
		}
		if _, err := json.Marshal(r.e.Enclosures()); err != nil {
			t.Fatal(err)
		}
	})
}
