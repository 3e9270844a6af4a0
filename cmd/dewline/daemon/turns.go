package daemon

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"maps"
	"slices"
	"time"

	"dewline/cmd/dewline/core"
	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/rules/event"
	"dewline/sensors"
	"dewline/sensors/table"
	"dewline/store"
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
		case do := <-l.inbox:
			do(l.now())
		case <-second.C:
			l.watchCard(time.Now())
			l.watchLosses(l.now())
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

func (l *loop) drain() {
	for {
		select {
		case do := <-l.inbox:
			do(l.now())
		default:
			l.publish()
			return
		}
	}
}

func (l *loop) take(r sensors.Reading) {
	r.At.Mono += time.Duration(l.leap.Load())
	l.apply(l.core.Reading(r))
	l.record.rec.Append(r)
	l.readings.Add(1)
	l.latestMu.Lock()
	l.latest[r.Probe] = r
	l.latestMu.Unlock()
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

func (l *loop) sink() Sink {
	return Sink{
		Reading: func(r sensors.Reading) { l.inbox <- func(sensors.Instant) { l.take(r) } },
		Contact: func(c sensors.Contact) {
			l.inbox <- func(now sensors.Instant) {
				c.At = now
				l.apply(l.core.Contact(c))
			}
		},
		Tick: func(at sensors.Instant) {
			l.inbox <- func(sensors.Instant) {
				at.Mono += time.Duration(l.leap.Load())
				l.tick(at)
			}
		},
		Settle: l.settle,
	}
}

// A source whose time can outrun channels waits for them no longer than settleFor, in
// real time, and looks every settleLook.
const (
	settleFor  = time.Second
	settleLook = 5 * time.Millisecond
)

// settle waits until what came is decided, each channel connected and the telling
// tried, settleFor at most.
func (l *loop) settle(ctx context.Context) {
	ctx, cancel := context.WithTimeout(ctx, settleFor)
	defer cancel()
	for {
		settled := make(chan bool, 1)
		l.post(ctx, func(sensors.Instant) { settled <- l.core.Settled() })
		select {
		case <-ctx.Done():
			return
		case yes := <-settled:
			if yes {
				return
			}
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(settleLook):
		}
	}
}

// resume restores the core, and says so where nobody watched for a while.
func (l *loop) resume(saved core.Saved, report store.Report) {
	now := l.now()
	fx, err := l.core.Restore(now, saved)
	if err != nil {
		l.log.Error("part of an earlier run could not be read back; the rest is used", "err", err)
	}
	l.apply(fx)
	l.record.rec.Put(nil, core.StartEvents(now, report, l.o.Version))
	l.resumed(now, report)
	// Also where all is well: an earlier run may have left the alarm open.
	if report.Quarantined == "" || l.record.rec.fault() != nil {
		l.showRecord(now)
	}
	l.apply(l.core.ConfigRefused(now, l.o.ConfigRefused))
}

func (l *loop) resumed(now sensors.Instant, report store.Report) {
	l.apply(l.core.Calibrated(l.now(), l.book.calibrations(l.cfg.Load())))
	l.showAll()
	if report.Quarantined != "" {
		l.apply(l.core.RecordIncomplete(now, false, alarm.Fact{ID: alarm.FactRecordAside, About: report.Quarantined}))
	}
	if report.FellBack {
		l.log.Error("the last commit of the record was damaged; the one before is used", "damage", report.Damage)
	}
	if st := l.record.Store(); st != nil {
		l.noteSettings(now, st)
	}
}

func (l *loop) keepAgeing() {
	s := l.probes.current()
	if s == nil {
		return
	}
	b, err := json.Marshal(shifted(s.Ageing(), time.Duration(l.leap.Load())))
	if err != nil {
		l.log.Warn("what the probes went through cannot be kept", "err", err)
		return
	}
	l.record.rec.Put([]store.Doc{{Bucket: store.BucketMeta, Key: ageingKey, Value: b}}, nil)
}

// keepState asks for the last state to be written before the end.
func (l *loop) keepState() {
	now := l.now()
	l.record.rec.Put(nil, []event.Event{core.StopEvent(now, l.o.Version)})
	l.keepAgeing()
	l.record.rec.ForceFlush(l.core.State)
}

// noteSettings tells the journal what was changed in the configuration while
// dewline was not running: the one that was in force then is on record.
func (l *loop) noteSettings(now sensors.Instant, st *store.Store) {
	text := l.record.settingsInForce()
	if text == nil {
		return
	}
	before, err := st.Get(store.BucketConfig, settingsKey)
	if before = configs.Masked(before); err == nil && bytes.Equal(before, text) {
		return
	}
	old, _, err := table.DecodeInForce("before", before)
	if err != nil {
		old = nil
	}
	var changes []event.Event
	if next, _, err := table.DecodeInForce("now", text); err == nil { // without secrets, as text is
		changes = core.SettingEvents(now, old, next)
	}
	l.record.rec.Put([]store.Doc{{Bucket: store.BucketConfig, Key: settingsKey, Value: text}}, changes)
}

// joinLate reads what a record holds and has the core take it in.
func (l *loop) joinLate(ctx context.Context, o opened) {
	saved := l.record.saved(o)
	l.probes.loadBook(o.st, o.report.LastMono)
	l.record.loadRedos(o.st)
	_ = l.call(ctx, func(sensors.Instant) error { l.mergeLate(ctx, o, saved); return nil }) // or dewline stops
}

// mergeLate joins a record that could be opened at last with the core that runs,
// and puts it in use. It runs on the loop's goroutine. Running time goes on from
// that of the record from then on.
func (l *loop) mergeLate(ctx context.Context, o opened, saved core.Saved) {
	by := o.report.LastMono
	l.leap.Store(int64(by))
	now, began := l.now(), l.began
	began.Mono, began.Synced = began.Mono+by, now.Synced
	began.Wall = now.Wall.Add(-now.Sub(began))
	kept := l.record.takeReadings(ctx, o.st, by)
	l.record.rec.rebase(by)
	fx, err := l.core.Merge(now, by, saved, l.newest(by))
	if err != nil {
		l.log.Error("part of an earlier run could not be read back; the rest is used", "err", err)
	}
	l.record.store.Store(o.st)
	o.st.SetLimits(core.LimitsOf(l.cfg.Load())) // a reload may have changed them since
	l.apply(fx)
	entries := core.StartEvents(began, o.report, "opened late")
	begin := entries[0].Line()
	l.keepAll(core.RecordEvent(now, begin.New, begin.Why))
	l.record.rec.Put(l.core.Forgotten(saved.Outbox), entries[1:])
	l.resumed(began, o.report)
	l.record.rec.Attach(o.st)
	l.log.Info("the record is open and joined with what went on without it", "readings", kept)
}

// newest moves the newest readings by so much and returns them as they came.
func (l *loop) newest(by time.Duration) []sensors.Reading {
	l.latestMu.Lock()
	defer l.latestMu.Unlock()
	for id, r := range l.latest {
		r.At.Mono += by
		l.latest[id] = r
	}
	return slices.SortedFunc(maps.Values(l.latest), func(a, b sensors.Reading) int {
		return cmp.Or(cmp.Compare(a.At.Mono, b.At.Mono), cmp.Compare(a.Probe, b.Probe))
	})
}
