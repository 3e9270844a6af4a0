package core

import (
	"errors"
	"fmt"
	"hash"
	"hash/fnv"
	"maps"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"dewline/alert"
	"dewline/alert/words"
	"dewline/configs"
	"dewline/configs/unit"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/rules/event"
	"dewline/sensors"
	"dewline/sensors/sim"
	"dewline/sensors/table"
)

// A world is a simulated room to which faults happen. It knows nothing of the
// actors that watch it.
type world struct {
	t      testing.TB
	cfg    *configs.Config
	opts   sim.Options
	room   *sim.Room
	rng    *rand.Rand
	start  time.Time
	at     time.Duration            // since start
	next   time.Duration            // of the next fault
	calm   time.Duration            // mean time between two faults
	sick   map[string]time.Duration // probes at fault, until when
	limits map[string]float64       // lethal limits, °C

	samples []sensors.Sample // of this round, one for each probe of cfg
	errs    []error
}

// twoPeople are told by two channels each, so that outages overlap in every
// way.
const twoPeople = `
[[person]]
id = "robin"
channels = ["mqtt", "push"]
quiet = "22:00-07:00"

[[person]]
id = "sam"
channels = ["push"]

[[webhook]]
id = "push"
url = "http://127.0.0.1:1/"
`

func newWorld(t testing.TB, seed uint64) *world {
	t.Helper()
	text := strings.Replace(string(configs.Demo()), `poll = "10 s"`, `poll = "60 s"`, 1)
	person := strings.Index(text, "[[person]]")
	lamps := strings.Index(text, "[[lamps]]")
	if person < 0 || lamps < person {
		t.Fatal("the demo's configuration is not laid out as this test expects")
	}
	cfg, err := table.Decode("sim.toml", []byte(text[:person]+text[lamps:]+twoPeople))
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(seed, 1))
	w := &world{
		t: t, cfg: cfg, rng: rng, sick: map[string]time.Duration{}, limits: map[string]float64{},
		start: time.Date(2026, time.Month(1+rng.IntN(12)), 1+rng.IntN(28), rng.IntN(24), 0, 0, 0, time.UTC),
	}
	if w.opts, err = sim.FromConfig(cfg, seed, w.start); err != nil {
		t.Fatal(err)
	}
	if w.room, err = sim.New(w.opts); err != nil {
		t.Fatal(err)
	}
	for _, e := range cfg.Enclosures {
		w.limits[e.ID] = float64(cfg.SpeciesFor(e).Lethal)
	}
	w.samples, w.errs = make([]sensors.Sample, len(cfg.Probes)), make([]error, len(cfg.Probes))
	w.next, w.calm = 12*time.Hour, 60*time.Hour
	return w
}

// exp draws a waiting time with that mean.
func exp(rng *rand.Rand, mean time.Duration) time.Duration {
	return time.Duration(rng.ExpFloat64() * float64(mean)).Round(simPoll)
}

// round moves the room on by one poll and reads every probe.
func (w *world) round() {
	for w.at >= w.next {
		w.befall()
		w.next += simPoll + exp(w.rng, w.calm)
	}
	w.room.Advance(simPoll)
	w.at += simPoll
	for i, p := range w.cfg.Probes {
		w.samples[i], w.errs[i] = w.room.Sample(sensors.ProbeID(p.ID))
	}
}

// befall plans a fault that begins now and is repaired after some hours. Every
// sixth is one that overheats the room or an enclosure.
func (w *world) befall() {
	now := w.room.Now()
	end := now.Add(10*time.Minute + exp(w.rng, 5*time.Hour))
	f := sim.RandomFault(w.rng, w.opts, now)
	switch w.rng.IntN(12) {
	case 0:
		f = sim.Fault{Kind: sim.RoomHeatStuckOn, From: now}
	case 1:
		e := w.cfg.Enclosures[w.rng.IntN(len(w.cfg.Enclosures))].ID
		f = sim.Fault{Kind: sim.HeaterStuckOn, On: sim.Target{Enclosure: e}, From: now, Amount: 80}
	}
	f.To = end
	if err := w.room.Inject(f); err != nil {
		w.t.Fatal(err)
	}
	for _, id := range []sensors.ProbeID{f.On.Probe, f.On.Other} {
		if id != "" {
			// Judges need some rounds to believe a probe that was repaired.
			w.sick[string(id)] = max(w.sick[string(id)], w.at+end.Sub(now)+10*time.Minute)
		}
	}
}

// sound reports whether no probe of an enclosure has had a fault lately.
func (w *world) sound(encl string) bool {
	for _, p := range w.cfg.ProbesOf(encl) {
		if w.sick[p.ID] > w.at {
			return false
		}
	}
	return true
}

// An actor is a core with everything around it: a disk, channels, a keeper,
// and what befalls them. The same seed in the same world gives the same
// effects.
type actor struct {
	w    *world
	rng  *rand.Rand
	hash hash.Hash64
	log  []simEvent

	core   *Core
	judges []*sensors.Judge
	now    sensors.Instant
	state  []byte // as last kept
	disk   disk
	undo   map[diskKey][]byte // what this round's commits replaced

	life      time.Duration // mean time between two crashes
	keepAt    time.Duration
	crashAt   time.Duration
	downUntil time.Duration // 0 while it runs
	boot      time.Duration // at, when it started
	resume    time.Duration // running time then
	wallOff   time.Duration
	wallEnds  time.Duration
	unset     bool

	channels map[string]*simChannel
	results  []alert.SendResult
	answers  []simEvent // of this round, given when its commits are on the disk
	open     map[alarm.Key]onset
	classes  map[string]class
	temps    map[string]sensors.CentiCelsius // last good one of each probe
	heard    map[string]bool
	over     map[string]bool // truly over its lethal limit
	restarts int
}

type simChannel struct {
	name      string
	downUntil time.Duration // 0 while it works
}

func newActor(w *world, seed uint64) *actor {
	a := &actor{
		w: w, rng: rand.New(rand.NewPCG(seed, 2)), hash: fnv.New64a(), disk: disk{}, undo: map[diskKey][]byte{},
		channels: map[string]*simChannel{"mqtt": {name: "mqtt"}, "push": {name: "push"}},
		over:     map[string]bool{},
	}
	a.life = 3 * 24 * time.Hour
	a.begin()
	a.planCrash()
	return a
}

// begin starts the program on what the disk holds.
func (a *actor) begin() {
	a.core = New(a.w.cfg, nil)
	a.judges = a.judges[:0]
	for _, p := range a.w.cfg.Probes {
		a.judges = append(a.judges, table.NewJudge(sensors.ProbeID(p.ID), p.Family))
	}
	a.boot, a.downUntil = a.w.at, 0
	a.open, a.classes, a.temps = map[alarm.Key]onset{}, map[string]class{}, map[string]sensors.CentiCelsius{}
	a.heard, a.results = map[string]bool{}, nil
	a.tell()
	saved := a.disk.saved(a.state)
	fx, err := a.core.Restore(a.now, saved)
	if err != nil {
		a.w.t.Fatal(err)
	}
	a.take(fx)
	e := simEvent{at: a.w.at, kind: evRestart}
	for _, v := range a.core.Open() {
		o := onset{v.Key, v.Seq, v.State}
		a.open[v.Key] = o
		e.open = append(e.open, o)
	}
	a.log = append(a.log, e)
	if c := a.channels["mqtt"]; c.downUntil == 0 {
		a.take(a.core.ChannelState(a.now, "mqtt", nil))
	}
}

// tell sets the core's clocks.
func (a *actor) tell() {
	a.now = sensors.Instant{
		Mono: a.resume + a.w.at - a.boot, Wall: a.w.start.Add(a.w.at + a.wallOff), Synced: !a.unset,
	}
}

// round lets the actor live one poll of its world.
func (a *actor) round() {
	a.log = append(a.log, a.answers...)
	a.answers = a.answers[:0]
	clear(a.undo)
	a.befall()
	if a.downUntil != 0 {
		if a.w.at < a.downUntil {
			return
		}
		a.begin()
	}
	a.tell()
	results := a.results
	a.results = nil // a result may make the next sending due
	for _, r := range results {
		a.take(a.core.Result(a.now, r))
	}
	a.read()
	a.take(a.core.Tick(a.now))
	a.keeper()
	if a.w.at >= a.keepAt {
		a.keep()
		a.keepAt = a.crashAt // at the earliest
	}
	if a.w.at >= a.crashAt-simPoll {
		a.disk.keep(Effects{Docs: a.core.Timing()}) // as every batch does
	}
	if a.w.at >= a.crashAt {
		a.crash()
		a.planCrash()
	}
}

// planCrash draws when the program ends next, and when before that its state
// is kept for the last time: making it is dear, and none is looked at before.
func (a *actor) planCrash() {
	a.crashAt = a.w.at + 10*time.Minute + exp(a.rng, a.life)
	a.keepAt = a.crashAt - time.Duration(a.rng.Int64N(int64(stateEvery))).Round(simPoll)
}

// keep writes the state, as the daemon does every ten minutes.
func (a *actor) keep() {
	state, err := a.core.State()
	if err != nil {
		a.w.t.Fatal(err)
	}
	a.state = state
}

// crash ends the program, with or without warning. Without, the commits of
// this round may not have reached the disk, and the running time is what the
// last batch says.
func (a *actor) crash() {
	e := simEvent{at: a.w.at, kind: evCrash}
	resume := a.now.Mono
	switch a.rng.IntN(3) {
	case 0: // a clean stop
		a.keep()
	case 1: // what was in flight is lost
		resume -= simPoll
		a.answers = a.answers[:0] // a person is answered once it is on the disk
		for k, v := range a.undo {
			if v == nil {
				delete(a.disk, k)
			} else {
				a.disk[k] = v
			}
			if id, subject, ok := strings.Cut(k.key, "/"); ok {
				e.lost = append(e.lost, alarm.Key{Alarm: alarm.ID(id), Subject: subject})
			}
		}
	}
	a.resume = max(resume, 0) + time.Second // a start takes its time
	a.downUntil = a.w.at + simPoll + exp(a.rng, 8*time.Minute)
	a.restarts++
	a.log = append(a.log, e)
}

// befall lets channels break and mend and the clock step.
func (a *actor) befall() {
	for _, name := range []string{"mqtt", "push"} {
		c := a.channels[name]
		switch {
		case c.downUntil == 0 && a.rng.IntN(6000) == 0:
			c.downUntil = a.w.at + exp(a.rng, 2*time.Hour) + simPoll
			a.channel(name, false)
		case c.downUntil != 0 && a.w.at >= c.downUntil:
			c.downUntil = 0
			a.channel(name, true)
		}
	}
	switch {
	case a.wallEnds != 0 && a.w.at >= a.wallEnds:
		a.wallOff, a.wallEnds, a.unset = 0, 0, false
	case a.wallEnds == 0 && a.rng.IntN(12000) == 0: // up to 14 days either way
		a.wallOff = time.Duration(a.rng.Int64N(int64(28*24*time.Hour))) - 14*24*time.Hour
		a.wallEnds = a.w.at + exp(a.rng, 3*time.Hour) + simPoll
		a.unset = a.rng.IntN(2) == 0
	}
}

func (a *actor) channel(name string, up bool) {
	a.log = append(a.log, simEvent{at: a.w.at, kind: evChannel, subject: name, on: up})
	if name == "mqtt" && a.downUntil == 0 {
		a.tell()
		var down error
		if !up {
			down = errors.New("gone")
		}
		a.take(a.core.ChannelState(a.now, name, down))
	}
}

// read gives the core this round's readings, and notes before what they are.
func (a *actor) read() {
	fresh := map[string]bool{}
	readings := make([]sensors.Reading, len(a.judges))
	for i, p := range a.w.cfg.Probes {
		r := a.judges[i].Read(a.now, a.w.samples[i], a.w.errs[i])
		readings[i] = r
		was, known := a.heard[p.ID]
		if ok := r.Quality != sensors.Bad; ok != was || !known {
			a.heard[p.ID] = ok
			a.log = append(a.log, simEvent{at: a.w.at, kind: evHeard, subject: p.ID, on: ok})
		}
		if a.aside(p.ID) {
			delete(a.temps, p.ID) // somewhere else, such as in a calibration jar
		} else if a.believable(&r) {
			a.temps[p.ID] = r.Temperature
			fresh[p.Enclosure] = true
		} else if t := a.temps[p.ID]; r.Quality == sensors.Suspect && r.Has&sensors.HasTemperature != 0 && r.Temperature < t {
			a.temps[p.ID] = r.Temperature // in doubt, but not where it was
		}
	}
	for _, e := range a.w.cfg.Enclosures {
		a.classify(e.ID, fresh[e.ID])
		a.truth(e.ID)
	}
	for _, r := range readings {
		a.take(a.core.Reading(r))
	}
}

// aside reports whether a person has taken a probe out of service.
func (a *actor) aside(probe string) bool {
	for k, o := range a.open {
		if k.Subject == probe && o.state == alarm.OutOfService {
			return true
		}
	}
	return false
}

// believable reports whether a reading's temperature is a present value: a
// doubt about its humidity alone is none about that.
func (a *actor) believable(r *sensors.Reading) bool {
	if r.Has&sensors.HasTemperature == 0 {
		return false
	}
	if r.Quality == sensors.Good {
		return true
	}
	last, seen := a.temps[string(r.Probe)]
	step := r.Temperature - last
	switch r.Reason {
	case sensors.PinnedWet, sensors.DewTooHigh, sensors.OutOfRange:
		return r.Quality == sensors.Suspect
	case sensors.Jump:
		return seen && step > -200 && step < 200
	}
	return false
}

// implausible is what no heater brings an enclosure to beside calm peers: such
// a value is a probe's fault until something confirms it.
const implausible = sensors.CentiCelsius(4500)

// classify notes what the good readings of an enclosure say.
func (a *actor) classify(encl string, fresh bool) {
	c := unknown
	if fresh {
		c = cool
	}
	ceiling := sensors.CelsiusOf(a.w.limits[encl])
	for i, p := range a.w.cfg.Probes {
		t, seen := a.temps[p.ID]
		if p.Enclosure != encl || !seen || t < ceiling || t >= implausible {
			continue
		}
		if now := a.w.samples[i]; a.w.errs[i] == nil && now.Temperature == t {
			c = hot
		} else if c == cool {
			c = unsure
		}
	}
	if a.classes[encl] != c {
		a.classes[encl] = c
		a.log = append(a.log, simEvent{at: a.w.at, kind: evClass, subject: encl, class: c})
	}
}

// truth notes when an enclosure truly is over its lethal limit, by more than its
// sound probes can be wrong.
func (a *actor) truth(encl string) {
	t, ok := a.w.room.Truth(encl)
	over := ok && t.Hottest >= a.w.limits[encl]+0.3 && a.w.sound(encl)
	for _, p := range a.w.cfg.ProbesOf(encl) {
		over = over && !a.aside(p.ID)
	}
	if a.over[encl] != over || over && a.boot == a.w.at {
		a.log = append(a.log, simEvent{at: a.w.at, kind: evTruth, subject: encl, on: over})
	}
	a.over[encl] = over
}

// take carries out effects: messages first, then the disk, as the daemon does.
func (a *actor) take(fx Effects) {
	if fx.Empty() {
		return
	}
	for i := range fx.Transitions {
		tr := &fx.Transitions[i]
		fmt.Fprintf(a.hash, "%d %v %d %v %v %v %v %v %s\n", tr.At.Mono, tr.Key, tr.Seq, tr.From, tr.To, tr.Priority, tr.Cause, tr.Value, words.Sentence(&tr.Onset, unit.Celsius))
		if tr.From == tr.To {
			continue
		}
		a.log = append(a.log, simEvent{at: a.w.at, kind: evTransition, key: tr.Key, seq: tr.Seq, from: tr.From, to: tr.To, priority: tr.Priority, why: tr.Why, cause: tr.Cause})
		if tr.To == alarm.Norm {
			delete(a.open, tr.Key)
		} else {
			a.open[tr.Key] = onset{tr.Key, tr.Seq, tr.To}
		}
	}
	for _, d := range fx.Send {
		a.send(d)
	}
	for _, d := range fx.Docs {
		fmt.Fprintf(a.hash, "%d %s %s\n", d.Bucket, d.Key, d.Value)
		k := diskKey{d.Bucket, d.Key}
		if _, noted := a.undo[k]; !noted {
			a.undo[k] = a.disk[k]
		}
	}
	for _, ev := range fx.Events {
		text, err := event.Encode(&ev, "")
		fmt.Fprintf(a.hash, "%s %v %v\n", text, ev.Beside, err)
	}
	a.disk.keep(fx)
}

var errAway = errors.New("the other side is away")

// send gives a delivery to its channel. What it took over is on the phone,
// even if the core never hears of it.
func (a *actor) send(d alert.Delivery) {
	fmt.Fprintf(a.hash, "send %s %d %d %s\n", d.ID, d.Version, d.Attempt, d.Message.Text)
	e := simEvent{at: a.w.at, kind: evSent, notice: d.NoticeID, version: d.Version, subject: d.Channel, priority: d.Priority,
		cause: alarm.Cause{Kind: alarm.CauseKind(d.Message.Cause), ID: d.Message.CauseID}}
	for _, r := range d.Message.Alarms {
		e.told = append(e.told, onset{key: alarm.Key{Alarm: r.Alarm, Subject: r.Subject}, seq: r.Seq})
	}
	a.log = append(a.log, e)
	result := alert.SendResult{Delivery: d.ID, Version: d.Version, Attempt: d.Attempt}
	switch n := a.rng.IntN(100); {
	case a.channels[d.Channel].downUntil != 0:
		result.Err = errAway
	case n < 3:
		result.Err = errors.New("a passing fault")
	default:
		e.kind = evTaken
		e.subject = d.Channel + " to " + d.Person
		a.log = append(a.log, e)
	}
	a.results = append(a.results, result)
}

// keeper is a person who answers, sooner or later.
func (a *actor) keeper() {
	if len(a.open) == 0 || a.rng.IntN(20) != 0 {
		return
	}
	keys := slices.SortedFunc(maps.Keys(a.open), func(x, y alarm.Key) int {
		return strings.Compare(string(x.Alarm)+"/"+x.Subject, string(y.Alarm)+"/"+y.Subject)
	})
	o := a.open[keys[a.rng.IntN(len(keys))]]
	act := rules.Action{Key: o.key, Seq: o.seq, By: "robin"}
	switch n := a.rng.IntN(20); {
	case o.state == alarm.Unack && n == 0:
		act.Kind, act.For = rules.Shelve, 10*time.Minute
	case o.state == alarm.Acked && n == 0:
		act.Kind, act.For = rules.TakeOut, 3*time.Hour
	case o.state == alarm.LatchAck:
		act.Kind = rules.Reset
	case n == 1 && o.state == alarm.Unack:
		a.answerNotice()
		return
	default:
		act.Kind = rules.Acknowledge
	}
	fx, err := a.core.Act(a.now, act)
	a.take(fx)
	if err == nil && act.Kind == rules.Acknowledge {
		a.answers = append(a.answers, simEvent{at: a.w.at, kind: evAcked, key: o.key, seq: o.seq})
	}
}

// answerNotice acknowledges everything under the worst open notice, which is
// refused where somebody did already.
func (a *actor) answerNotice() {
	open := a.core.desk.Open()
	if len(open) == 0 || open[0].Acknowledged {
		return
	}
	fx, err := a.core.AcknowledgeNotice(a.now, open[0].Notice.ID, 0, "sam", "seen")
	a.take(fx)
	if err != nil && !errors.Is(err, alert.ErrOldVersion) { // news that nobody was told of yet
		a.w.t.Errorf("acknowledge an open notice: %v", err)
	}
}
