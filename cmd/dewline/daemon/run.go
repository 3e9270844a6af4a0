package daemon

import (
	"context"
	"time"

	"dewline/sensors"
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

// take passes a reading through the core and to the record.
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

// settle waits until what came is decided, each channel connected and the telling
// tried, settleFor at most.
func (l *loop) settle(ctx context.Context) {
	done := make(chan struct{})
	l.post(ctx, func(sensors.Instant) { l.wait(done) })
	patience := time.NewTimer(settleFor)
	defer patience.Stop()
	select {
	case <-done:
	case <-patience.C:
		l.post(ctx, func(sensors.Instant) { l.giveUp() })
	case <-ctx.Done():
	}
}
