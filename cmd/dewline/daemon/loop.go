package daemon

import (
	"context"
	"errors"
	"sync"
	"sync/atomic"
	"time"

	"dewline/alert"
	"dewline/alert/sounder"
	"dewline/cmd/dewline/core"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// A loop is the one goroutine that decides. Everything comes to it by its inputs
// or its tickers; only what stands under a mutex or is atomic may be seen by
// others, by the methods that say so.
type loop struct {
	*base
	record   *record
	probes   *probes
	channels *channels
	courier  *alert.Courier
	sounder  *sounder.Sounder
	in       chan input // in order

	core   *core.Core
	began  sensors.Instant // of this run, as the sources count
	rounds rounds
	stuck  bool // a write hangs
	// sounding says that the sounder was told to call.
	sounding bool
	settling
	losses lossWatch
	around neighbours
	beatAt time.Duration // of the last outside heartbeat

	snapshot atomic.Pointer[alert.Snapshot]
	readings atomic.Uint64

	latestMu sync.Mutex // guards latest
	latest   map[sensors.ProbeID]sensors.Reading
}

// rounds counts the rounds of readings and rules that were finished.
type rounds struct {
	cycle    uint64
	at       time.Time // of the last one
	readings uint64    // that had come by then
}

// An input is one thing for the loop.
type input struct {
	reading sensors.Reading
	tick    sensors.Instant
	call    func(now sensors.Instant)
	kind    inputKind
}

type inputKind uint8

const (
	isReading inputKind = iota
	isTick
	isCall
)

// run is the goroutine: everything that decides happens here, in
// order. It ends with ctx after what is already queued.
func (l *loop) run(ctx context.Context) {
	second := time.NewTicker(time.Second)
	defer second.Stop()
	climate := time.NewTicker(l.o.ClimateEvery)
	defer climate.Stop()
	beat := time.NewTicker(l.heartbeatEvery())
	defer beat.Stop()
	var published time.Time
	began := l.now().Mono
	keep := keeping{batchAt: began, stateAt: began, ageingAt: began}
	for {
		select {
		case in := <-l.in:
			l.handle(in)
		case <-second.C:
			l.watchCard(time.Now())
			l.watchLosses(l.now())
			l.applyAll(l.around.watchOther(l.now()))
			l.applyAll(l.around.watchSentinels(l.now(), l.channels.connected()))
			if s := l.probes.current(); s == nil || !s.KeepsTime() {
				l.tick(l.now())
			}
			l.sounds(l.now())
			if now := time.Now(); now.Sub(published) > l.o.PublishEvery-time.Second/2 { // ticks jitter
				published = now
				l.publish()
			}
		case <-climate.C:
			l.publishClimate()
		case <-beat.C:
			l.sendHeartbeats(time.Now())
			beat.Reset(l.heartbeatEvery()) // a reload may have changed it
		case <-l.record.moved:
			l.watchLosses(l.now())
			l.showRecord(l.now())
		case <-ctx.Done():
			l.drain()
			return
		}
		keep.batch(l)
	}
}

// A keeping remembers when what was last handed to the recorder.
type keeping struct{ batchAt, stateAt, ageingAt time.Duration }

// batch asks for the readings since the last batch to be written once they are
// due, unless the recorder is still busy with the batch before.
func (k *keeping) batch(l *loop) {
	now := l.now().Mono
	if now-k.batchAt < l.cfg.Load().Store.Batch.D() {
		return
	}
	whole := false
	state := func() ([]byte, error) { // asked only once a write can begin: it looks at every alarm
		if whole = now-k.stateAt >= l.core.StateEvery(); !whole {
			return nil, nil
		}
		return l.core.State()
	}
	if !l.record.rec.Flush(state) {
		return
	}
	k.batchAt = now
	if docs := l.core.Timing(); len(docs) > 0 {
		l.record.rec.Put(docs, nil)
	}
	if whole {
		k.stateAt = now
	}
	if now-k.ageingAt >= ageingEvery {
		k.ageingAt = now
		l.keepAgeing()
	}
}

// drain handles what was queued before the end.
func (l *loop) drain() {
	for {
		select {
		case in := <-l.in:
			l.handle(in)
		default:
			l.publish()
			return
		}
	}
}

func (l *loop) handle(in input) {
	switch in.kind {
	case isReading:
		in.reading.At.Mono += time.Duration(l.leap.Load())
		fx := l.core.Reading(in.reading)
		l.apply(fx)
		l.record.rec.Append(in.reading)
		l.readings.Add(1)
		l.latestMu.Lock()
		l.latest[in.reading.Probe] = in.reading
		l.latestMu.Unlock()
	case isTick:
		in.tick.Mono += time.Duration(l.leap.Load())
		l.tick(in.tick)
	case isCall:
		in.call(l.now())
	}
}

// tick lets time pass in the core and counts the round that ends with it.
func (l *loop) tick(now sensors.Instant) {
	l.apply(l.core.Tick(now))
	if n := l.readings.Load(); n != l.rounds.readings {
		l.rounds.readings = n
		l.rounds.cycle++
		l.rounds.at = time.Now()
	}
}

// apply carries out effects: messages first, then the record.
func (l *loop) apply(fx core.Effects) <-chan struct{} {
	if fx.Empty() {
		return nil
	}
	if len(fx.Send) > 0 {
		l.sent(len(fx.Send))
		l.courier.Submit(fx.Send...)
	}
	var done <-chan struct{}
	if len(fx.Docs) > 0 || len(fx.Events) > 0 {
		done = l.record.rec.Put(fx.Docs, fx.Events)
	}
	l.record.rec.Later(fx.Later)
	if len(fx.Transitions) > 0 {
		l.showAlarms(fx.Transitions)
	}
	return done
}

func (l *loop) applyAll(all []core.Effects) {
	for _, fx := range all {
		l.apply(fx)
	}
}

// showAlarms publishes the retained documents of the alarms that moved.
func (l *loop) showAlarms(ts []rules.Transition) {
	open := map[rules.Key]rules.AlarmView{}
	for _, v := range l.core.Open() {
		open[v.Key] = v
	}
	for _, t := range ts {
		if v, ok := open[t.Key]; ok {
			l.channels.alarm(t.At, t.Key, &v)
		} else {
			l.channels.alarm(t.At, t.Key, nil)
		}
		if l.o.Observe != nil {
			l.o.Observe(t)
		}
		l.log.Debug("alarm", "alarm", t.Key.Alarm, "subject", t.Key.Subject, "from", t.From, "to", t.To, "is", t.Detail.Is.ID)
	}
}

// publish makes a new snapshot for everybody who only looks.
func (l *loop) publish() {
	cfg := l.cfg.Load()
	s := &alert.Snapshot{
		Published: time.Now(), Room: cfg.Room.ID, RoomName: cfg.Room.Name, Version: l.o.Version, Started: l.started,
		Cycle: l.rounds.cycle, CycleAt: l.rounds.at, ConfigLoaded: *l.loadedAt.Load(), ConfigRefused: *l.refused.Load(),
	}
	l.core.Fill(l.now(), s)
	h := l.record.recording.Load()
	s.Recording, s.RecordWhy = h.ok, h.why
	if st := l.record.Store(); st != nil {
		s.Record = st.Stats()
	} else {
		s.Recording = false
	}
	if lost, losing := l.losses.fact(cfg.Room.Location); losing && s.Recording {
		s.Recording, s.RecordWhy = false, lost
	}
	if l.record.rec.Stuck(time.Now()) {
		s.Recording, s.RecordWhy = false, cardHangs
	}
	if src := l.probes.current(); src != nil {
		s.Polls, s.Buses = src.Probes(), src.Buses()
	}
	l.snapshot.Store(s)
}

var cardHangs = alarm.Fact{ID: alarm.FactRecordSlow}

// watchCard raises record-incomplete while a write hangs, which reports no error,
// and ends it when the card answers again.
func (l *loop) watchCard(real time.Time) {
	stuck := l.record.rec.Stuck(real)
	if stuck == l.stuck {
		return
	}
	l.stuck = stuck
	l.showRecord(l.now())
}

// sink queues what a source delivers for the core.
func (l *loop) sink() Sink {
	return Sink{
		Reading: func(r sensors.Reading) { l.in <- input{kind: isReading, reading: r} },
		Contact: func(c sensors.Contact) {
			l.in <- input{kind: isCall, call: func(now sensors.Instant) {
				c.At = now
				l.apply(l.core.Contact(c))
			}}
		},
		Tick:   func(now sensors.Instant) { l.in <- input{kind: isTick, tick: now} },
		Settle: l.settle,
	}
}

// call runs f on the loop's goroutine and waits for it. It reports false when
// ctx ended first.
func (l *loop) call(ctx context.Context, f func(now sensors.Instant)) bool {
	done := make(chan struct{})
	in := input{kind: isCall, call: func(now sensors.Instant) { f(now); close(done) }}
	select {
	case l.in <- in:
	case <-ctx.Done():
		return false
	}
	select {
	case <-done:
		return true
	case <-ctx.Done():
		return false
	}
}

// post runs f on the loop's goroutine some time soon.
func (l *loop) post(ctx context.Context, f func(now sensors.Instant)) {
	select {
	case l.in <- input{kind: isCall, call: f}:
	case <-ctx.Done():
	}
}

// Latest returns the newest reading of a probe, of any quality and with its
// raw sample.
func (l *loop) Latest(probe sensors.ProbeID) (sensors.Reading, bool) {
	l.latestMu.Lock()
	defer l.latestMu.Unlock()
	r, ok := l.latest[probe]
	return r, ok
}

// WhatIf says what every enclosure would come to under an assumption.
func (l *loop) WhatIf(ctx context.Context, a rules.Assumption) (answer []rules.Prospect, err error) {
	if !l.call(ctx, func(sensors.Instant) { answer = l.core.WhatIf(a) }) {
		return nil, errors.New("dewline is stopping")
	}
	return answer, nil
}

// Lively reports whether a sample-and-rule round ended within three polls and
// some seconds of grace.
func (l *loop) Lively(now time.Time) bool {
	s := l.snapshot.Load()
	if s == nil {
		return now.Sub(l.started) < 30*time.Second
	}
	last := s.CycleAt
	if last.IsZero() {
		last = l.started
	}
	return now.Sub(last) <= 3*l.cfg.Load().Room.Poll.D()+10*time.Second
}

// certificates has the core look at when certificates end.
func (l *loop) certificates(ctx context.Context, used []core.Certificate) {
	l.post(ctx, func(now sensors.Instant) { l.apply(l.core.Certificates(now, used)) })
}
