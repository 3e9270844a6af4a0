package daemon

import (
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
	inbox

	core   *core.Core
	began  sensors.Instant // of this run, as the sources count
	rounds rounds
	stuck  bool // a write hangs
	// sounding says that the sounder was told to call.
	sounding bool
	settling
	losses lossWatch
	beatAt time.Duration // of the last outside heartbeat

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
	h := l.record.recording.Load()
	switch lost, losing := l.losses.fact(l.cfg.Load().Room.Location); {
	case l.stuck:
		return false, alarm.Fact{ID: alarm.FactRecordSlow}
	case h.ok && losing:
		return false, lost
	}
	return h.ok, h.why
}
