package rules

import (
	"cmp"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"time"

	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/rules/limits"
	"dewline/rules/mist"
	"dewline/rules/probes"
	"dewline/rules/room"
	"dewline/sensors"
)

// StateVersion is the version of State. A state of another version is not
// used; the records go on without it.
const StateVersion = 1

// State is everything that an Engine remembers beside its alarm records. It is
// plain data for encoding/json; see Encode.
type State struct {
	Version    int                          `json:"version"`
	Now        sensors.Instant              `json:"now"`
	Off        room.Off                     `json:"off,omitzero"`
	Watched    time.Duration                `json:"watched"` // since then, without a gap
	MinuteAt   time.Duration                `json:"minute_at"`
	HourAt     time.Duration                `json:"hour_at"`
	Load       Load                         `json:"load"`
	Room       room.RoomState               `json:"room"`
	Probes     map[string]*ProbeMemory      `json:"probes,omitempty"`
	Enclosures map[string]*EnclosureMemory  `json:"enclosures,omitempty"`
	Mists      map[string]*room.MistState   `json:"mists"`
	Contacts   map[string]room.ContactState `json:"contacts,omitempty"`
}

// What each judge remembers, under names of its own so that all of it lies in one
// document.
type (
	ProbesState = probes.State
	LimitsState = limits.State
	MistState   = mist.State
)

// EnclosureMemory is all that is remembered of one enclosure beside its alarms.
type EnclosureMemory struct {
	*room.EnclosureState
	*LimitsState
	*MistState
}

// ProbeMemory is all that is remembered of one probe.
type ProbeMemory struct {
	*room.ProbeState
	*ProbesState
}

// Encode writes the state as JSON, one probe and one enclosure after another: in one piece
// it fills 6 MB with 500 of them.
func (s *State) Encode(w io.Writer) error {
	rest := *s
	rest.Probes, rest.Enclosures = nil, nil
	b, err := json.Marshal(rest)
	if err != nil {
		return fmt.Errorf("encode what is remembered of the room: %w", err)
	}
	if _, err := w.Write(b[:len(b)-1]); err != nil {
		return err
	}
	if err := encodeEach(w, "probes", s.Probes); err != nil {
		return err
	}
	if err := encodeEach(w, "enclosures", s.Enclosures); err != nil {
		return err
	}
	_, err = io.WriteString(w, "}")
	return err
}

// encodeEach adds a member of that name behind others, in the order of ids; none where
// there is nothing.
func encodeEach[T any](w io.Writer, name string, all map[string]T) error {
	before, after, values := `,"`+name+`":{`, "", json.NewEncoder(w) // which makes no piece of its own
	for _, id := range slices.Sorted(maps.Keys(all)) {
		key, err := json.Marshal(id)
		if err == nil {
			_, err = fmt.Fprintf(w, "%s%s:", before, key)
		}
		if err = cmp.Or(err, values.Encode(all[id])); err != nil {
			return fmt.Errorf("encode what is remembered of %s: %w", id, err)
		}
		before, after = ",", "}"
	}
	_, err := io.WriteString(w, after)
	return err
}

func put[T any](to, from *T) {
	if from != nil {
		*to = *from
	}
}

// State returns what has to be persisted beside the records. It shares memory
// with the engine: encode it before the next call.
func (e *Engine) State() *State {
	s := &State{
		Version: StateVersion, Now: e.v.Latest, Off: e.v.Off, Watched: e.v.Watched, MinuteAt: e.minuteAt, HourAt: e.hourAt, Load: e.lives.load, Room: e.v.Air,
		Probes:     make(map[string]*ProbeMemory, len(e.v.Probes)),
		Enclosures: make(map[string]*EnclosureMemory, len(e.v.Enclosures)),
		Mists:      make(map[string]*room.MistState, len(e.v.Mists)),
	}
	for i := range e.v.Probes {
		s.Probes[e.v.Probes[i].Cfg.ID] = &ProbeMemory{&e.v.Probes[i].St, &e.judges.probes.At[i]}
	}
	for i := range e.v.Enclosures {
		s.Enclosures[e.v.Enclosures[i].Cfg.ID] = &EnclosureMemory{&e.v.Enclosures[i].St, &e.judges.limits.At[i], &e.judges.mist.At[i]}
	}
	for i := range e.v.Mists {
		s.Mists[e.v.Mists[i].Cfg.ID] = &e.v.Mists[i].St
	}
	for i := range e.v.Contacts {
		if s.Contacts == nil {
			s.Contacts = map[string]room.ContactState{}
		}
		s.Contacts[e.v.Contacts[i].Cfg.ID] = e.v.Contacts[i].St
	}
	return s
}

// Record returns the persisted form of one alarm, false where it was never
// raised.
func (e *Engine) Record(k alarm.Key) (room.Record, bool) {
	if s := e.lives.find(k); s != nil && s.Worth() {
		return e.lives.whole(s), true
	}
	for _, r := range e.lives.gone {
		if r.Key == k {
			return r, true
		}
	}
	return room.Record{}, false
}

// Records returns every alarm that has something to remember, sorted by alarm
// and subject.
func (e *Engine) Records() []room.Record {
	list := slices.Clone(e.lives.gone)
	e.lives.each(func(s *room.Alarm) {
		if s.Worth() {
			list = append(list, e.lives.whole(s))
		}
	})
	sortRecords(list)
	return list
}

func sortRecords(list []room.Record) {
	slices.SortFunc(list, func(a, b room.Record) int {
		return cmp.Or(strings.Compare(string(a.Key.Alarm), string(b.Key.Alarm)), strings.Compare(a.Key.Subject, b.Key.Subject))
	})
}

// whole is a slot's record with what is kept elsewhere while it is in use.
func (ls *lives) whole(s *room.Alarm) room.Record {
	r := s.Rec
	if r.Stats != nil {
		c := *r.Stats
		r.Stats = &c
	}
	if s.Severe != nil {
		c := *s.Severe
		r.Severe = &c
	}
	return r
}

// Restore goes on after a start from persisted state and records, either of
// which may be missing or older than the other. How long dewline was off is
// worked out from the state's last set clock, now or once the clock is set.
// What happened after the state was kept is not known, and nothing is judged
// across it. Subjects that the configuration no longer has end with a
// transition to NORM.
func (e *Engine) Restore(s *State, records []room.Record, now sensors.Instant) []Transition {
	return e.restore(s, records, now, true)
}

// restore is Restore, of an engine that was off or one that goes on.
func (e *Engine) restore(s *State, records []room.Record, now sensors.Instant, off bool) []Transition {
	e.lives.out = e.lives.out[:0]
	if s != nil && s.Version == StateVersion && s.Now.Mono <= now.Mono+mostLost {
		e.take(s)
		e.pull(now.Mono)
		e.v.AgeAt = -1
	}
	resumed := e.began || len(records) > 0
	a := room.Absence{Known: true}
	if e.began {
		a.Lost = max(now.Mono-e.v.Latest.Mono, 0)
	}
	if off {
		a.Off, a.Known = e.timeOff(now)
		a.Nobody = a.Off
	}
	a.Short = a.Known && a.Lost+a.Off <= 2*e.v.Cfg.Room.Poll.D()
	e.note(now)
	for i := range e.v.Enclosures {
		e.v.Combine(&e.v.Enclosures[i], e.v.Latest.Mono)
	}
	for _, r := range records {
		e.lives.adopt(r, now)
	}
	if resumed && (a.Lost > 0 || a.Off > 0 || !a.Known) {
		e.interrupt(now, a)
	}
	return e.lives.out
}

// mostLost is by how much running time may have gone back, because the record
// lost its newest part. Of a longer loss the estimators remember nothing.
const mostLost = 10 * time.Minute

// pull brings time stamps that are ahead of now back to it, so that the next
// readings count as new.
func (e *Engine) pull(now time.Duration) {
	e.v.Latest.Mono = min(e.v.Latest.Mono, now)
	e.v.Watched = min(e.v.Watched, now)
	e.v.Off.At = min(e.v.Off.At, now)
	e.minuteAt, e.hourAt = min(e.minuteAt, now), min(e.hourAt, now)
	for i := range e.v.Probes {
		st := &e.v.Probes[i].St
		// Before now, as the first reading may come at once.
		for _, at := range []*time.Duration{&st.Last.Mono, &st.Heard.Mono, &st.Good.Mono, &st.Began.Mono} {
			if *at > now {
				*at = now - 1
			}
		}
		e.v.Probes[i].Since = min(e.v.Probes[i].Since, now-1)
		st.TempAt, st.AnyAt, st.HumAt = min(st.TempAt, now), min(st.AnyAt, now), min(st.HumAt, now)
		st.StillAt, st.JumpAt, st.LeapAt = min(st.StillAt, now), min(st.JumpAt, now), min(st.LeapAt, now)
	}
	for i := range e.v.Contacts {
		st := &e.v.Contacts[i].St
		st.At, st.Since, st.Sure, st.Ran = min(st.At, now), min(st.Since, now), min(st.Sure, now), min(st.Ran, now)
	}
	for i := range e.v.Enclosures {
		st := &e.v.Enclosures[i].St
		st.At.Mono = min(st.At.Mono, now)
		st.QuickAt, st.SlowAt, st.RefitAt = min(st.QuickAt, now), min(st.SlowAt, now), min(st.RefitAt, now)
	}
}

// take copies what the configuration still knows.
func (e *Engine) take(s *State) {
	e.v.Latest, e.began, e.v.Off = s.Now, !s.Now.IsZero(), s.Off
	if s.Now.Synced && s.Now.Mono > e.v.Off.Set.Mono { // also of a state without Off
		e.v.Off.Set = s.Now
	}
	e.minuteAt, e.hourAt, e.lives.load, e.v.Air = s.MinuteAt, s.HourAt, s.Load, s.Room
	e.v.Watched = s.Watched
	for i := range e.v.Probes {
		p := &e.v.Probes[i]
		if st := s.Probes[p.Cfg.ID]; st != nil {
			put(&p.St, st.ProbeState)
			put(&e.judges.probes.At[i], st.ProbesState)
		} else {
			p.St.Began = s.Now
		}
		p.Since = s.Watched
	}
	for i := range e.v.Enclosures {
		en := &e.v.Enclosures[i]
		if st := s.Enclosures[en.Cfg.ID]; st != nil {
			thermal := en.St.Thermal
			put(&en.St, st.EnclosureState)
			put(&e.judges.limits.At[i], st.LimitsState)
			put(&e.judges.mist.At[i], st.MistState)
			put(thermal, en.St.Thermal)
			en.St.Thermal = thermal
		}
	}
	for i := range e.v.Mists {
		if st := s.Mists[e.v.Mists[i].Cfg.ID]; st != nil {
			e.v.Mists[i].St = *st
		}
	}
	for i := range e.v.Contacts {
		if st, ok := s.Contacts[e.v.Contacts[i].Cfg.ID]; ok {
			e.v.Contacts[i].St = st
		}
	}
}

// adopt puts a record back in its place, or ends it where there is none.
func (ls *lives) adopt(r room.Record, now sensors.Instant) {
	s := ls.find(r.Key)
	if s == nil {
		ls.end(r, now)
		return
	}
	unit := s.Rec.Unit
	s.Rec = r
	if s.Kind.Row().Of != alarm.OfDewline {
		s.Rec.Unit = unit
	}
	if mine := s.Severe; mine != nil && r.Severe != nil && r.Severe.SeenAt > mine.SeenAt {
		*mine = *r.Severe
	}
	s.Rec.Severe = nil
	if s.Open() {
		ls.opened(s, 1)
	}
	if s.Kind == alarm.FirstProbeKind { // all of a probe's go out of service together
		ls.v.Probes[s.Index].Out = s.Rec.Life.State == alarm.OutOfService
	}
	if c := s.Rec.Life.Recover(ls.spec(s, 0), now); c.Changed() {
		ls.emit(s, now, c, "", c.Why)
	}
}

func (ls *lives) find(k alarm.Key) (found *room.Alarm) {
	kd, ok := alarm.KindOf(k.Alarm)
	switch enclosure, inTank := ls.v.EnclosureByID[k.Subject]; {
	case !ok:
	case kd.Row().Of == alarm.OfDewline:
		return ls.selfAlarm(kd, k.Subject)
	case kd.Row().Of == alarm.OfEnclosure && inTank:
		return &ls.v.Enclosures[enclosure].Alarms[kd]
	case kd.Row().Of == alarm.OfContact:
		if i := slices.IndexFunc(ls.v.Contacts, func(c room.Contact) bool { return c.Cfg.ID == k.Subject }); i >= 0 {
			return ls.v.Contacts[i].Alarm(kd)
		}
	case kd.Row().Of == alarm.OfProbe:
		if i, ok := ls.v.ByID[sensors.ProbeID(k.Subject)]; ok {
			return ls.v.Probes[i].Alarm(kd)
		}
	}
	return nil
}

// end closes the alarm of a subject that is no longer configured and keeps its
// onset count, in case that it comes back.
func (ls *lives) end(r room.Record, now sensors.Instant) {
	since, active := r.Life.Since, r.Life.Active
	c := r.Life.Drop()
	if c.Changed() {
		place := r.Told().Place
		if place == (alarm.Place{}) {
			place.Enclosure = r.Key.Subject
		}
		r.Text, r.Detail = "", &alarm.Detail{Turn: alarm.TurnRemoved, Place: place, Active: active}
		t := Transition{Onset: r.Onset(), At: now, From: c.From, To: c.To, Why: c.Why}
		t.Since, t.Value, t.HasValue, t.Limit, t.HasLimit = since, 0, false, 0, false
		ls.out = append(ls.out, t)
	}
	r.Peak = nil
	if i := slices.IndexFunc(ls.gone, func(g room.Record) bool { return g.Key == r.Key }); i >= 0 {
		ls.gone[i] = r
		return
	}
	ls.gone = append(ls.gone, r)
}

// Reconfigure changes to another complete configuration and keeps the timers
// and states of everything that is still there.
func (e *Engine) Reconfigure(cfg *configs.Config, now sensors.Instant) []Transition {
	state, records := e.State(), e.Records()
	e.lives.gone, e.lives.self = nil, nil
	e.build(cfg)
	return e.restore(state, records, now, false)
}
