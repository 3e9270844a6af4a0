package rules

import (
	"time"

	"dewline/configs"
	"dewline/rules/climate"
	"dewline/rules/room"
	"dewline/sensors"
)

// An Engine is the decision core of one room. It is single-threaded: one
// goroutine owns it. It does no I/O and reads no clock.
type Engine struct {
	v        *room.View
	cause    causes
	lives    lives
	names    []sensors.ProbeID
	after    []int // which probe's reading came after each one's, last time
	before   int   // the probe whose reading came last
	began    bool
	gap      Gap           // that nobody was told of
	minuteAt time.Duration // running time of the last minutely round
	hourAt   time.Duration
	judges   judges
	table    []row
	out      room.Out
	verdicts []climate.MistVerdict
	steps    []climate.LampStep
}

// New returns an engine for a complete configuration.
func New(cfg *configs.Config) *Engine {
	e := &Engine{}
	e.build(cfg)
	return e
}

// build lays out the engine for a configuration, without any state.
func (e *Engine) build(cfg *configs.Config) {
	var clock room.Clock
	if e.v != nil {
		clock = e.v.Clock
	}
	e.v = room.NewView(cfg, clock)
	e.cause.v = e.v
	e.names, e.after, e.before = make([]sensors.ProbeID, len(cfg.Probes)), make([]int, len(cfg.Probes)), 0
	for i, c := range cfg.Probes {
		e.names[i] = sensors.ProbeID(c.ID)
	}
	e.judges, e.out = newJudges(e.v), room.Out{Lives: &e.lives}
	e.table = e.judges.table()
	e.lives.build(e.v, e.table)
	e.lives.cause = e.cause
}

// Step takes one reading. The transitions are valid until the next call; in
// the steady state nothing is allocated. A reading that is not newer than the
// last one of its probe, or of an unknown probe, changes nothing.
func (e *Engine) Step(r sensors.Reading) []Transition {
	e.lives.out = e.lives.out[:0]
	i, ok := e.index(r.Probe)
	if !ok {
		return nil
	}
	p := &e.v.Probes[i]
	if p.St.Readings > 0 && r.At.Mono <= p.St.Last.Mono {
		return nil
	}
	e.advance(r.At)
	e.v.Probe, e.v.Reading, e.v.Enclosure = i, r, nil
	if p.Encl >= 0 {
		e.v.Enclosure = &e.v.Enclosures[p.Encl]
	}
	e.run(room.Arrived)
	if en := e.v.Enclosure; en != nil && r.Quality != sensors.Bad && !en.Now.Waits {
		e.estimate(en, r.At.Mono)
	}
	return e.lives.out
}

// index finds a probe. The readings of a poll tend to come in the same order
// every time, which spares looking for the name.
func (e *Engine) index(id sensors.ProbeID) (int, bool) {
	if len(e.v.Probes) == 0 {
		return 0, false
	}
	if i := e.after[e.before]; e.names[i] == id {
		e.before = i
		return i, true
	}
	i, ok := e.v.ByID[id]
	if ok {
		e.after[e.before], e.before = i, i
	}
	return i, ok
}

// advance takes in the time. Where nothing called for long, the process stood
// still or the board slept: nobody looked.
func (e *Engine) advance(now sensors.Instant) {
	if now == e.v.At && e.began {
		return
	}
	was, began := e.v.Latest, e.began
	e.note(now)
	if began {
		e.stoodStill(was, now)
	}
}

// note notes the time and reads the schedules when the minute has changed.
func (e *Engine) note(now sensors.Instant) {
	e.v.At = now
	if !e.began {
		e.began, e.v.Watched = true, now.Mono
		for i := range e.v.Probes {
			if e.v.Probes[i].St.Began.IsZero() {
				e.v.Probes[i].St.Began = now
			}
		}
	}
	if now.Mono >= e.v.Latest.Mono {
		e.v.Latest = now
		if e.v.Off.Open && now.Synced {
			e.learnOff(now)
		}
		if now.Synced {
			e.v.Off.Set = now
		}
	}
	e.v.ReadClock(now)
}

// estimate lets the judges look for which the reading at hand is enough, each at
// its own pace.
func (e *Engine) estimate(en *room.Enclosure, now time.Duration) {
	if now-en.St.QuickAt >= room.QuickEvery || en.St.QuickAt == 0 {
		en.St.QuickAt = now
		e.run(room.Quick)
	}
	if now-en.St.SlowAt < room.SlowEvery && en.St.SlowAt != 0 {
		return
	}
	en.St.SlowAt = now
	if en.Now.HasTemp {
		e.run(room.Slow)
	}
}

// learn feeds the thermal model and the usual offset to the room.
func (l airLook) learn(en *room.Enclosure, now sensors.Instant, hot, main float64) {
	hour := l.v.Hour(now)
	r := climate.ThermalReading{At: l.v.EstAt(now.Mono), Air: hot, Hour: hour, Exclude: l.disturbedModel(en, now.Mono)}
	if en.Lamps >= 0 && l.v.Lamps[en.Lamps].Known {
		r.Lamps = climate.LampsOff
		if l.v.Lamps[en.Lamps].On {
			r.Lamps = climate.LampsOn
		}
	}
	if t, ok := l.v.RoomTemp(now.Mono); ok {
		r.Room, r.HasRoom = float64(t)/100, true
		if hour >= 0 && !r.Exclude {
			en.St.Offset.Observe(hour, main-r.Room)
		}
	}
	en.St.Thermal.Observe(r)
}

// disturbedModel reports whether the temperature is under the influence of
// something that the thermal model does not know.
func (l airLook) disturbedModel(en *room.Enclosure, now time.Duration) bool {
	if _, open := en.St.Door.Open(); open {
		return true
	}
	return en.St.HasPulse && now-en.St.PulseAt < 20*time.Minute
}

// disturbed reports whether a step in temperature and humidity has another
// explanation than the door.
func (l doorLook) disturbed(en *room.Enclosure, now time.Duration) bool {
	if _, raining := en.St.Mist.Current(); raining && en.St.HasPulse && now-en.St.PulseAt < 20*time.Minute {
		return true
	}
	return en.Lamps >= 0 && l.v.Lamps[en.Lamps].Known && l.v.Lamps[en.Lamps].Edge < 30*time.Minute
}

// estimateRoom follows the room's air.
func (l airLook) estimateRoom(now sensors.Instant) {
	if now.Mono-l.v.Air.SlowAt < room.SlowEvery && l.v.Air.SlowAt != 0 {
		return
	}
	t, ok := l.v.RoomTemp(now.Mono)
	if !ok {
		return
	}
	l.v.Air.SlowAt = now.Mono
	l.v.Air.Trend.Observe(l.v.EstAt(now.Mono), float64(t)/100)
	hour := l.v.Hour(now)
	if hour < 0 {
		return
	}
	l.v.Air.Usual.Observe(hour, float64(t)/100)
	if h, ok := l.v.RoomHum(now.Mono); ok {
		l.v.Air.UsualHum.Observe(hour, float64(h)/100)
	}
}

// settle makes the alarms know all that the engine does, before they are read
// from outside.
func (e *Engine) settle() { e.run(room.Settle) }
