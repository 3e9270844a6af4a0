package rules

import (
	"bytes"
	"encoding/json"
	"errors"
	"math"
	"reflect"
	"slices"
	"testing"
	"time"

	"dewline/configs"
	"dewline/configs/draws"
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

// play runs the eventful time with a keeper who answers, restarting as the rig does
// or never, and does something before each reading.
func play(t *testing.T, restart bool, before func(*rig)) []Transition {
	r := newRig(t, rigConfig(t, 2, "", 1))
	r.now, r.restart = 12*time.Hour, restart
	for i := range 18 {
		r.run(5*time.Minute, func(id string, at time.Duration) *sensors.Reading {
			before(r)
			return r.eventful(id, at)
		})
		if i%4 == 3 {
			for _, v := range r.e.Open() {
				_ = r.act(Action{Kind: Acknowledge, Key: v.Key, Seq: v.Seq, By: "robin"})
			}
		}
		if i == 9 {
			_ = r.act(Action{Kind: Shelve, Key: alarm.Key{Alarm: alarm.HumidityFloor, Subject: "e2"}, For: 20 * time.Minute, By: "robin"})
		}
		if i == 12 {
			_ = r.act(Action{Kind: TakeOut, Key: alarm.Key{Subject: "e2"}, For: 15 * time.Minute, By: "robin"})
		}
	}
	return r.log
}

// A restart at any step changes nothing: same transitions, same onsets, same
// words. (Reliability checker: no acknowledged loss after a restart.)
func TestRestart_AtAnyCallChangesNothing(t *testing.T) {
	nothing := func(*rig) {}
	plain, reborn := play(t, false, nothing), play(t, true, nothing)
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

// Nor does a reload at any moment, of the same configuration or of one in which a third
// enclosure comes and goes.
func TestReload_AtAnyCallChangesNothing(t *testing.T) {
	plain := play(t, false, func(*rig) {})
	for each, most := range map[int]int{7: 2, 53: 3} {
		rooms := []*configs.Config{rigConfig(t, 2, "", 1), rigConfig(t, most, "", 1)}
		n := 0
		got := play(t, false, func(r *rig) {
			if n++; n%each == 0 {
				r.take(r.e.Reconfigure(rooms[n/each%2], r.e.v.Latest))
			}
		})
		got = slices.DeleteFunc(got, func(x Transition) bool { return x.Key.Subject == "e3" || x.Key.Subject == "p3" })
		if diff := cmp.Diff(plain, got); diff != "" {
			t.Errorf("reloaded before each %dth reading (-never +so):\n%s", each, diff)
		}
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
	rec, ok := e.Record(alarm.Key{Alarm: alarm.LethalLimit, Subject: "e1"})
	if !ok || rec.Life.State != alarm.Unack || rec.Life.Seq != 1 || rec.Life.Since.Mono != r.now {
		t.Errorf("%+v", rec.Life)
	}
	r.now += poll
	x := r.good("p1", 31, 85)
	if ts := e.Step(&x); len(ts) != 0 {
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
		if ts := e.Step(&x); len(ts) != 1 || ts[0].Key.Alarm != alarm.LethalLimit {
			t.Errorf("%v lost: %+v", lost, ts)
		}
	}
}

func TestRestart_UnknownShelfMeansUnshelved(t *testing.T) {
	r := newRig(t, rigConfig(t, 1, ""))
	r.run(time.Minute, r.calm)
	rec := room.Record{Key: alarm.Key{Alarm: alarm.LethalLimit, Subject: "e1"}, Life: alarm.Record{State: alarm.Shelved, Seq: 4, Active: true}, Priority: alarm.Wake}
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
			_ = r.act(Action{Kind: rapid.SampledFrom(kinds).Draw(t, "kind"), Key: alarm.Key{Subject: "e1"}, By: "x",
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
	draws.Check(t, func(rt *rapid.T) {
		r := newRig(t, rigConfig(t, 1, "", 1))
		history(rt, r, rapid.IntRange(1, 60).Draw(rt, "steps"))
		raised := map[alarm.Key]uint64{}
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

// Without a reading that shows it, an alarm neither rises nor clears. The random probe does
// leap, may stay where it leapt to, as one does that was exchanged, and loses many readings.
func TestEngine_NothingCrossesNothingRises(t *testing.T) {
	draws.Check(t, func(rt *rapid.T) {
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
			if k := x.Key.Alarm; k != alarm.ProbeSilent && k != alarm.ProbeLossy && k != alarm.DoorAjar && k != alarm.ProbeJump {
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
		r.states = map[alarm.Key]alarm.State{}
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

// Two runs that did not know of each other join: what was open before goes on, with the
// answer that it had; what rose since is another onset.
func TestMerge_JoinsTwoLives(t *testing.T) {
	const began, slack = time.Hour, 20 * time.Second
	m := merger{leap: 100, began: began, slack: slack}
	at := func(d time.Duration) sensors.Instant { return instant(d) }
	life := func(s alarm.State, seq uint64, active bool, since time.Duration) alarm.Record {
		return alarm.Record{State: s, Seq: seq, Active: active, Since: at(since)}
	}
	ended := life(alarm.Unack, 9, true, began)
	ended.EndedAt = began - 1
	shelf, out := &alarm.Shelf{Until: 2 * began}, &alarm.Out{Mono: 3 * began}
	shelved := life(alarm.Shelved, 5, true, 0)
	shelved.Shelf = shelf
	taken := life(alarm.OutOfService, 5, true, 0)
	taken.Out = out
	mineOut := life(alarm.OutOfService, 9, true, began)
	mineOut.Out = &alarm.Out{Mono: 4 * began}
	for _, c := range []struct {
		name      string
		old, mine alarm.Record
		was, is   alarm.Priority
		state     alarm.State
		since     time.Duration
		n         Renumbering
	}{
		{"nothing rose since", life(alarm.Acked, 5, true, 1), alarm.Record{}, alarm.Wake, alarm.Today, alarm.Acked, 1, Renumbering{}},
		{"nothing at all", life(alarm.Norm, 5, false, 1), alarm.Record{}, alarm.Wake, alarm.Today, alarm.Norm, 0, Renumbering{}},
		{"it is new", life(alarm.Norm, 5, false, 1), life(alarm.Unack, 9, true, 2), alarm.Wake, alarm.Today, alarm.Unack, 2, Renumbering{Mine: 9, Now: 9}},
		{"new under an old number", life(alarm.Norm, 9, false, 1), life(alarm.Unack, 9, true, 2), alarm.Wake, alarm.Today, alarm.Unack, 2, Renumbering{Mine: 9, Now: 110}},
		{"rose and ended since", life(alarm.Unack, 5, true, 1), life(alarm.Norm, 9, false, 2), alarm.Wake, alarm.Today, alarm.Unack, 1, Renumbering{Old: 5, Now: 10}},
		{"it goes on, answered", life(alarm.Acked, 5, true, 1), life(alarm.Unack, 9, true, began+slack), alarm.Today, alarm.Today, alarm.Acked, 1, Renumbering{Old: 5, Mine: 9, Now: 9}},
		{"it is worse than what was answered", life(alarm.Acked, 5, true, 1), life(alarm.Unack, 9, true, began), alarm.Today, alarm.Wake, alarm.Unack, 1, Renumbering{Old: 5, Mine: 9, Now: 9}},
		{"it goes on, unanswered", life(alarm.Unack, 15, true, 1), life(alarm.Unack, 9, true, began), alarm.Today, alarm.Today, alarm.Unack, 1, Renumbering{Old: 15, Mine: 9, Now: 15}},
		{"it rose later", life(alarm.Acked, 5, true, 1), life(alarm.Unack, 9, true, began+slack+1), alarm.Today, alarm.Today, alarm.Unack, began + slack + 1, Renumbering{Old: 5, Mine: 9, Now: 9}},
		{"it was over once", life(alarm.Acked, 5, true, 1), ended, alarm.Today, alarm.Today, alarm.Unack, began, Renumbering{Old: 5, Mine: 9, Now: 9}},
		{"it was back", life(alarm.LatchUnack, 5, false, 1), life(alarm.Unack, 9, true, began), alarm.Today, alarm.Today, alarm.Unack, began, Renumbering{Old: 5, Mine: 9, Now: 9}},
		{"shelved", shelved, life(alarm.Unack, 9, true, began), alarm.Today, alarm.Today, alarm.Shelved, 0, Renumbering{Old: 5, Mine: 9, Now: 9}},
		{"out of service", taken, life(alarm.Unack, 9, true, began), alarm.Today, alarm.Today, alarm.OutOfService, 0, Renumbering{Old: 5, Mine: 9, Now: 9}},
		{"shelved, and put away since", shelved, mineOut, alarm.Today, alarm.Today, alarm.OutOfService, 0, Renumbering{Old: 5, Mine: 9, Now: 9}},
	} {
		old, mine := room.Record{Life: c.old, Priority: c.was, AckedBy: "robin"}, room.Record{Life: c.mine, Priority: c.is}
		got, n := m.join(old, mine)
		if got.Life.State != c.state || c.since > 0 && got.Life.Since.Mono != c.since || n != c.n {
			t.Errorf("%s: %v since %v, %+v", c.name, got.Life.State, got.Life.Since.Mono, n)
		}
		if n.Now != 0 && got.Life.Seq != n.Now {
			t.Errorf("%s: onset %d, told %d", c.name, got.Life.Seq, n.Now)
		}
		if acked := got.AckedBy == "robin"; acked != (c.state == alarm.Acked) && got.Life.Seq == n.Now && n.Mine != 0 && n.Old != 0 {
			t.Errorf("%s: answered by %q", c.name, got.AckedBy)
		}
		if (got.Life.Shelf != nil) != (c.state == alarm.Shelved) || (got.Life.Out != nil) != (c.state == alarm.OutOfService) {
			t.Errorf("%s: %+v", c.name, got.Life)
		}
	}
	// Nothing of an alarm that never rose is lost: its number and its last end.
	a, b := life(alarm.Norm, 5, false, 1), alarm.Record{OnFor: 3}
	a.EndedAt = 7
	if got, _ := m.join(room.Record{Life: a}, room.Record{Life: b}); got.Life.Seq != 5 || got.Life.EndedAt != 7 || got.Life.OnFor != 3 {
		t.Errorf("%+v", got.Life)
	}
	// What was counted adds up, the later run's first.
	x := room.Stats{Raised: 4, Acked: 2, AckTotal: 10, AckMax: 8, Chattered: 1, Quick: 2, Raises: [3]time.Duration{5, 4, 3}, UnackAt: 5, Far: 1,
		Returns: []room.Return{{After: 2}, {After: 1}}}
	y := room.Stats{Raised: 2, Acked: 1, AckTotal: 5, AckMax: 5, Chattered: 2, Quick: 1, Raises: [3]time.Duration{9, 8}, UnackAt: 9, Far: 2,
		Returns: []room.Return{{After: 3}}}
	want := room.Stats{Raised: 6, Acked: 3, AckTotal: 15, AckMax: 8, Chattered: 3, Quick: 3, Raises: [3]time.Duration{9, 8, 5}, UnackAt: 9, Far: 2,
		Returns: []room.Return{{After: 3}, {After: 2}, {After: 1}}}
	if got := joinStats(&room.Record{Stats: &x}, &room.Record{Stats: &y}); !reflect.DeepEqual(*got, want) {
		t.Errorf("%+v", got)
	}
	if got := joinStats(&room.Record{Stats: &x}, &room.Record{}); got.UnackAt != 5 || got.Far != 1 || got.Raises != x.Raises {
		t.Errorf("nothing since: %+v", got)
	}
	// Times of a run that are set move, and only they.
	r := room.Record{Life: alarm.Record{Since: at(1), SeenAt: 2, AckedAt: 3, EndedAt: 4, Shelf: &alarm.Shelf{Until: 5}, Out: &alarm.Out{Mono: 6}},
		Severe: &alarm.Record{SeenAt: 7}, Stats: &room.Stats{Raises: [3]time.Duration{8}, UnackAt: 9}}
	shift(&r, 100)
	l := r.Life
	if l.Since.Mono != 101 || l.SeenAt != 102 || l.AckedAt != 103 || l.EndedAt != 104 || l.Shelf.Until != 105 || l.Out.Mono != 106 ||
		r.Severe.SeenAt != 107 || r.Severe.AckedAt != 0 || r.Stats.Raises != [3]time.Duration{108} || r.Stats.UnackAt != 109 {
		t.Errorf("%+v, %+v", r, l)
	}
}

// A loss of ten minutes of running time leaves what was learned, one of more does not.
func TestRestart_AtItsLimits(t *testing.T) {
	for lost, want := range map[time.Duration]bool{mostLost: true, mostLost + 1: false} {
		r := newRig(t, rigConfig(t, 1, ""))
		r.run(time.Hour, r.calm)
		e := New(r.cfg)
		e.Restore(r.e.State(), nil, instant(r.e.v.Latest.Mono-lost))
		if kept := e.v.Probes[1].St.Readings > 0; kept != want {
			t.Errorf("%v were lost: kept %v", lost, kept)
		}
		for i := range e.v.Probes { // the first reading may come at once
			if st := &e.v.Probes[i].St; want && (st.Last.Mono >= e.v.Latest.Mono || st.TempAt > e.v.Latest.Mono || st.Last.Mono == 0) {
				t.Errorf("probe %d is ahead: %v", i, st.Last.Mono)
			}
		}
	}
}

// largest keeps what is written, and how much of it came at once at most.
type largest struct {
	bytes.Buffer
	most int
}

func (l *largest) Write(b []byte) (int, error) {
	l.most = max(l.most, len(b))
	return l.Buffer.Write(b)
}

// A state is written an enclosure at a time, and read back as one that was written whole.
func TestState_IsWrittenInPieces(t *testing.T) {
	r := newRig(t, rigConfig(t, 12, noonMist))
	r.run(2*time.Hour, r.misted)
	for _, s := range []*State{r.e.State(), {Version: StateVersion}} {
		whole, err := json.Marshal(s)
		if err != nil {
			t.Fatal(err)
		}
		var pieces largest
		if err := s.Encode(&pieces); err != nil {
			t.Fatal(err)
		}
		var want, got State
		if err := errors.Join(json.Unmarshal(whole, &want), json.Unmarshal(pieces.Bytes(), &got)); err != nil {
			t.Fatalf("%v, of %s", err, pieces.Bytes())
		}
		if !reflect.DeepEqual(got, want) {
			t.Errorf("read back as %+v, want %+v", got, want)
		}
		if len(s.Enclosures) > 0 && pieces.most > len(whole)/6 {
			t.Errorf("%d bytes at once of %d", pieces.most, len(whole))
		}
	}
}
