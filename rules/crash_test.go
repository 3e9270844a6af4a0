package rules

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/rules/room"
	"dewline/sensors"
	simroom "dewline/sensors/sim"
)

// A ledger is what survives a crash: alarm records at once with every
// transition, running delays with every batch, and the estimators' state every
// ten minutes, or with every batch while an alarm that wakes is active.
type ledger struct {
	records map[alarm.Key][]byte
	state   []byte
	stateAt time.Duration
}

func (l *ledger) put(t testing.TB, r room.Record) {
	b, err := json.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	l.records[r.Key] = b
}

func (l *ledger) note(t testing.TB, e *Engine, ts []Transition) {
	for _, x := range append([]Transition(nil), ts...) {
		if r, ok := e.Record(x.Key); ok {
			l.put(t, r)
		}
	}
}

// batch keeps what a batch does; age is how old the state may become.
func (l *ledger) batch(t testing.TB, e *Engine, now, age time.Duration) {
	hot := false
	for _, r := range e.Records() {
		if r.Life.OnFor != 0 || r.Life.OffFor != 0 {
			l.put(t, r)
		}
		hot = hot || r.Life.Active && r.Priority == alarm.Wake && r.Life.State != alarm.Norm
	}
	if l.state != nil && !hot && now-l.stateAt < age {
		return
	}
	b, err := json.Marshal(e.State())
	if err != nil {
		t.Fatal(err)
	}
	l.state, l.stateAt = b, now
}

// wake makes an engine from what survived.
func (l *ledger) wake(t testing.TB, s *sim) (*Engine, []Transition) {
	var records []room.Record
	for _, b := range l.records {
		var r room.Record
		if err := json.Unmarshal(b, &r); err != nil {
			t.Fatal(err)
		}
		records = append(records, r)
	}
	e, st := New(s.cfg), new(State)
	if l.state == nil {
		st = nil
	} else if err := json.Unmarshal(l.state, st); err != nil {
		t.Fatal(err)
	}
	ts := append([]Transition(nil), e.Restore(st, records, s.clock())...)
	// The clock ticks before the first probe has been read.
	return e, append(ts, e.Tick(s.clock())...)
}

// How much later, after a crash, an alarm may rise or end than without one, and
// what may be missing altogether. Everything else is the same to the poll.
//
//   - A delay that was running lost what it had counted since the last batch:
//     a minute, and two polls to find its feet.
//   - The trend wants a quarter of an hour of readings, so what is ahead may be
//     seen later; exposure bridges the gap by a straight line.
//   - Whether it misted, whether a door opened and whether lamps switched in the
//     stretch that was lost is not known: nothing is said of it.
var crashExplains = map[alarm.ID]struct {
	late time.Duration
	may  bool // be missing, or come at another time
}{
	alarm.LethalLimit: {late: time.Minute}, alarm.AboveBand: {late: 3 * time.Minute}, alarm.BelowBand: {late: 3 * time.Minute},
	alarm.HumidityFloor: {late: 30 * time.Minute}, alarm.Exposure: {late: 10 * time.Minute}, alarm.LethalAhead: {may: true},
	alarm.ProbeSilent: {late: 3 * time.Minute}, alarm.ProbeFrozen: {late: 2 * time.Minute}, alarm.ProbeWet: {late: 2 * time.Minute},
	alarm.ProbeJump: {late: 15 * time.Minute, may: true}, alarm.ProbeDisagrees: {late: 15 * time.Minute},
	alarm.MistMissing: {may: true}, alarm.MistWeak: {may: true}, alarm.MistEndless: {may: true}, alarm.DryDown: {may: true},
	alarm.DoorAjar: {may: true}, alarm.LampStuck: {may: true}, alarm.NightDrop: {late: time.Minute},
}

// A crash at a random moment of a random life, with a state of random age: the
// engine that woke again says nothing that the one which never crashed does
// not, and leaves out nothing but what it cannot know. Three lives with DEWLINE_LONG=1.
func TestRestart_CrashSaysNothingNew(t *testing.T) {
	skipUnderRace(t)
	for seed := range uint64(longMany(1, 3)) {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			t.Parallel()
			rng := rand.New(rand.NewPCG(seed, 4711))
			o := simroom.RandomRoom(rng)
			s := newSim(t, o)
			for range 8 {
				f := simroom.RandomFault(rng, o, o.Start.Add(time.Duration(rng.IntN(30*60))*time.Minute))
				f.To = f.From.Add(time.Duration(5+rng.IntN(240)) * time.Minute)
				if err := s.room.Inject(f); err != nil {
					t.Fatal(err)
				}
			}
			crashed(t, rng, s)
		})
	}
}

// A reborn is one engine that woke after a crash.
type reborn struct {
	e   *Engine
	at  time.Duration
	age time.Duration // of its state
	log []Transition
}

func crashed(t *testing.T, rng *rand.Rand, s *sim) {
	l := &ledger{records: map[alarm.Key][]byte{}}
	age := time.Duration(rng.IntN(600)) * time.Second
	var woken []*reborn
	const every = 20 * time.Second
	for s.now < 30*time.Hour {
		s.now += every
		s.room.Advance(every)
		now := s.clock()
		for _, b := range woken {
			if s.now-b.at > 3*time.Hour {
				b.e = nil
			}
		}
		step := func(f func(e *Engine) []Transition) {
			ts := f(s.e)
			s.take(ts)
			l.note(t, s.e, ts)
			for _, b := range woken {
				if b.e != nil {
					b.log = append(b.log, f(b.e)...)
				}
			}
		}
		for _, p := range s.cfg.Probes {
			sample, err := s.room.Sample(sensors.ProbeID(p.ID))
			r := s.judges[p.ID].Read(now, sample, err)
			step(func(e *Engine) []Transition { return e.Step(&r) })
		}
		step(func(e *Engine) []Transition { return e.Tick(now) })
		if s.now%time.Minute == 0 {
			l.batch(t, s.e, s.now, age)
		}
		if l.state != nil && rng.IntN(300) == 0 {
			e, ts := l.wake(t, s)
			woken = append(woken, &reborn{e: e, at: s.now, age: s.now - l.stateAt, log: ts})
		}
	}
	t.Logf("%d transitions, %d crashes", len(s.log), len(woken))
	for _, b := range woken {
		if b.at > 27*time.Hour {
			continue
		}
		compareCrash(t, s, b)
	}
}

func compareCrash(t *testing.T, s *sim, b *reborn) {
	t.Helper()
	end := b.at + 3*time.Hour
	find := func(log []Transition, x Transition, late time.Duration) bool {
		for _, y := range log {
			d := y.At.Mono - x.At.Mono
			if y.Key == x.Key && y.To == x.To && y.From == x.From && d >= -late && d <= late {
				return true
			}
		}
		return false
	}
	for _, x := range b.log {
		ex := crashExplains[x.Key.Alarm]
		late := ex.late
		if ex.may { // may come at another time, but not out of nothing
			if late = time.Hour; x.From != alarm.Norm {
				continue
			}
		}
		if x.From != x.To && !find(s.log, x, late) {
			t.Errorf("crash at %v with a state %v old: at %v says %v %v>%v (%s), the other does not: %s",
				b.at, b.age, x.At.Mono-b.at, x.Key, x.From, x.To, x.Why, x.Text)
		}
	}
	for _, x := range s.log {
		ex := crashExplains[x.Key.Alarm]
		if x.From == x.To || ex.may || x.At.Mono <= b.at || x.At.Mono > end-ex.late {
			continue
		}
		if !find(b.log, x, ex.late) {
			t.Errorf("crash at %v with a state %v old: at %v leaves out %v %v>%v (%s): %s",
				b.at, b.age, x.At.Mono-b.at, x.Key, x.From, x.To, x.Why, x.Text)
		}
	}
}

// lose goes on from the state as it was some time ago and the records of now.
func (r *rig) lose(state []byte) {
	r.t.Helper()
	b, err := json.Marshal(r.e.Records())
	if err != nil {
		r.t.Fatal(err)
	}
	var records []room.Record
	st := new(State)
	if err := json.Unmarshal(b, &records); err != nil {
		r.t.Fatal(err)
	}
	if err := json.Unmarshal(state, st); err != nil {
		r.t.Fatal(err)
	}
	r.e = New(r.cfg)
	r.take(r.e.Restore(st, records, r.instant()))
	r.take(r.e.Tick(r.instant()))
}

func (r *rig) kept() []byte {
	r.t.Helper()
	b, err := json.Marshal(r.e.State())
	if err != nil {
		r.t.Fatal(err)
	}
	return b
}

// misted is calm air with a mist of three minutes at noon that dries slowly.
func (r *rig) misted(id string, at time.Duration) *sensors.Reading {
	x := r.calm(id, at)
	if m := (at - 12*time.Hour).Minutes(); id != "room" && m >= 0 && m < 180 {
		room := 9700 - float64(x.Humidity)
		x.Humidity += sensors.CentiPercent(room * min(m/3, 1) * math.Exp(-max(m-3, 0)/40))
	}
	return x
}

// taught knows what the air gains by a mist at noon, as three days would have taught it.
func (r *rig) taught() *rig {
	for i := range r.e.judges.mist.At {
		w := &r.e.judges.mist.At[i].Watch
		w.Miss.Given = 6
		g := &w.Usual[climate.MistLit].Gain
		g.N, g.Share, g.Top = 3, 0.6, 96
	}
	return r
}

const noonMist = "[[mist]]\nid = \"m\"\ntimes = [\"12:00\"]\n"

// A mist that fell, or was due, while nobody watched is not a missing one;
// one that is due once enough was seen again is.
func TestRestart_MistInTheLostStretchIsUnknown(t *testing.T) {
	for _, c := range []struct {
		state, crash time.Duration // from noon
		air          func(r *rig) weather
		want         string
	}{
		{-8 * time.Minute, 2 * time.Minute, func(r *rig) weather { return r.misted }, ""},
		{-1 * time.Minute, 9 * time.Minute, func(r *rig) weather { return r.misted }, ""},
		{3 * time.Minute, 12 * time.Minute, func(r *rig) weather { return r.misted }, ""},
		{-9 * time.Minute, -1 * time.Minute, func(r *rig) weather { return r.misted }, ""},
		{-19 * time.Minute, -10 * time.Minute, func(r *rig) weather { return r.misted }, ""},
		{-19 * time.Minute, -10 * time.Minute, func(r *rig) weather { return r.calm }, "NORM>UNACK"},
	} {
		r := newRig(t, rigConfig(t, 1, noonMist)).taught()
		r.run(3*time.Hour+c.state, c.air(r))
		state := r.kept()
		r.run(c.crash-c.state, c.air(r))
		r.lose(state)
		r.run(time.Hour, c.air(r))
		r.want(alarm.MistMissing, "e1", c.want)
		r.quiet(alarm.MistMissing)
	}
}

// The very first mist after the very first start may have begun before.
func TestStart_MistRightAfterIsUnknown(t *testing.T) {
	r := newRig(t, rigConfig(t, 1, noonMist))
	r.now = 12*time.Hour - 2*time.Minute
	r.run(time.Hour, r.misted)
	r.quiet()
}

// Silence is counted anew after a crash, unless it was told already; then
// nothing but a reading ends it.
func TestRestart_SilenceCountsAnew(t *testing.T) {
	r := newRig(t, rigConfig(t, 2, ""))
	r.run(time.Hour, r.calm)
	state := r.kept()
	quiet := r.with("p1", func() *sensors.Reading { return nil })
	r.run(9*time.Minute, quiet)
	r.want(alarm.ProbeSilent, "p1", "NORM>UNACK")
	r.lose(state)
	r.run(10*time.Minute, quiet)
	r.want(alarm.ProbeSilent, "p1", "NORM>UNACK")
	r.want(alarm.ProbeSilent, "p2", "")

	r = newRig(t, rigConfig(t, 2, ""))
	r.run(time.Hour, r.calm)
	state = r.kept()
	r.run(9*time.Minute, r.calm)
	r.lose(state)
	quiet = r.with("p1", func() *sensors.Reading { return nil })
	from := r.now
	r.run(10*time.Minute, quiet)
	r.want(alarm.ProbeSilent, "p1", "NORM>UNACK")
	if after := r.last(alarm.ProbeSilent).At.Mono - from; after < 30*time.Second || after > 3*time.Minute {
		t.Errorf("silent after %v", after)
	}
	r.want(alarm.ProbeSilent, "p2", "")
}

// The delay of the limit that makes heat urgent lives in the alarm's record,
// and the dose goes on along a straight line.
func TestRestart_UrgencyAndDoseGoOn(t *testing.T) {
	plain := newRig(t, rigConfig(t, 1, ""))
	crash := newRig(t, rigConfig(t, 1, ""))
	var doses [2]float64
	for i, r := range []*rig{plain, crash} {
		r.now = 12 * time.Hour
		r.run(time.Hour, r.calm)
		state := r.kept()
		hot := r.hold("p1", 29.5, 85)
		r.run(4*time.Minute, hot)
		if r == crash {
			r.lose(state)
		}
		r.run(4*time.Minute, hot)
		doses[i] = float64(r.e.Enclosures()[0].Exposure)
	}
	for i, x := range plain.log {
		if i >= len(crash.log) || crash.log[i].Key != x.Key || crash.log[i].Priority != x.Priority ||
			crash.log[i].At.Mono-x.At.Mono > 20*time.Second {
			t.Errorf("%v: %v %v %v was not told in time after a crash", x.At.Mono, x.Key, x.To, x.Priority)
		}
	}
	if len(plain.log) == 0 || plain.last(alarm.AboveBand).Priority != alarm.Wake {
		t.Errorf("%+v", plain.log)
	}
	if doses[0] == 0 || math.Abs(doses[1]/doses[0]-1) > 0.5 {
		t.Errorf("the dose went from %.4f to %.4f", doses[0], doses[1])
	}
}

// Twins are waited for: until both have spoken, one does not speak for both,
// but the lethal limit does not wait.
func TestRestart_OneTwinDoesNotSpeakForBoth(t *testing.T) {
	r := newRig(t, rigConfig(t, 1, "", 1))
	r.run(time.Hour, r.calm)
	state := r.kept()
	r.now += 5 * time.Minute
	r.lose(state)
	r.step(r.good("p1", 31, 60))
	if r.events(alarm.LethalLimit, "e1") != "NORM>UNACK" {
		t.Error("the ceiling waited")
	}
	if rec, ok := r.e.Record(alarm.Key{Alarm: alarm.HumidityFloor, Subject: "e1"}); ok && rec.Life.OnFor > 0 {
		t.Errorf("%+v", rec)
	}
	if v := r.e.Enclosures()[0]; v.DoorOpen {
		t.Error("a door opened")
	}
}
