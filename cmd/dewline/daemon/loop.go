package daemon

import (
	"context"
	"time"

	"dewline/alert"
	"dewline/cmd/dewline/core"
	"dewline/rules"
	"dewline/sensors"
)

// runCore is the core goroutine: everything that decides happens here, in
// order. It ends with ctx after what is already queued.
func (d *Daemon) runCore(ctx context.Context) {
	second := time.NewTicker(time.Second)
	defer second.Stop()
	climate := time.NewTicker(d.o.ClimateEvery)
	defer climate.Stop()
	beat := time.NewTicker(d.heartbeatEvery())
	defer beat.Stop()
	var published time.Time
	began := d.now().Mono
	keep := keeping{batchAt: began, stateAt: began, ageingAt: began}
	for {
		select {
		case in := <-d.in:
			d.handle(in)
		case <-second.C:
			d.watchCard(time.Now())
			d.watchLosses(d.now())
			if s := d.currentSource(); s == nil || !s.KeepsTime() {
				d.tick(d.now())
			}
			if now := time.Now(); now.Sub(published) > d.o.PublishEvery-time.Second/2 { // ticks jitter
				published = now
				d.publish()
			}
		case <-climate.C:
			d.publishClimate()
		case <-beat.C:
			d.sendHeartbeats(time.Now())
			beat.Reset(d.heartbeatEvery()) // a reload may have changed it
		case <-d.healthMoved:
			d.watchLosses(d.now())
			d.showRecord(d.now())
		case <-ctx.Done():
			d.drain()
			return
		}
		keep.batch(d)
	}
}

// A keeping remembers when what was last handed to the recorder.
type keeping struct{ batchAt, stateAt, ageingAt time.Duration }

// batch asks for the readings since the last batch to be written once they are
// due, unless the recorder is still busy with the batch before.
func (k *keeping) batch(d *Daemon) {
	now := d.now().Mono
	if now-k.batchAt < d.cfg.Load().Store.Batch.D() {
		return
	}
	state := func() ([]byte, error) { return nil, nil }
	whole := now-k.stateAt >= d.core.StateEvery()
	if whole {
		state = d.core.State
	}
	if !d.rec.Flush(state) {
		return
	}
	k.batchAt = now
	if docs := d.core.Timing(); len(docs) > 0 {
		d.rec.Put(docs, nil)
	}
	if whole {
		k.stateAt = now
	}
	if now-k.ageingAt >= ageingEvery {
		k.ageingAt = now
		d.keepAgeing()
	}
}

// drain handles what was queued before the end.
func (d *Daemon) drain() {
	for {
		select {
		case in := <-d.in:
			d.handle(in)
		default:
			d.publish()
			return
		}
	}
}

func (d *Daemon) handle(in input) {
	switch in.kind {
	case isReading:
		in.reading.At.Mono += time.Duration(d.leap.Load())
		fx := d.core.Reading(in.reading)
		d.apply(fx)
		d.rec.Append(in.reading)
		d.readings.Add(1)
		d.latestMu.Lock()
		d.latest[in.reading.Probe] = in.reading
		d.latestMu.Unlock()
	case isTick:
		in.tick.Mono += time.Duration(d.leap.Load())
		d.tick(in.tick)
	case isCall:
		in.call(d.now())
	}
}

// tick lets time pass in the core and counts the round that ends with it.
func (d *Daemon) tick(now sensors.Instant) {
	d.apply(d.core.Tick(now))
	if n := d.readings.Load(); n != d.readingsAtTick {
		d.readingsAtTick = n
		d.cycle++
		d.cycleAt = time.Now()
	}
}

// apply carries out effects: messages first, then the record.
func (d *Daemon) apply(fx core.Effects) <-chan struct{} {
	if fx.Empty() {
		return nil
	}
	if len(fx.Send) > 0 {
		d.courier.Submit(fx.Send...)
	}
	var done <-chan struct{}
	if len(fx.Docs) > 0 || len(fx.Journal) > 0 {
		done = d.rec.Put(fx.Docs, fx.Journal)
	}
	if len(fx.Transitions) > 0 {
		d.showAlarms(fx.Transitions)
	}
	return done
}

// showAlarms publishes the retained documents of the alarms that moved.
func (d *Daemon) showAlarms(ts []rules.Transition) {
	open := map[rules.Key]rules.AlarmView{}
	for _, v := range d.core.Open() {
		open[v.Key] = v
	}
	for _, t := range ts {
		if v, ok := open[t.Key]; ok {
			d.channels.alarm(t.At, t.Key, &v)
		} else {
			d.channels.alarm(t.At, t.Key, nil)
		}
		if d.o.Observe != nil {
			d.o.Observe(t)
		}
		d.log.Debug("alarm", "alarm", t.Key.Alarm, "subject", t.Key.Subject, "from", t.From, "to", t.To, "text", t.Text)
	}
}

// publish makes a new snapshot for everybody who only looks.
func (d *Daemon) publish() {
	cfg := d.cfg.Load()
	s := &alert.Snapshot{
		Published: time.Now(), Room: cfg.Room.ID, RoomName: cfg.Room.Name, Version: d.o.Version, Started: d.started,
		Cycle: d.cycle, CycleAt: d.cycleAt, ConfigLoaded: *d.loadedAt.Load(), ConfigRefused: *d.refused.Load(),
	}
	d.core.Fill(d.now(), s)
	h := d.recording.Load()
	s.Recording, s.RecordNote = h.ok, h.note
	if st := d.Store(); st != nil {
		s.Record = st.Stats()
	} else {
		s.Recording = false
	}
	if note := d.losses.note(cfg.Room.Location); note != "" && s.Recording {
		s.Recording, s.RecordNote = false, note
	}
	if d.rec.Stuck(time.Now()) {
		s.Recording, s.RecordNote = false, cardHangs
	}
	if src := d.currentSource(); src != nil {
		s.Polls, s.Buses = src.Probes(), src.Buses()
	}
	d.snapshot.Store(s)
}

const cardHangs = "the card takes very long to write"

// watchCard raises record-incomplete while a write hangs, which reports no error,
// and ends it when the card answers again.
func (d *Daemon) watchCard(real time.Time) {
	stuck := d.rec.Stuck(real)
	if stuck == d.stuck {
		return
	}
	d.stuck = stuck
	d.showRecord(d.now())
}

// heartbeatEvery is how often a sign of life is due on either way.
func (d *Daemon) heartbeatEvery() time.Duration {
	cfg := d.cfg.Load()
	every := 30 * time.Second
	if v := cfg.MQTT.Heartbeat.D(); v > 0 {
		every = v
	}
	if v := cfg.Outside.Every.D(); v > 0 && cfg.Outside.URL != "" {
		every = min(every, v)
	}
	return every
}

// sendHeartbeats sends signs of life. The broker gets one in any case, whose
// Cycle stands still while no round is finished; an outside address knows only
// that they come or not, so it gets none then.
func (d *Daemon) sendHeartbeats(real time.Time) {
	h := d.heartbeat()
	d.channels.heartbeat(h)
	now := d.now().Mono
	if !d.Lively(real) || d.beatAt != 0 && now-d.beatAt < d.cfg.Load().Outside.Every.D()-time.Second {
		return
	}
	d.beatAt = now
	d.channels.outside(h)
}

func (d *Daemon) heartbeat() alert.Heartbeat {
	now := d.now()
	h := alert.Heartbeat{
		Room: d.cfg.Load().Room.ID, Time: now.Wall, ClockSet: now.Synced, Uptime: time.Since(d.started).Seconds(),
		Version: d.o.Version, Cycle: d.cycle,
	}
	if s := d.snapshot.Load(); s != nil {
		h.OpenWake, h.Stalled = s.Delivery.OpenWake, s.Stalled
	}
	return h
}
