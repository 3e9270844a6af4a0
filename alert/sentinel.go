package alert

import (
	"cmp"
	"maps"
	"slices"
	"strings"
	"time"

	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// RoomSilent is the sentinel's alarm: a room gives no sign of life.
const RoomSilent = alarm.RoomSilent

// A Heartbeat is the sign of life that a daemon sends regularly. Its JSON goes
// to the heartbeat topic and the outside address.
type Heartbeat struct {
	Room     string    `json:"room"`
	Instance string    `json:"instance,omitempty"` // of the board
	Time     time.Time `json:"time"`
	ClockSet bool      `json:"clock_set"`
	Uptime   float64   `json:"uptime_seconds"`
	Version  string    `json:"version"`
	// Cycle counts completed sample-and-rule rounds: one that stands still is
	// a daemon that only looks alive.
	Cycle    uint64   `json:"cycle"`
	OpenWake int      `json:"open_wake"`
	Stalled  []string `json:"stalled,omitempty"` // channels
}

// SentinelOptions are what a Sentinel works by. Zero fields take the defaults
// named.
type SentinelOptions struct {
	Rooms       []string      // that must show themselves; others join when seen
	SilentAfter time.Duration // 3 min
	ClockOff    time.Duration // difference of wall clocks that is wrong; 5 min
	StallFor    time.Duration // a stalled channel must be reported so long; 5 min
}

// A watched is what is known of one room.
type watched struct {
	seen       time.Duration // last live sign, running time
	gap        time.Duration // between its last two heartbeats
	granted    bool          // full time after a connection came back, since its cycle moved
	offline    bool          // said so itself, or its will did
	cycle      uint64
	moved      time.Duration // last time that cycle moved
	stallSince time.Duration // 0: no channel stalled
	stalled    []string
	clockOff   time.Duration // its clock minus ours
	clockWrong bool
	raised     map[rules.AlarmID]uint64          // open alarms: the onset
	since      map[rules.AlarmID]sensors.Instant // and when it was
}

// A Sentinel watches rooms from another machine. It is pure; its transitions
// feed a Desk of its own, whose documents keep what was told. It is not safe
// for concurrent use.
type Sentinel struct {
	opt   SentinelOptions
	rooms map[string]*watched
	blind bool          // this side has no connection: silence says nothing
	since time.Duration // blind
}

// NewSentinel returns a Sentinel for which every listed room counts as last
// seen at now.
func NewSentinel(now sensors.Instant, o SentinelOptions) *Sentinel {
	o.SilentAfter = cmp.Or(o.SilentAfter, 3*time.Minute)
	o.ClockOff = cmp.Or(o.ClockOff, 5*time.Minute)
	o.StallFor = cmp.Or(o.StallFor, 5*time.Minute)
	s := &Sentinel{opt: o, rooms: make(map[string]*watched)}
	for _, r := range o.Rooms {
		s.room(now, r)
	}
	return s
}

func (s *Sentinel) room(now sensors.Instant, id string) *watched {
	w := s.rooms[id]
	if w == nil {
		w = &watched{seen: now.Mono, moved: now.Mono,
			raised: make(map[rules.AlarmID]uint64), since: make(map[rules.AlarmID]sensors.Instant)}
		s.rooms[id] = w
	}
	return w
}

// Restore takes over the alarms that the sentinel's Desk still has open after
// a restart, so that a room that came back meanwhile gets its follow-up. Until
// a room speaks again it counts as it was: a restart makes nobody well.
func (s *Sentinel) Restore(now sensors.Instant, open []NoticeView) {
	for i := range open {
		for _, m := range open[i].Notice.Members {
			if !m.Active() {
				continue
			}
			w := s.room(now, m.Key.Subject)
			w.raised[m.Key.Alarm], w.since[m.Key.Alarm] = m.Seq, m.Since
			switch m.Key.Alarm {
			case RoomSilent:
				w.seen = m.Since.Mono - s.opt.SilentAfter
				w.moved = w.seen
			case rules.ClockUnset:
				w.clockWrong = true
			case rules.DeliveryStalled:
				w.stallSince = max(m.Since.Mono-s.opt.StallFor, 1)
			}
		}
	}
}

// Status takes in a room's status topic. A retained "online" shows that the
// room exists, not that it lives, and no "online" that its rounds end.
func (s *Sentinel) Status(now sensors.Instant, room string, online, retained bool) []rules.Transition {
	w := s.room(now, room)
	w.offline = !online
	if online && !retained {
		w.seen = now.Mono
	}
	return s.judge(now, room, w, false, false)
}

// Heartbeat takes in a heartbeat that was not retained.
func (s *Sentinel) Heartbeat(now sensors.Instant, h Heartbeat) []rules.Transition {
	w := s.room(now, h.Room)
	w.gap = now.Mono - w.seen
	w.seen, w.offline = now.Mono, false
	if h.Cycle != w.cycle {
		w.cycle, w.moved, w.granted = h.Cycle, now.Mono, false
	}
	w.clockWrong = !h.ClockSet
	w.clockOff = 0
	if now.Synced { // else ours is no better
		w.clockOff = h.Time.Sub(now.Wall)
		w.clockWrong = w.clockWrong || w.clockOff.Abs() >= s.opt.ClockOff
	}
	w.stalled = h.Stalled
	switch {
	case len(h.Stalled) == 0:
		w.stallSince = 0
	case w.stallSince == 0:
		w.stallSince = now.Mono
	}
	return s.judge(now, h.Room, w, false, false)
}

// Connection tells whether the sentinel itself reaches the broker. While it
// does not, it judges no room and no time counts; afterwards every room gets its
// full time anew, but once only until it shows that it lives: a connection that
// comes and goes hides no dead room.
func (s *Sentinel) Connection(now sensors.Instant, up bool) {
	if !up && !s.blind {
		s.since = now.Mono
	}
	if s.blind && up {
		for _, w := range s.rooms {
			switch {
			case w.raised[RoomSilent] != 0:
			case w.granted || w.offline:
				w.seen += now.Mono - s.since
				w.moved += now.Mono - s.since
			default:
				w.seen, w.moved, w.granted = now.Mono, now.Mono, true
			}
		}
	}
	s.blind = !up
}

// manyRooms silent at once have one cause: a broker, a supply, a network.
const manyRooms = 3

// Tick lets time pass. Rooms that fall silent together share a cause, and those
// that are late already do not come one by one after the first.
func (s *Sentinel) Tick(now sensors.Instant) []rules.Transition {
	var ts []rules.Transition
	all := slices.Sorted(maps.Keys(s.rooms))
	early := !s.blind && slices.ContainsFunc(all, func(id string) bool {
		w := s.rooms[id]
		return w.raised[RoomSilent] == 0 && s.silent(now, w)
	})
	silent := 0
	for _, id := range all {
		w := s.rooms[id]
		for _, t := range s.judge(now, id, w, true, (early || w.raised[RoomSilent] != 0) && s.late(now, w)) {
			if t.Key.Alarm == RoomSilent && t.To == alarm.Unack {
				silent++
			}
			ts = append(ts, t)
		}
	}
	for i := range ts {
		if t := &ts[i]; silent >= manyRooms && t.Key.Alarm == RoomSilent && t.To == alarm.Unack {
			t.Cause.ID = ""
		}
	}
	return ts
}

// silent reports whether a room has given no sign, or ended no round, for too long.
func (s *Sentinel) silent(now sensors.Instant, w *watched) bool {
	return now.Mono-min(w.seen, w.moved) >= s.opt.SilentAfter
}

// late reports whether a room should have beaten before now.
func (s *Sentinel) late(now sensors.Instant, w *watched) bool {
	return w.gap > 0 && now.Mono-w.seen >= max(s.opt.SilentAfter/2, 3*w.gap/2)
}

// judge compares one room with the limits. That it is silent is found out by Tick
// alone, with the others.
func (s *Sentinel) judge(now sensors.Instant, id string, w *watched, tick, late bool) []rules.Transition {
	if s.blind {
		return nil
	}
	var ts []rules.Transition
	quiet, stuck := now.Mono-w.seen, now.Mono-w.moved
	silent := late || s.silent(now, w)
	if silent && !tick && w.raised[RoomSilent] == 0 {
		return nil
	}
	is := alarm.Fact{ID: alarm.FactID(RoomSilent), For: quiet}
	switch {
	case silent && !late && quiet < s.opt.SilentAfter:
		is.ID, is.For = alarm.FactNoRounds, stuck
	case silent && w.offline:
		is.ID = alarm.FactWentOffline
	}
	ts = s.set(ts, now, id, w, RoomSilent, silent, rules.Wake, is)
	if silent {
		return ts // what it said last no longer counts, for better or worse
	}
	is = alarm.Fact{ID: alarm.FactID(rules.ClockUnset), For: w.clockOff.Abs()}
	switch off := w.clockOff; {
	case off <= -s.opt.ClockOff:
		is.ID = alarm.FactClockSlow
	case off >= s.opt.ClockOff:
		is.ID = alarm.FactClockFast
	}
	ts = s.set(ts, now, id, w, rules.ClockUnset, w.clockWrong, rules.Today, is)
	stalled := w.stallSince > 0 && now.Mono-w.stallSince >= s.opt.StallFor
	is = alarm.Fact{ID: alarm.FactRoomStalled, About: strings.Join(w.stalled, ", ")}
	return s.set(ts, now, id, w, rules.DeliveryStalled, stalled, rules.Wake, is)
}

// set raises or clears one alarm where it changes.
func (s *Sentinel) set(ts []rules.Transition, now sensors.Instant, id string, w *watched, a rules.AlarmID,
	active bool, p rules.Priority, is alarm.Fact) []rules.Transition {
	open := w.raised[a] != 0
	if active == open {
		return ts
	}
	t := rules.Transition{At: now, Key: rules.Key{Alarm: a, Subject: id}, Priority: p,
		Cause:  rules.Cause{Kind: rules.CauseDewline, ID: id},
		Detail: rules.Detail{Place: alarm.Place{Room: id}, Is: is, Active: active, Turn: alarm.TurnActive}}
	if active {
		// Running time makes an onset that no restart can repeat.
		w.raised[a], w.since[a] = uint64(now.Mono.Milliseconds())+1, now
		t.From, t.To = alarm.Norm, alarm.Unack
	} else {
		t.From, t.To, t.Detail.Turn = alarm.Unack, alarm.Norm, alarm.TurnOver
	}
	t.Seq, t.Since = w.raised[a], w.since[a]
	if !active {
		delete(w.raised, a)
		delete(w.since, a)
	}
	return append(ts, t)
}
