package daemon

import (
	"context"
	"encoding/json"
	"fmt"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"dewline/alert"
	"dewline/alert/sounder"
	"dewline/alert/wire"
	"dewline/cmd/dewline/core"
	"dewline/configs"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/rules/event"
	"dewline/sensors"
	"dewline/sensors/gpio"
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
	inbox

	core   *core.Core
	began  sensors.Instant // of this run, as the sources count
	rounds rounds
	stuck  bool // a write hangs
	// sounding says that the sounder was told to call.
	sounding bool
	losses   lossWatch
	beatAt   time.Duration // of the last outside heartbeat

	snapshot atomic.Pointer[alert.Snapshot]
	readings atomic.Uint64

	latestMu sync.Mutex // guards latest
	latest   map[sensors.ProbeID]sensors.Reading
}

type rounds struct {
	cycle    uint64
	at       time.Time // of the last one
	readings uint64    // that had come by then
}

// apply carries out effects: messages first, then the record.
func (l *loop) apply(fx core.Effects) <-chan struct{} {
	if fx.Empty() {
		return nil
	}
	if len(fx.Send) > 0 {
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

func (l *loop) showAlarms(ts []rules.Transition) {
	for _, t := range ts {
		if v, ok := l.core.Alarm(t.Key); ok {
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

func (l *loop) publish() {
	cfg := l.cfg.Load()
	s := &alert.Snapshot{
		Published: time.Now(), Room: cfg.Room.ID, RoomName: cfg.Room.Name, Version: l.o.Version, Started: l.started,
		Cycle: l.rounds.cycle, CycleAt: l.rounds.at, ConfigLoaded: *l.loadedAt.Load(), ConfigRefused: *l.refused.Load(),
	}
	l.core.Fill(l.now(), s)
	s.Recording, s.RecordWhy = l.recordIs()
	if st := l.record.Store(); st != nil {
		s.Record = st.Stats()
	} else {
		s.Recording = false
	}
	if src := l.probes.current(); src != nil {
		s.Polls, s.Buses = src.Probes(), src.Buses()
	}
	l.snapshot.Store(s)
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

// A lossWatch follows how much could not be kept on record since the start.
type lossWatch struct {
	seen        uint64          // of all, at the last look
	told        uint64          // of all, when the last loss was over
	since, last sensors.Instant // of the loss that is going on; since is zero for none
}

// fact says since when something is being lost, false for nothing.
func (l *lossWatch) fact(loc *time.Location) (alarm.Fact, bool) {
	at := alarm.LocalTime(l.since.Wall.In(loc).Format(alarm.LocalLayout))
	return alarm.Fact{ID: alarm.FactRecordLost, At: at}, !l.since.IsZero()
}

// recordIs says whether the record takes all that it is given, or why not.
func (l *loop) recordIs() (ok bool, why alarm.Fact) {
	fault := l.record.rec.fault()
	switch lost, losing := l.losses.fact(l.cfg.Load().Room.Location); {
	case l.stuck:
		return false, alarm.Fact{ID: alarm.FactRecordSlow}
	case fault != nil:
		return false, alarm.Fact{ID: alarm.FactRecordNote, Note: fault.Error()}
	case losing:
		return false, lost
	}
	return true, alarm.Fact{}
}

// An inbox holds what others ask of the goroutine that decides, in order. Each is
// given the moment in which its turn came.
type inbox chan func(now sensors.Instant)

// post has f run some time soon.
func (in inbox) post(ctx context.Context, f func(now sensors.Instant)) {
	select {
	case in <- f:
	case <-ctx.Done():
	}
}

// call has f run and returns what it says; an error also when ctx ended first.
func (in inbox) call(ctx context.Context, f func(now sensors.Instant) error) error {
	answer := make(chan error, 1)
	in.post(ctx, func(now sensors.Instant) { answer <- f(now) })
	select {
	case err := <-answer:
		return err
	case <-ctx.Done():
		return fmt.Errorf("dewline is stopping: %w", context.Cause(ctx))
	}
}

// watchCard tells of a write that hangs, which reports no error.
func (l *loop) watchCard(real time.Time) {
	stuck := l.record.rec.Stuck(real)
	if stuck == l.stuck {
		return
	}
	l.stuck = stuck
	l.showRecord(l.now())
}

// lossShown makes one story of what comes and goes every few minutes.
const lossShown = 10 * time.Minute

// watchLosses raises record-incomplete with the first loss, and ends it once
// nothing was lost for a while; the journal then says how much it was.
func (l *loop) watchLosses(now sensors.Instant) {
	w := &l.losses
	switch all := l.record.lost.Load(); {
	case all != w.seen:
		begins := w.since.IsZero()
		w.seen, w.last = all, now
		if begins {
			w.since = now
			l.showRecord(now)
		}
	case !w.since.IsZero() && now.Sub(w.last) >= lossShown:
		text := fmt.Sprintf("%d readings or lines of the journal were lost", all-w.told)
		l.log.Warn("the record has room again", "what", text, "from", w.since.Wall, "to", w.last.Wall)
		l.record.rec.Put(nil, []event.Event{core.RecordEvent(now, text,
			fmt.Sprintf("no room from %s to %s", w.since.Wall.Format(time.RFC3339), w.last.Wall.Format(time.RFC3339)))})
		w.since, w.told = sensors.Instant{}, all
		l.showRecord(now)
	}
}

// showRecord raises or ends record-incomplete by how the record is. One that was begun
// anew is given what is open once it can be written.
func (l *loop) showRecord(now sensors.Instant) {
	if anew := l.record.replaced.Load(); anew != nil && !l.stuck && l.record.rec.fault() == nil && l.record.replaced.CompareAndSwap(anew, nil) {
		l.keepAll(core.RecordEvent(now, "begun anew", *anew))
	}
	ok, why := l.recordIs()
	l.apply(l.core.RecordIncomplete(now, ok, why))
}

// keepAll is for a record that could not be written from the start.
func (l *loop) keepAll(entry event.Event) {
	all, err := l.core.All()
	if err != nil {
		l.log.Error("the open alarms cannot be kept", "err", err)
	}
	l.record.rec.Put(all, []event.Event{entry})
}

// heartbeatEvery is how often a sign of life is due on either way.
func (l *loop) heartbeatEvery() time.Duration {
	cfg := l.cfg.Load()
	every := cfg.MQTT.Heartbeat.D()
	if cfg.Outside.URL+cfg.Outside.URLFile != "" {
		every = min(every, cfg.Outside.Every.D())
	}
	return every
}

// sendHeartbeats sends signs of life. The broker gets one in any case, whose
// Cycle stands still while no round is finished; an outside address knows only
// that they come or not, so it gets none then.
func (l *loop) sendHeartbeats(real time.Time) {
	h := l.heartbeat()
	l.channels.heartbeat(h)
	now := l.now().Mono
	if !l.Lively(real) || l.beatAt != 0 && now-l.beatAt < l.cfg.Load().Outside.Every.D()-time.Second {
		return
	}
	l.beatAt = now
	l.channels.outside(h)
}

func (l *loop) heartbeat() alert.Heartbeat {
	now := l.now()
	h := alert.Heartbeat{
		Room: l.cfg.Load().Room.ID, Time: now.Wall, ClockSet: now.Synced, Uptime: time.Since(l.started).Seconds(),
		Version: l.o.Version, Cycle: l.rounds.cycle,
	}
	if s := l.snapshot.Load(); s != nil {
		h.OpenWake, h.Stalled = s.Delivery.OpenWake, s.Delivery.Stalled
	}
	return h
}

func (l *loop) publishClimate() {
	client := l.channels.broker()
	if client == nil {
		return
	}
	for _, v := range l.core.Enclosures() {
		doc, err := json.Marshal(wire.ClimateOf(&v))
		if err != nil {
			l.log.Error("a climate cannot be shown", "enclosure", v.ID, "err", err)
			continue
		}
		client.Climate(v.ID, doc)
	}
}

// takeWays puts other channels in use, the connection to the broker only where
// its settings or its secrets are others or it could not work. What is on its way by the old ones is
// finished.
func (l *loop) takeWays(next *channels, keepMQTT bool) {
	if next == nil {
		return
	}
	keepMQTT = keepMQTT && l.channels.keepsBroker(next)
	l.channels.swap(next, keepMQTT)
	if keepMQTT {
		l.courier.Swap(next.byName, "mqtt")
		return
	}
	l.courier.Swap(next.byName)
	l.showAll()
}

// showLeftOut tells what does not work for want of a secret. What a broker refuses its
// client tells; none refuses nothing.
func (l *loop) showLeftOut(now sensors.Instant) {
	l.apply(l.core.LeftOut(now, l.leftOut()))
	if l.channels.broker() == nil {
		l.apply(l.core.NotGranted(now, nil, false))
	}
}

// leftOut lists what does not work for want of a secret.
func (l *loop) leftOut() []alarm.Fact {
	out := slices.Clone(l.channels.inUse().leftOut)
	if _, err := secret(l.cfg.Load().HTTP.TokenFile); err != nil {
		out = append(out, withoutSecret(alarm.FactNoPageToken, err))
	}
	return out
}

func openSounder(s configs.Sounder) (sounder.Output, error) {
	if s.LED != "" {
		return sounder.OpenLED(filepath.Join(sounder.LEDs, s.LED))
	}
	out, err := gpio.OpenOut(gpio.Line{Chip: s.Chip, Offset: s.Line, ActiveLow: s.ActiveLow})
	if err != nil {
		return nil, err
	}
	return out, nil
}

// startSounder starts the sounder, which is off once ctx has ended.
func (l *loop) startSounder(ctx context.Context, done *sync.WaitGroup) {
	l.sounder = sounder.New(func(down error) {
		if down != nil {
			l.log.Error("the sounder of the room does not work; watching and warning go on", "err", down)
		}
		l.post(ctx, func(now sensors.Instant) { l.apply(l.core.ChannelState(now, configs.ChannelSounder, down)) })
	})
	l.useSounder()
	done.Go(func() { l.sounder.Run(ctx) })
}

func (l *loop) useSounder() {
	s := l.cfg.Load().Sounder
	if !s.InUse() {
		l.sounder.Use(nil)
		return
	}
	l.sounder.Use(func() (sounder.Output, error) { return l.o.OpenSounder(s) })
}

// sounds lets the sounder call while a wake notice reaches nobody.
func (l *loop) sounds(now sensors.Instant) {
	on := l.core.Sounds(now)
	if on != l.sounding {
		l.log.Warn("the sounder of the room", "calls", on)
	}
	l.sounding = on
	l.sounder.Sound(on)
}

func (l *loop) showAll() {
	now := l.now()
	for _, v := range l.core.Open() {
		l.channels.alarm(now, v.Key, &v)
	}
}
