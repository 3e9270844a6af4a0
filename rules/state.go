package rules

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// StateVersion is the version of State. A state of another version is not
// used; the records go on without it.
const StateVersion = 1

// State is everything that an Engine remembers beside its alarm records. It is
// plain data for encoding/json.
type State struct {
	Version    int                        `json:"version"`
	Now        sensors.Instant            `json:"now"`
	Off        Off                        `json:"off,omitzero"`
	Watched    time.Duration              `json:"watched"` // since then, without a gap
	MinuteAt   time.Duration              `json:"minute_at"`
	HourAt     time.Duration              `json:"hour_at"`
	Load       Load                       `json:"load"`
	Room       RoomState                  `json:"room"`
	Probes     map[string]*ProbeState     `json:"probes"`
	Enclosures map[string]*EnclosureState `json:"enclosures"`
	Mists      map[string]*MistState      `json:"mists"`
}

// State returns what has to be persisted beside the records. It shares memory
// with the engine: encode it before the next call.
func (e *Engine) State() *State {
	e.settle()
	s := &State{
		Version: StateVersion, Now: e.now, Off: e.off, Watched: e.watched, MinuteAt: e.minuteAt, HourAt: e.hourAt, Load: e.load, Room: e.room,
		Probes:     make(map[string]*ProbeState, len(e.probes)),
		Enclosures: make(map[string]*EnclosureState, len(e.encls)),
		Mists:      make(map[string]*MistState, len(e.mists)),
	}
	for i := range e.probes {
		s.Probes[e.probes[i].cfg.ID] = &e.probes[i].st
	}
	for i := range e.encls {
		s.Enclosures[e.encls[i].cfg.ID] = &e.encls[i].st
	}
	for i := range e.mists {
		s.Mists[e.mists[i].cfg.ID] = &e.mists[i].st
	}
	return s
}

// Record returns the persisted form of one alarm, false where it was never
// raised.
func (e *Engine) Record(k Key) (Record, bool) {
	if s := e.find(k); s != nil {
		if s.kind < alarm.FirstProbeKind {
			e.encls[s.subj].endCalm() // the alarm must know all that the engine does
		}
		if s.keep() {
			return e.whole(s), true
		}
	}
	for _, r := range e.gone {
		if r.Key == k {
			return r, true
		}
	}
	return Record{}, false
}

// Records returns every alarm that has something to remember, sorted by alarm
// and subject.
func (e *Engine) Records() []Record {
	e.settle()
	list := slices.Clone(e.gone)
	e.eachSlot(func(s *slot) {
		if s.keep() {
			list = append(list, e.whole(s))
		}
	})
	sortRecords(list)
	return list
}

func sortRecords(list []Record) {
	slices.SortFunc(list, func(a, b Record) int {
		return cmp.Or(strings.Compare(string(a.Key.Alarm), string(b.Key.Alarm)), strings.Compare(a.Key.Subject, b.Key.Subject))
	})
}

// whole is a slot's record with what is kept elsewhere while it is in use.
func (e *Engine) whole(s *slot) Record {
	r := s.rec
	if severe := e.severe(s); severe != nil {
		c := *severe
		r.Severe = &c
	}
	return r
}

// severe is the life of the limit that makes a band alarm urgent.
func (e *Engine) severe(s *slot) *alarm.Record {
	switch s.kind {
	case alarm.KindAbove:
		return &e.encls[s.subj].st.Act
	case alarm.KindBelow:
		return &e.encls[s.subj].st.Cold
	}
	return nil
}

// Restore goes on after a start from persisted state and records, either of
// which may be missing or older than the other. How long dewline was off is
// worked out from the state's last set clock, now or once the clock is set.
// What happened after the state was kept is not known, and nothing is judged
// across it. Subjects that the configuration no longer has end with a
// transition to NORM.
func (e *Engine) Restore(s *State, records []Record, now sensors.Instant) []Transition {
	return e.restore(s, records, now, true)
}

// restore is Restore, of an engine that was off or one that goes on.
func (e *Engine) restore(s *State, records []Record, now sensors.Instant, off bool) []Transition {
	e.out = e.out[:0]
	if s != nil && s.Version == StateVersion && s.Now.Mono <= now.Mono+mostLost {
		e.take(s)
		e.pull(now.Mono)
		e.ageAt = -1
	}
	resumed := e.began || len(records) > 0
	a := absence{known: true}
	if e.began {
		a.lost = max(now.Mono-e.now.Mono, 0)
	}
	if off {
		a.off, a.known = e.timeOff(now)
		a.nobody = a.off
	}
	a.short = a.known && a.lost+a.off <= 2*e.cfg.Room.Poll.D()
	e.note(now)
	for i := range e.encls {
		e.combine(&e.encls[i], e.now.Mono)
	}
	for _, r := range records {
		e.adopt(r, now)
	}
	if resumed && (a.lost > 0 || a.off > 0 || !a.known) {
		e.interrupt(now, a)
	}
	return e.out
}

// mostLost is by how much running time may have gone back, because the record
// lost its newest part. Of a longer loss the estimators remember nothing.
const mostLost = 10 * time.Minute

// pull brings time stamps that are ahead of now back to it, so that the next
// readings count as new.
func (e *Engine) pull(now time.Duration) {
	e.now.Mono = min(e.now.Mono, now)
	e.watched = min(e.watched, now)
	e.off.At = min(e.off.At, now)
	e.minuteAt, e.hourAt = min(e.minuteAt, now), min(e.hourAt, now)
	for i := range e.probes {
		st := &e.probes[i].st
		// Before now, as the first reading may come at once.
		for _, at := range []*time.Duration{&st.Last.Mono, &st.Heard.Mono, &st.Good.Mono, &st.Began.Mono} {
			if *at > now {
				*at = now - 1
			}
		}
		e.probes[i].since = min(e.probes[i].since, now-1)
		st.TempAt, st.AnyAt, st.HumAt = min(st.TempAt, now), min(st.AnyAt, now), min(st.HumAt, now)
		st.StillAt, st.JumpAt, st.LeapAt = min(st.StillAt, now), min(st.JumpAt, now), min(st.LeapAt, now)
	}
	for i := range e.encls {
		st := &e.encls[i].st
		st.At.Mono = min(st.At.Mono, now)
		st.QuickAt, st.SlowAt, st.RefitAt = min(st.QuickAt, now), min(st.SlowAt, now), min(st.RefitAt, now)
	}
}

// take copies what the configuration still knows.
func (e *Engine) take(s *State) {
	e.now, e.began, e.off = s.Now, !s.Now.IsZero(), s.Off
	if s.Now.Synced && s.Now.Mono > e.off.Set.Mono { // also of a state without Off
		e.off.Set = s.Now
	}
	e.minuteAt, e.hourAt, e.load, e.room = s.MinuteAt, s.HourAt, s.Load, s.Room
	e.watched = s.Watched
	for i := range e.probes {
		p := &e.probes[i]
		if st := s.Probes[p.cfg.ID]; st != nil {
			p.st = *st
		} else {
			p.st.Began = s.Now
		}
		p.since = s.Watched
	}
	for i := range e.encls {
		en := &e.encls[i]
		if st := s.Enclosures[en.cfg.ID]; st != nil {
			thermal := en.st.Thermal
			en.st = *st
			if en.st.Thermal == nil {
				en.st.Thermal = thermal
			}
		}
	}
	for i := range e.mists {
		if st := s.Mists[e.mists[i].cfg.ID]; st != nil {
			e.mists[i].st = *st
		}
	}
}

// adopt puts a record back in its place, or ends it where there is none.
func (e *Engine) adopt(r Record, now sensors.Instant) {
	s := e.find(r.Key)
	if s == nil {
		e.end(r, now)
		return
	}
	unit := s.rec.Unit
	s.rec = r
	if s.kind.Row().Of != alarm.OfDewline {
		s.rec.Unit = unit
	}
	if mine := e.severe(s); mine != nil && r.Severe != nil && r.Severe.SeenAt > mine.SeenAt {
		*mine = *r.Severe
	}
	s.rec.Severe = nil
	if s.open() {
		e.opened(s, 1)
	}
	if s.kind == alarm.KindSilent {
		e.probes[s.subj].out = s.rec.Life.State == alarm.OutOfService
	}
	if s.kind.Row().Of == alarm.OfEnclosure {
		e.encls[s.subj].endCalm()
	}
	if c := s.rec.Life.Recover(e.spec(s, 0), now); c.Changed() {
		e.emit(s, now, c, "", c.Why)
	}
}

func (e *Engine) find(k Key) (found *slot) {
	kd, ok := alarm.KindOf(k.Alarm)
	if !ok {
		return nil
	}
	if kd.Row().Of == alarm.OfDewline {
		return e.selfSlot(kd, k.Subject)
	}
	if kd.Row().Of == alarm.OfEnclosure {
		if i, ok := e.encl[k.Subject]; ok {
			return &e.encls[i].slots[kd]
		}
		return nil
	}
	if i, ok := e.byID[sensors.ProbeID(k.Subject)]; ok {
		return e.probes[i].slot(kd)
	}
	return nil
}

// end closes the alarm of a subject that is no longer configured and keeps its
// onset count, in case that it comes back.
func (e *Engine) end(r Record, now sensors.Instant) {
	since := r.Life.Since
	c := r.Life.Drop()
	if c.Changed() {
		r.Text = r.Key.Subject + ": no longer configured; the alarm ends."
		r.Detail = Detail{}
		e.out = append(e.out, Transition{
			At: now, Key: r.Key, Seq: r.Life.Seq, From: c.From, To: c.To, Priority: r.Priority, Cause: r.Cause,
			Unit: r.Unit, Since: since, Why: c.Why, Text: r.Text,
		})
	}
	if i := slices.IndexFunc(e.gone, func(g Record) bool { return g.Key == r.Key }); i >= 0 {
		e.gone[i] = r
		return
	}
	e.gone = append(e.gone, r)
}

// Reconfigure changes to another complete configuration and keeps the timers
// and states of everything that is still there.
func (e *Engine) Reconfigure(cfg *configs.Config, now sensors.Instant) []Transition {
	state, records := e.State(), e.Records()
	e.gone, e.self = nil, nil
	e.build(cfg)
	return e.restore(state, records, now, false)
}
