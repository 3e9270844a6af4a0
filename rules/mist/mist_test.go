package mist

import (
	"testing"
	"time"

	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/rules/room"
	"dewline/rules/room/roomtest"
)

// One enclosure that does not dry is its own nozzle; several on a supply add up what
// would not do for each.
func TestEndless_SupplyOrNozzle(t *testing.T) {
	for _, c := range []struct {
		name   string
		sticks [4]float64
		want   alarm.Cause
	}{
		{"nothing", [4]float64{0.2, 0, 0, -1}, alarm.Cause{}},
		{"a hint of one", [4]float64{3, 0, 0, -1}, alarm.Cause{}},
		{"one", [4]float64{5, -0.3, -2, -8}, alarm.Cause{Kind: alarm.CauseEnclosure, ID: "e1"}},
		{"a damp evening", [4]float64{2, 1.6, 1.6, 1.6}, alarm.Cause{}},
		{"hints of all", [4]float64{2.4, 2.2, 2, 1.6}, alarm.Cause{Kind: alarm.CauseSupply, ID: "m"}},
		{"a hint of one, others dry", [4]float64{3, 3, -4, -4}, alarm.Cause{}},
	} {
		v := roomtest.View(t, 4, "")
		j, found := New(v), &roomtest.Found{}
		l := look{j, v, &room.Out{Lives: found}}
		for i, x := range c.sticks {
			w := &j.At[i].Watch
			w.Sticks, w.Follows, w.Begun, w.Last = x, true, v.At.Mono-time.Hour, v.At.Mono
		}
		l.judgeEndless(&v.Enclosures[0], v.At)
		f, ok := found.Last(alarm.KindMistEndless)
		if ok != (c.want.Kind != "") {
			t.Fatalf("%s: told %v", c.name, ok)
		}
		if !ok {
			continue
		}
		if got, _ := j.Cause(v, f.Alarm); got != c.want {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}

// A mist without an end that shows in one first is the supply's where half of the others are
// damper than they usually are at that hour.
func TestEndless_OthersAreDamper(t *testing.T) {
	for n, want := range map[int]alarm.CauseKind{0: alarm.CauseEnclosure, 1: alarm.CauseSupply} {
		v := roomtest.View(t, 4, "")
		j := New(v)
		j.At[0].Watch.Endless = true
		for i := range j.At {
			w := &j.At[i].Watch
			w.Level.Mean[12], w.Level.Days[12] = 85, 9
			roomtest.Says(v, 1+i, 24, 85)
			if i > 0 && i <= n {
				roomtest.Says(v, 1+i, 24, 92)
			}
		}
		if got, _ := j.Cause(v, &v.Enclosures[0].Alarms[alarm.KindMistEndless]); got.Kind != want {
			t.Errorf("%d others: %+v", n, got)
		}
	}
}

// One probe of two that a drop fell on is no mist without an end; where all are
// saturated it is the air, however fast they got there.
func TestEndless_IsNotADropOnOneOfTwo(t *testing.T) {
	v := roomtest.View(t, 1, "[[probe]]\nid = \"q1\"\nfamily = \"simulated\"\nplace = \"canopy\"\nenclosure = \"e1\"\n")
	l, en := look{Judge: New(v), v: v}, &v.Enclosures[0]
	wet := room.Wet{Since: v.At.Mono}
	for _, c := range []struct {
		name string
		p, q room.Wet
		want bool
	}{
		{"both dry", room.Wet{}, room.Wet{}, false},
		{"a drop on one", wet, room.Wet{}, true},
		{"one wet slowly", room.Wet{}, room.Wet{Since: v.At.Mono, Slow: true}, false},
		{"both at once", wet, wet, false},
	} {
		v.Probes[1].St.Wet, v.Probes[2].St.Wet = c.p, c.q
		if got := l.dropOn(en); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}

// A missed mist is told for the supply where nothing came to any enclosure on
// it, and for one enclosure where only that one got none.
func TestStep_MissedMist(t *testing.T) {
	for _, c := range []struct {
		name string
		seen int // enclosures that got it
		want alarm.Cause
	}{
		{"none", 0, alarm.Cause{Kind: alarm.CauseSupply, ID: "m"}},
		{"all but one", 3, alarm.Cause{Kind: alarm.CauseEnclosure, ID: "e4"}},
	} {
		v := roomtest.View(t, 4, "")
		j, found := New(v), &roomtest.Found{}
		for i := range j.At {
			j.At[i] = State{HasDue: true, DueAt: v.At.Mono - time.Hour, Verdict: climate.MistMissed}
			j.At[i].Watch.Miss.Evidence = climate.MistMissedTold
			if i < c.seen {
				j.At[i].Verdict = climate.MistSeen
			}
		}
		v.Due = room.Schedule
		j.Step(v, &room.Out{Lives: found})
		f, ok := found.Last(alarm.KindMistMissing)
		if !ok || f.In != alarm.Beyond || f.Alarm.Rec.Cause != c.want {
			t.Errorf("%s: %+v", c.name, f)
		}
		if v.Enclosures[3].St.Missed != 1 || j.At[3].HasDue {
			t.Errorf("%s: missed %d, %+v", c.name, v.Enclosures[3].St.Missed, j.At[3])
		}
	}
}

// Each bound of a mist without an end, of one that was missed, and of who is asked.
func TestMist_AtItsLimits(t *testing.T) {
	const hour = time.Hour
	for _, c := range []struct {
		name   string
		sticks []float64
		wet    time.Duration // beyond what a mist takes at most
		want   bool
	}{
		{"enough of itself", []float64{4, -9}, 1, true}, {"less", []float64{3.9, 0}, 1, false}, {"with others", []float64{1.7, 4}, 1, true}, {"with less", []float64{1.6, 4}, 1, false},
		{"hardly itself", []float64{1.4, 9}, 1, false}, {"one against it", []float64{3.9, -1}, 1, false}, {"one more for it", []float64{3.9, 1.8}, 1, true},
		{"as long as a mist may take", []float64{9, 0}, 0, false},
	} {
		v := roomtest.View(t, len(c.sticks), "")
		j := New(v)
		for i, x := range c.sticks {
			w := &j.At[i].Watch
			w.Sticks, w.Follows, w.Last, w.Begun = x, true, v.At.Mono, v.At.Mono-v.Mists[0].Cfg.Longest.D()-c.wet
		}
		if got := (look{j, v, nil}).sticks(&v.Enclosures[0]); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
		// Where nobody knows of the room, a damp day may be all that the others show.
		v.InRoom = nil
		if got := (look{j, v, nil}).sticks(&v.Enclosures[0]); got != (c.want && c.sticks[0] >= told) {
			t.Errorf("%s, without the room: %v", c.name, got)
		}
	}
	for _, c := range []struct {
		name   string
		sticks []float64
		want   alarm.CauseKind
	}{
		{"two of four", []float64{5, 0.3, 0, 0}, alarm.CauseSupply}, {"one of four", []float64{5, 0.2, 0, 0}, alarm.CauseEnclosure}, {"two of five", []float64{5, 0.3, 0, 0, 0}, alarm.CauseEnclosure},
	} {
		v := roomtest.View(t, len(c.sticks), "")
		j := New(v)
		for i, x := range c.sticks {
			j.At[i].Watch.Sticks = x
		}
		if got, _ := (look{j, v, nil}).endlessCause(&v.Enclosures[0]); got.Kind != c.want {
			t.Errorf("%s: %v", c.name, got.Kind)
		}
	}
	// A mist is said to be missed where no door was open since a quarter of an hour before
	// it, and where its probe moved since.
	for _, c := range []struct {
		name        string
		door, still time.Duration // before the mist was due
		want        climate.MistVerdict
	}{
		{"a door before", patience + 1, -1, climate.MistMissed}, {"a door since", patience, -1, climate.MistUnclear},
		{"it stands since", hour, 1, climate.MistUnclear}, {"it moved just then", hour, 0, climate.MistMissed},
	} {
		v := roomtest.View(t, 1, "")
		en, j := &v.Enclosures[0], New(v)
		due := v.At.Mono - 20*time.Minute
		j.At[0] = State{Verdict: climate.MistMissed, DueAt: due, HasDue: true}
		en.St.DoorAt, v.Probes[en.Now.HumProbe].St.StillAt = due-c.door, due-c.still
		if got := (look{j, v, nil}).softened(en); got != c.want {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
		// Where none was ever open, none was before the first quarter of an hour either.
		j.At[0].DueAt, en.St.DoorAt, v.Probes[en.Now.HumProbe].St.StillAt = patience, 0, patience
		if got := (look{j, v, nil}).softened(en); got != climate.MistMissed {
			t.Errorf("%s, and no door was ever open: %v", c.name, got)
		}
	}
	// One of several is waited for, a quarter of an hour.
	for ago, want := range map[time.Duration]bool{15 * time.Minute: true, 15*time.Minute - 1: false} {
		v := roomtest.View(t, 2, "")
		j, found := New(v), &roomtest.Found{}
		for i := range j.At {
			j.At[i] = State{HasDue: true, DueAt: v.At.Mono - ago}
		}
		j.At[0].Verdict = climate.MistSeen
		if (look{j, v, &room.Out{Lives: found}}).judgeSupply(0, v.At); len(found.Told) > 0 != want {
			t.Errorf("%v after it was due: told %v", ago, !want)
		}
	}
	// A weak mist is told from the second on, where the evidence is enough.
	for _, c := range []struct {
		before int
		weak   float64
		want   bool
	}{{1, climate.MistWeakTold, true}, {0, 9, false}, {1, climate.MistWeakTold - 0.1, false}} {
		v := roomtest.View(t, 1, "")
		j, found := New(v), &roomtest.Found{}
		j.At[0] = State{Verdict: climate.MistWeak, Weak: c.before, HasDue: true, Watch: climate.MistWatch{Weak: c.weak}}
		look{j, v, &room.Out{Lives: found}}.settleMist(&v.Enclosures[0], v.At, climate.MistOK)
		if _, ok := found.Last(alarm.KindMistWeak); ok != c.want || j.At[0].Weak != c.before+1 {
			t.Errorf("%+v: told %v", c, ok)
		}
	}
	// Dusk is three hours before the lamps go off; they are on for twelve.
	for edge, want := range map[time.Duration]climate.MistTime{9 * hour: climate.MistLit, 9*hour + 1: climate.MistDusk} {
		v := roomtest.View(t, 1, "")
		v.Lamps[0].Known, v.Lamps[0].On, v.Lamps[0].Edge = true, true, edge
		if got := (look{New(v), v, nil}).timeOf(&v.Enclosures[0], v.At); got != want {
			t.Errorf("lamps on for %v: %v", edge, got)
		}
		v.Lamps[0].Cfg.On = configs.ClockSpan{From: 20 * 60, To: 8 * 60}
		if got := (look{New(v), v, nil}).timeOf(&v.Enclosures[0], v.At); got != want {
			t.Errorf("across midnight, for %v: %v", edge, got)
		}
	}
	// What was due is forgotten where nobody looked until a quarter of an hour after it.
	for _, c := range []struct {
		ago  time.Duration // due before the absence
		want bool
	}{{patience, true}, {patience - 1, false}} {
		v := roomtest.View(t, 1, "")
		j := New(v)
		v.Absence = room.Absence{Known: true, Lost: hour, Off: hour}
		j.At[0] = State{HasDue: true, DueAt: v.At.Mono - 2*hour - c.ago}
		v.Due = room.Blind
		if j.Step(v, &room.Out{}); j.At[0].HasDue != c.want {
			t.Errorf("due %v before: kept %v", c.ago, j.At[0].HasDue)
		}
	}
	// A mist falls due at its time, also where the look comes a bit late, and not before the
	// air was known for five minutes; a step of the clock begins anew.
	for _, c := range []struct {
		name       string
		late, step time.Duration
		watched    time.Duration
		want       bool
	}{
		{"at its time", 0, 0, hour, true}, {"late", 30 * time.Second, 0, hour, true}, {"a moment before", -1, 0, hour, false},
		{"watched for five minutes", 0, 0, settleFor, true}, {"for less", 0, 0, settleFor - 1, false}, {"the clock stepped", 0, 90*time.Second + 1, hour, false}, {"it drifted", 0, 90 * time.Second, hour, true},
	} {
		v := roomtest.View(t, 1, "")
		j := New(v)
		l := look{j, v, nil}
		noon := v.At
		before := noon.Add(-10 * time.Minute)
		v.Watched = noon.Mono - c.watched
		l.dueMists(before)
		l.dueMists(before.Add(time.Minute))
		v.Mists[0].St.Seen.Wall = v.Mists[0].St.Seen.Wall.Add(-c.step)
		now := noon.Add(c.late)
		if l.dueMists(now); j.At[0].HasDue != c.want || c.want && j.At[0].DueAt != noon.Mono {
			t.Errorf("%s: due %v at %v", c.name, j.At[0].HasDue, j.At[0].DueAt-noon.Mono)
		}
	}
}

// A dry-down that takes twice as long as usual, or half, is told from the fourth such pulse in
// a row on, and until one is as usual.
func TestDry_FourInARow(t *testing.T) {
	for _, c := range []struct {
		last time.Duration // half-life of the last five, where the usual is an hour
		odd  int
		want bool
	}{{2 * time.Hour, 4, true}, {30 * time.Minute, 4, true}, {2 * time.Hour, 3, false}, {time.Hour, 0, false}} {
		v := roomtest.View(t, 1, "")
		en, j, found := &v.Enclosures[0], New(v), &roomtest.Found{}
		l := look{j, v, &room.Out{Lives: found}}
		for n := range 20 {
			half := time.Hour
			if n > 14 && n <= 15+c.odd { // the middle one of three is odd from the second on
				half = c.last
			}
			if n > 15+c.odd {
				break
			}
			en.St.Dry.Add(time.Duration(n)*24*time.Hour, half)
			l.judgeDry(en, v.At)
		}
		f, ok := found.Last(alarm.KindDryDown)
		if told := ok && f.In == alarm.Beyond; told != c.want || j.At[0].DryOdd != c.odd {
			t.Errorf("%d of %v: told %v, %d in a row", c.odd, c.last, told, j.At[0].DryOdd)
		}
		if !ok {
			continue
		}
		if r := f.Alarm.Rec; r.Value != c.last.Minutes() || r.Limit != 60 {
			t.Errorf("%d of %v: %v min against %v", c.odd, c.last, r.Value, r.Limit)
		}
		f.Alarm.Rec.Life.State, f.Alarm.Rec.Life.Active = alarm.Unack, true
		for n := range 2 {
			en.St.Dry.Add(time.Duration(20+n)*24*time.Hour, time.Hour)
			l.judgeDry(en, v.At)
		}
		if f, _ = found.Last(alarm.KindDryDown); f.In != alarm.Back || j.At[0].DryOdd != 0 {
			t.Errorf("as usual after %v: %v, %d in a row", c.last, f.In, j.At[0].DryOdd)
		}
	}
}

// An enclosure that is cool after its mist while those that got the same are as usual is
// misted still, though each evening is too damp to dry; where they cool too it is not.
func TestEndless_CoolAlone(t *testing.T) {
	for _, c := range []struct {
		name string
		cool [4]float64
		late time.Duration // by which the last two began
		want bool
	}{
		{"alone", [4]float64{6, -2, -1, -2}, 0, true},
		{"with another", [4]float64{6, -2, 2, -2}, 0, false},
		{"a little", [4]float64{3.4, -2, -1, -2}, 0, false},
		{"two are misted a bit later", [4]float64{6, -2, -1, -2}, patience, true},
		{"two got another mist", [4]float64{6, -2, -1, -2}, patience + 1, false},
	} {
		v := roomtest.View(t, 4, "")
		j, found := New(v), &roomtest.Found{}
		l := look{j, v, &room.Out{Lives: found}}
		for i, x := range c.cool {
			w := &j.At[i].Watch
			w.Cool, w.Sticks, w.Planned, w.Follows, w.Begun, w.Last = x, -2, true, true, v.At.Mono-time.Hour, v.At.Mono
			if w.Since = w.Begun; i >= 2 {
				w.Since += c.late
			}
		}
		j.At[0].Watch.Sticks = 2.8
		l.judgeEndless(&v.Enclosures[0], v.At)
		if f, ok := found.Last(alarm.KindMistEndless); (ok && f.In == alarm.Beyond) != c.want {
			t.Errorf("%s: told %v, want %v", c.name, ok, c.want)
		}
	}
}

// A mist that goes on cools as if the lamps were off: those under the same lamps tell
// one from the other, the shelf first.
func TestEndless_LampsOrMist(t *testing.T) {
	for _, c := range []struct {
		name  string
		shelf [4]int
		off   [4]float64
		want  bool
	}{
		{"only one of a shelf", [4]int{1, 1, 1, 1}, [4]float64{3, -2, -2, -2}, false},
		{"all of a shelf", [4]int{1, 1, 2, 2}, [4]float64{3, 2, -2, -2}, true},
		{"one, and nobody beside", [4]int{1, 2, 3, 4}, [4]float64{3, -2, -2, -2}, false},
		{"all, and nobody beside", [4]int{1, 2, 3, 4}, [4]float64{3, 2, 3, 0.1}, true},
		{"none", [4]int{1, 1, 1, 1}, [4]float64{1, 3, 3, 3}, false},
	} {
		v := roomtest.View(t, 4, "")
		for i := range v.Enclosures {
			v.Enclosures[i].Shelf, v.Enclosures[i].St.Lamps.Sign.Missing = c.shelf[i], c.off[i]
		}
		if got := (look{v: v}).dark(&v.Enclosures[0]); got != c.want {
			t.Errorf("%s: dark %v", c.name, got)
		}
	}
}

// A nozzle that clogs over weeks is for the week, and for today where the humidity
// suffers; a season that makes all mists fill less is none.
func TestWeak_FadesOverWeeks(t *testing.T) {
	const weeks = 10
	for _, c := range []struct {
		name  string
		lose  [4]float64 // of the usual dose, each week
		dry   bool
		told  bool
		today bool
	}{
		{"one nozzle", [4]float64{0.05, 0, 0, 0}, false, true, false},
		{"one nozzle, and it is dry", [4]float64{0.05, 0, 0, 0}, true, true, true},
		{"the season", [4]float64{0.05, 0.05, 0.05, 0.05}, false, false, false},
		{"nothing", [4]float64{}, true, false, false},
	} {
		v := roomtest.View(t, 4, "")
		j, found := New(v), &roomtest.Found{}
		l := look{j, v, &room.Out{Lives: found}}
		var at time.Duration
		for m := range weeks * 7 * 24 * 60 {
			at = time.Duration(m+1) * time.Minute
			for i := range j.At {
				w, d := &j.At[i].Watch, &v.Enclosures[i].St.Mist
				rh := 80.0
				if m%1440 >= 480 && m%1440 < 500 {
					rh += 12*(1-c.lose[i]*at.Hours()/168) + 0.1*float64(m%3)
				}
				if m%1440 == 480 {
					w.Expect(at, climate.MistLit)
				}
				d.Observe(at, 24, rh)
				if x, _ := w.Verdict(at, d); x != climate.MistPending {
					w.Settle(x, false)
				}
			}
		}
		v.Enclosures[0].Alarms[alarm.KindFloor].Rec.Life.Active = c.dry
		l.settleWeak(&v.Enclosures[0], climate.MistSeen, alarm.Cause{})
		f, ok := found.Last(alarm.KindMistWeak)
		if told := ok && f.In == alarm.Beyond; told != c.told || (len(found.Raised) > 0) != c.today {
			t.Errorf("%s: told %v, today %v", c.name, told, found.Raised)
		}
		if !c.told || !ok {
			continue
		}
		if x := j.Fact(v, f.Alarm); x.ID != alarm.FactMistFades || x.Percent >= x.Usual*0.8 || x.Usual > 100 {
			t.Errorf("%s: it says %+v", c.name, x)
		}
	}
}

// One missed mist is told as such, more with how many.
func TestFact_HowManyWereMissed(t *testing.T) {
	for missed, want := range map[float64]alarm.FactID{1: alarm.FactID(alarm.MistMissing), 2: alarm.FactMissedAgain} {
		v := roomtest.View(t, 1, "")
		a := &v.Enclosures[0].Alarms[alarm.KindMistMissing]
		a.Rec.Value = missed
		if f := New(v).Fact(v, a); f.ID != want || f.Count != int(missed) {
			t.Errorf("%v missed: %+v", missed, f)
		}
	}
}
