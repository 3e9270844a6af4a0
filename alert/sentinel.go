package alert

import (
	"cmp"
	"fmt"
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

// SentinelOptions are what a Sentinel works by. Zero fields take the defaults
// named.
type SentinelOptions struct {
	ID          string        // the sentinel's own, as of a room
	Rooms       []string      // that must show themselves
	SilentAfter time.Duration // 3 min
	ClockOff    time.Duration // difference of wall clocks that is wrong; 5 min
	StallFor    time.Duration // a channel must be reported stalled, or the broker be away, so long; 5 min
}

// A Sentinel watches rooms from another machine. It is pure; its transitions
// feed a Desk of its own, whose documents keep what was told. It is not safe
// for concurrent use.
type Sentinel struct {
	opt   SentinelOptions
	rooms map[string]*watched
	own   *watched      // what it tells of itself
	other time.Duration // when another sentinel last went by this one's id
	sight
}

// NewSentinel returns a Sentinel for which every listed room counts as last
// seen at now.
func NewSentinel(now sensors.Instant, o SentinelOptions) *Sentinel {
	o.SilentAfter = cmp.Or(o.SilentAfter, 3*time.Minute)
	o.ClockOff = cmp.Or(o.ClockOff, 5*time.Minute)
	o.StallFor = cmp.Or(o.StallFor, 5*time.Minute)
	s := &Sentinel{opt: o, rooms: make(map[string]*watched), own: newWatched()}
	for _, r := range o.Rooms {
		s.room(now, r)
	}
	return s
}

func (s *Sentinel) room(now sensors.Instant, id string) *watched {
	w := s.rooms[id]
	if w == nil {
		w = newWatched(newBoard(now, ""))
		s.rooms[id] = w
	}
	return w
}

// Restore takes over the alarms that the sentinel's Desk still has open after
// a restart, so that a room that came back meanwhile gets its follow-up. Until
// a room speaks again it counts as it was: a restart makes nobody well. A room that
// is no longer watched is let go: nobody would ever hear that it is well.
func (s *Sentinel) Restore(now sensors.Instant, open []NoticeView) (gone []rules.Transition) {
	for i := range open {
		n := &open[i].Notice
		for m := range n.each() {
			switch {
			case !m.Active():
			case m.Key.Subject == s.opt.ID:
				s.own.raised[m.Key.Alarm] = onset{m.Seq, m.Since}
			case slices.Contains(s.opt.Rooms, m.Key.Subject):
				s.restore(now, m)
			default:
				t := rules.Transition{Onset: alarm.Onset{Key: m.Key, Seq: m.Seq, Since: m.Since, Priority: m.Priority, Cause: n.Cause}, At: now, From: m.State, To: alarm.Norm}
				t.Text = fmt.Sprintf("Room %s is no longer watched.", m.Key.Subject)
				gone = append(gone, t)
			}
		}
	}
	return gone
}

// restore has a room be as an open alarm says that it was.
func (s *Sentinel) restore(now sensors.Instant, m *Member) {
	w := s.room(now, m.Key.Subject)
	w.raised[m.Key.Alarm] = onset{m.Seq, m.Since}
	switch m.Key.Alarm {
	case RoomSilent:
		if m.Detail.Is.ID == alarm.FactBoardSilent {
			w.boards[0].instance = m.Detail.Is.About
			w.awaitSecond(now)
		}
		for _, b := range w.boards { // whichever speaks first is not the silent one
			b.seen = m.Since.Mono - s.opt.SilentAfter
			b.moved = b.seen
		}
	case alarm.DuplicateRoom:
		w.awaitSecond(now)
	case alarm.ClockUnset:
		switch b := w.boards[0]; m.Detail.Is.ID {
		case alarm.FactClockSlow:
			b.clockWrong, b.clockOff = true, -m.Detail.Is.For
		case alarm.FactClockFast:
			b.clockWrong, b.clockOff = true, m.Detail.Is.For
		default:
			b.clockWrong = true
		}
	case alarm.DeliveryStalled:
		w.boards[0].stallSince = max(m.Since.Mono-s.opt.StallFor, 1)
	}
}

// Status takes in a room's status topic. A retained "online" shows that the
// room exists, not that it lives, and no "online" that its rounds end.
func (s *Sentinel) Status(now sensors.Instant, room string, online, retained bool) []rules.Transition {
	w := s.room(now, room)
	w.offline = !online
	if online && !retained && len(w.boards) == 1 { // else nobody knows which of them says so
		w.boards[0].seen = now.Mono
	}
	return s.judge(now, room, w, false, false)
}

// Heartbeat takes in a heartbeat that was not retained.
func (s *Sentinel) Heartbeat(now sensors.Instant, h Heartbeat) []rules.Transition {
	w := s.room(now, h.Room)
	b := w.speaker(now, &h)
	if b == nil {
		return nil
	}
	w.offline = false
	b.gap = now.Mono - b.seen
	b.seen = now.Mono
	if h.Cycle != b.cycle {
		b.cycle, b.moved, b.granted = h.Cycle, now.Mono, false
	}
	if now.Synced { // else ours is no better, and it is as it was
		b.clockOff = h.Time.Sub(now.Wall)
	}
	b.clockWrong = !h.ClockSet || b.clockOff.Abs() >= s.opt.ClockOff
	b.stalled = h.Stalled
	switch {
	case len(h.Stalled) == 0:
		b.stallSince = 0
	case b.stallSince == 0:
		b.stallSince = now.Mono
	}
	return s.judge(now, h.Room, w, false, false)
}

// Connection tells whether the sentinel itself reaches the broker. While it
// does not, it judges no room and no time counts; afterwards every room gets its
// full time anew, but once only until it shows that it lives: a connection that
// comes and goes hides no dead room.
func (s *Sentinel) Connection(now sensors.Instant, up bool) {
	if away := s.connection(now, up); away > 0 {
		for _, w := range s.rooms {
			worst := w.worst()
			for _, b := range w.boards {
				switch {
				case w.tells(RoomSilent) && b == worst:
				case b.granted || w.offline:
					b.seen, b.moved = min(b.seen+away, now.Mono), min(b.moved+away, now.Mono)
				default:
					b.seen, b.moved, b.granted = now.Mono, now.Mono, true
				}
			}
		}
	}
}

// Tick lets time pass. Rooms that fall silent together share a cause, and those
// that are late already do not come one by one after the first.
func (s *Sentinel) Tick(now sensors.Instant) []rules.Transition {
	var ts []rules.Transition
	if s.Sees() && s.looked > 0 && now.Mono-s.looked >= s.opt.SilentAfter/2 { // its board slept, or it stood still
		s.downSince = s.looked
		s.Connection(now, true)
	}
	all := slices.Sorted(maps.Keys(s.rooms))
	early := false
	for _, id := range all {
		w := s.rooms[id]
		if s.Sees() {
			w.forget(now)
			early = early || !w.tells(RoomSilent) && s.silent(now, w.worst())
		}
	}
	for _, id := range all {
		w := s.rooms[id]
		ts = append(ts, s.judge(now, id, w, true, (early || w.tells(RoomSilent)) && s.late(now, w.worst()))...)
	}
	return s.judgeSight(s.judgeOther(ts, now), now)
}

// Other takes in that another sentinel goes by this one's id, by its instance: a room that
// hears one of them does not miss the other.
func (s *Sentinel) Other(now sensors.Instant, instance string) []rules.Transition {
	s.other = now.Mono
	return s.set(nil, now, s.opt.ID, s.own, alarm.DuplicateRoom, true, alarm.Today,
		alarm.Fact{ID: alarm.FactID(alarm.DuplicateRoom), About: instance})
}

// judgeOther ends that once the other has been silent for long, also one of before the start.
func (s *Sentinel) judgeOther(ts []rules.Transition, now sensors.Instant) []rules.Transition {
	if !s.Sees() || s.other == 0 {
		s.other = now.Mono
	}
	return s.set(ts, now, s.opt.ID, s.own, alarm.DuplicateRoom, s.own.tells(alarm.DuplicateRoom) && now.Mono-s.other < s.opt.SilentAfter, alarm.Today, alarm.Fact{})
}

func (s *Sentinel) silent(now sensors.Instant, b *board) bool {
	return now.Mono-b.alive() >= s.opt.SilentAfter
}

func (s *Sentinel) late(now sensors.Instant, b *board) bool {
	return b.gap > 0 && now.Mono-b.seen >= max(s.opt.SilentAfter/2, 3*b.gap/2)
}

// judge compares one room with the limits. That it is silent is found out by Tick
// alone, with the others.
func (s *Sentinel) judge(now sensors.Instant, id string, w *watched, tick, late bool) []rules.Transition {
	if !s.Sees() {
		return nil
	}
	var ts []rules.Transition
	b := w.worst()
	quiet, stuck := now.Mono-b.seen, now.Mono-b.moved
	silent := late || s.silent(now, b)
	if silent && !tick && !w.tells(RoomSilent) {
		return nil
	}
	is := alarm.Fact{ID: alarm.FactID(RoomSilent), For: quiet}
	switch {
	case silent && len(w.boards) > 1:
		is = alarm.Fact{ID: alarm.FactBoardSilent, About: cmp.Or(b.instance, alarm.OlderBoard), Count: len(w.boards), For: now.Mono - b.alive()}
	case silent && !late && quiet < s.opt.SilentAfter:
		is.ID, is.For = alarm.FactNoRounds, stuck
	case silent && w.offline:
		is.ID = alarm.FactWentOffline
	}
	ts = s.set(ts, now, id, w, RoomSilent, silent, alarm.Wake, is)
	ts = s.set(ts, now, id, w, alarm.DuplicateRoom, len(w.boards) > 1, alarm.Today,
		alarm.Fact{ID: alarm.FactID(alarm.DuplicateRoom), About: w.others()})
	if silent {
		return ts // what it said last no longer counts, for better or worse
	}
	ts = s.judgeClock(ts, now, id, w)
	return s.judgeStall(ts, now, id, w)
}

// judgeClock looks at the clock that is wrong by most.
func (s *Sentinel) judgeClock(ts []rules.Transition, now sensors.Instant, id string, w *watched) []rules.Transition {
	b := slices.MaxFunc(w.boards, func(x, y *board) int { return cmp.Compare(x.wrong(), y.wrong()) })
	is := alarm.Fact{ID: alarm.FactID(alarm.ClockUnset), For: b.clockOff.Abs()}
	switch off := b.clockOff; {
	case off <= -s.opt.ClockOff:
		is.ID = alarm.FactClockSlow
	case off >= s.opt.ClockOff:
		is.ID = alarm.FactClockFast
	}
	return s.set(ts, now, id, w, alarm.ClockUnset, b.clockWrong, alarm.Today, is)
}

// judgeStall looks for channels by which a room's messages do not leave.
func (s *Sentinel) judgeStall(ts []rules.Transition, now sensors.Instant, id string, w *watched) []rules.Transition {
	var by []string
	stalled := false
	for _, b := range w.boards {
		if b.stallSince > 0 && now.Mono-b.stallSince >= s.opt.StallFor {
			by, stalled = append(by, b.stalled...), true
		}
	}
	is := alarm.Fact{ID: alarm.FactRoomStalled, About: strings.Join(by, ", ")}
	return s.set(ts, now, id, w, alarm.DeliveryStalled, stalled, alarm.Wake, is)
}

func (s *Sentinel) set(ts []rules.Transition, now sensors.Instant, id string, w *watched, a alarm.ID,
	active bool, p alarm.Priority, is alarm.Fact) []rules.Transition {
	if active == w.tells(a) {
		return ts
	}
	t := rules.Transition{At: now, Onset: alarm.Onset{Key: alarm.Key{Alarm: a, Subject: id}, Priority: p,
		Cause:  alarm.Cause{Kind: alarm.CauseDewline, ID: id},
		Detail: alarm.Detail{Is: is, Active: active, Turn: alarm.TurnActive}}}
	if w != s.own {
		t.Detail.Place.Room = id
	}
	if active {
		// Running time makes an onset that no restart can repeat.
		w.raised[a] = onset{uint64(now.Mono.Milliseconds()) + 1, now}
		t.From, t.To = alarm.Norm, alarm.Unack
	} else {
		t.From, t.To, t.Detail.Turn = alarm.Unack, alarm.Norm, alarm.TurnOver
	}
	t.Seq, t.Since = w.raised[a].seq, w.raised[a].since
	if !active {
		delete(w.raised, a)
	}
	return append(ts, t)
}

// steadyBroker: through a connection that comes and goes a sentinel sees nothing.
const steadyBroker = 30 * time.Second

// judgeSight tells that a sentinel without a broker watches nothing.
func (s *Sentinel) judgeSight(ts []rules.Transition, now sensors.Instant) []rules.Transition {
	passed, after := now.Mono-max(s.looked, min(s.downSince, now.Mono)), s.opt.StallFor
	if s.looked = now.Mono; !s.Sees() {
		s.down = min(s.down+passed, after)
	} else if s.down = max(s.down-passed, 0); now.Mono-s.upSince >= min(after, steadyBroker) {
		s.down = 0
	}
	is, told := alarm.Fact{}, s.own.tells(alarm.DeliveryStalled)
	blind := s.down >= after || told && s.down > 0
	switch {
	case blind:
		is = alarm.Fact{ID: alarm.FactSentinelBlind, For: s.down}
	case !s.Sees():
		return ts // not yet seen to work since a restart
	}
	return s.set(ts, now, s.opt.ID, s.own, alarm.DeliveryStalled, blind, alarm.Today, is)
}

// A sight is a sentinel's own view of the broker: without one it watches nothing, and
// silence says nothing.
type sight struct {
	downSince time.Duration // 0 while connected
	upSince   time.Duration
	down      time.Duration // how long it was away, less how long it was there since
	looked    time.Duration // when down was counted
}

// Sees reports whether the broker is reached now.
func (s *sight) Sees() bool { return s.downSince == 0 }

// connection takes in whether the broker is reached, and returns for how long it was
// away, where it is back.
func (s *sight) connection(now sensors.Instant, up bool) (away time.Duration) {
	if !up {
		if s.Sees() {
			s.downSince = max(now.Mono, 1)
		}
		return 0
	}
	if !s.Sees() {
		away = max(now.Mono-s.downSince, 1)
	}
	s.downSince, s.upSince = 0, now.Mono
	return away
}
