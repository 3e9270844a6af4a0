package alert

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// A watchRig is a sentinel with a Desk of its own.
type watchRig struct {
	*rig
	s *Sentinel
}

func newWatchRig(t *testing.T, rooms ...string) *watchRig {
	r := newRig(t, Options{Room: "sentinel"})
	return &watchRig{r, NewSentinel(r.now, SentinelOptions{ID: "sentinel", Rooms: rooms})}
}

// beat lets d pass with the rooms' heartbeats every 30 s.
func (w *watchRig) beat(d time.Duration, hs ...Heartbeat) {
	for end := w.now.Mono + d; w.now.Mono < end; {
		w.pass(30 * time.Second)
		for _, h := range hs {
			h.Time = h.Time.Add(w.now.Wall.Sub(t0))
			if h.Cycle == 0 {
				h.Cycle = uint64(w.now.Mono)
			}
			w.transitions(w.s.Heartbeat(w.now, h)...)
		}
		w.transitions(w.s.Tick(w.now)...)
	}
}

func well(room string) Heartbeat { return Heartbeat{Room: room, Time: t0, ClockSet: true} }

func (w *watchRig) kinds() []string {
	var out []string
	for _, d := range w.got {
		a, _, _ := strings.Cut(d.NoticeID, "/")
		out = append(out, string(d.Kind)+" "+a+" "+strings.Join(d.Message.Subjects, ","))
	}
	return out
}

func (w *watchRig) wantKinds(want ...string) {
	w.t.Helper()
	if got := w.kinds(); !slices.Equal(got, want) {
		w.t.Errorf("told %q, want %q", got, want)
	}
}

func TestSentinel_daemonDiesAndComesBack(t *testing.T) {
	w := newWatchRig(t, "attic", "cellar")
	w.beat(time.Hour, well("attic"), well("cellar"))
	w.wantKinds()
	w.transitions(w.s.Status(w.now, "attic", false, false)...) // the will
	w.beat(2*time.Minute+30*time.Second, well("cellar"))
	w.wantKinds() // a restart is allowed its minutes
	w.beat(time.Minute, well("cellar"))
	w.wantKinds("raise room-silent attic")
	if m := w.got[0].Message; m.Priority != alarm.Wake || !strings.Contains(m.Text, "went offline") {
		t.Errorf("message: %+v", m)
	}
	w.ack(w.got[0].NoticeID, "una")
	w.beat(6*time.Hour, well("cellar"))
	w.transitions(w.s.Status(w.now, "attic", true, false)...)
	w.beat(time.Hour, well("attic"), well("cellar"))
	w.wantKinds("raise room-silent attic", "followup room-silent attic")
	// The next silence is another notice.
	w.beat(5*time.Minute, well("cellar"))
	if last := w.got[len(w.got)-1]; last.Kind != Raise || last.NoticeID == w.got[0].NoticeID {
		t.Errorf("second silence: %v %s", last.Kind, last.NoticeID)
	}
}

func TestSentinel_neverSeen(t *testing.T) {
	w := newWatchRig(t, "attic")
	// What the broker retained from long ago is no sign of life.
	w.transitions(w.s.Status(w.now, "attic", true, true)...)
	w.beat(4 * time.Minute)
	w.wantKinds("raise room-silent attic")
}

func TestSentinel_standingStill(t *testing.T) {
	w := newWatchRig(t, "attic")
	h := well("attic")
	h.Cycle = 7
	w.beat(5*time.Minute, h)
	w.wantKinds("raise room-silent attic")
	if text := w.got[0].Message.Text; !strings.Contains(text, "no round of readings") {
		t.Errorf("text: %s", text)
	}
}

func TestSentinel_clockAndDelivery(t *testing.T) {
	tests := []struct {
		name string
		h    Heartbeat
		want []string
		text string
	}{
		{"a minute off", Heartbeat{Room: "attic", Time: t0.Add(time.Minute), ClockSet: true}, nil, ""},
		{"two weeks off", Heartbeat{Room: "attic", Time: t0.Add(-14 * 24 * time.Hour), ClockSet: true},
			[]string{"raise clock-unset attic"}, "Room attic: its clock is slow by 14 days"},
		{"an hour ahead", Heartbeat{Room: "attic", Time: t0.Add(75 * time.Minute), ClockSet: true},
			[]string{"raise clock-unset attic"}, "Room attic: its clock is fast by 75 min"},
		{"not set", Heartbeat{Room: "attic", Time: t0}, []string{"raise clock-unset attic"}, "Room attic: the clock is not set: day and night are not known, and times on record may be wrong"},
		{"mail stalled", Heartbeat{Room: "attic", Time: t0, ClockSet: true, Stalled: []string{"mail"}},
			[]string{"raise delivery-stalled attic"}, "Room attic: it cannot deliver over mail"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			w := newWatchRig(t, "attic")
			w.beat(8*time.Minute, tt.h)
			w.wantKinds(tt.want...)
			if len(w.got) > 0 {
				if text, _, _ := strings.Cut(w.got[0].Message.Text, "\n"); text != tt.text {
					t.Errorf("told %q, want %q", text, tt.text)
				}
				w.ack(w.got[0].NoticeID, "una")
			}
			w.beat(5*time.Minute, well("attic"))
			if n := len(tt.want); n > 0 && (len(w.got) != 2 || w.got[1].Kind != FollowUp) {
				t.Errorf("after recovery: %q", w.kinds())
			}
		})
	}
}

// A sentinel that lost its own connection must not cry over every room, but says that
// it watches none, once, also across a restart.
func TestSentinel_ownOutage(t *testing.T) {
	w := newWatchRig(t, "attic")
	w.beat(time.Minute, well("attic"))
	w.s.Connection(w.now, false)
	w.beat(5*time.Minute - 30*time.Second)
	w.wantKinds()
	w.beat(time.Minute)
	w.wantKinds("raise delivery-stalled sentinel")
	if m := w.got[0].Message; !strings.Contains(m.Text, "watches no room") {
		t.Errorf("message: %+v", m)
	}
	w.restart()
	w.s = NewSentinel(w.now, SentinelOptions{ID: "sentinel", Rooms: []string{"attic"}})
	w.s.Connection(w.now, false)
	w.transitions(w.s.Restore(w.now, w.desk.Open())...)
	w.beat(3 * time.Hour)
	w.wantKinds("raise delivery-stalled sentinel")
	w.s.Connection(w.now, true)
	w.beat(2 * time.Minute)
	w.wantKinds("raise delivery-stalled sentinel", "followup delivery-stalled sentinel")
	w.beat(2 * time.Minute)
	w.wantKinds("raise delivery-stalled sentinel", "followup delivery-stalled sentinel", "raise room-silent attic")
}

// A room that the configuration names no longer is let go at a restart.
func TestSentinel_roomNoLongerWatched(t *testing.T) {
	w := newWatchRig(t, "attic", "cellar")
	w.beat(4*time.Minute, well("cellar"))
	w.restart()
	w.s = NewSentinel(w.now, SentinelOptions{ID: "sentinel", Rooms: []string{"cellar"}})
	w.transitions(w.s.Restore(w.now, w.desk.Open())...)
	w.beat(time.Hour, well("cellar"))
	w.wantKinds("raise room-silent attic", "followup room-silent attic")
}

// The room comes back while the sentinel itself is being restarted.
func TestSentinel_restart(t *testing.T) {
	w := newWatchRig(t, "attic")
	w.beat(4 * time.Minute)
	w.wantKinds("raise room-silent attic")
	w.restart()
	w.s = NewSentinel(w.now, SentinelOptions{Rooms: []string{"attic"}})
	w.s.Restore(w.now, w.desk.Open())
	w.beat(3*time.Minute, well("attic"))
	w.wantKinds("raise room-silent attic", "followup room-silent attic")
}

// A room that is still dead after the sentinel's restart is not well, however
// old the broker's word about it; nor is one whose clock was wrong.
func TestSentinel_restartMakesNobodyWell(t *testing.T) {
	w := newWatchRig(t, "attic", "cellar", "den")
	wrong := Heartbeat{Room: "cellar", Time: t0}
	stuck := Heartbeat{Room: "den", Time: t0, ClockSet: true, Stalled: []string{"mail"}}
	w.beat(8*time.Minute, wrong, stuck)
	before := len(w.got)
	w.restart()
	w.s = NewSentinel(w.now, SentinelOptions{Rooms: []string{"attic", "cellar", "den"}})
	w.s.Connection(w.now, false)
	w.s.Restore(w.now, w.desk.Open())
	w.s.Connection(w.now, true)
	w.transitions(w.s.Status(w.now, "attic", false, true)...)
	w.pass(time.Minute)
	w.transitions(w.s.Tick(w.now)...)
	w.pass(time.Minute)
	for _, d := range w.got[before:] {
		if d.Kind == FollowUp {
			t.Errorf("%s was called over: %s", d.NoticeID, d.Message.Title)
		}
	}
	w.beat(2*time.Minute, well("attic"), well("cellar"), well("den"))
	over := map[string]bool{}
	for _, d := range w.got[before:] {
		if d.Kind == FollowUp {
			over[d.NoticeID] = true
		}
	}
	if len(over) != 3 {
		t.Errorf("%d notices were called over once all rooms spoke, want 3", len(over))
	}
}

// A sentinel whose own connection comes and goes still tells of a dead room, and of
// none that lives.
func TestSentinel_FlappingConnection(t *testing.T) {
	w := newWatchRig(t, "attic", "cellar")
	w.beat(10*time.Minute, well("attic"), well("cellar"))
	for range 20 {
		w.pass(2 * time.Second)
		w.s.Connection(w.now, true)
		w.transitions(w.s.Status(w.now, "attic", false, true)...) // the broker kept its will
		for range 29 {
			w.pass(2 * time.Second)
			h := well("cellar")
			h.Time, h.Cycle = w.now.Wall, uint64(w.now.Mono)
			w.transitions(w.s.Heartbeat(w.now, h)...)
			w.transitions(w.s.Tick(w.now)...)
		}
		w.s.Connection(w.now, false)
	}
	if len(w.got) == 0 || w.got[0].Message.Subjects[0] != "attic" {
		t.Fatalf("told %q, want that attic is silent", w.kinds())
	}
	for _, d := range w.got {
		if slices.Contains(d.Message.Subjects, "cellar") {
			t.Error("a living room is told silent")
		}
	}
}

// 200 rooms that fall silent together, each in its own second of the half minute
// between heartbeats, are one notice, and the first is told as soon as alone.
func TestSentinel_ManyRoomsAtOnce(t *testing.T) {
	var rooms []string
	for i := range 200 {
		rooms = append(rooms, fmt.Sprintf("room-%03d", i))
	}
	w := newWatchRig(t, rooms...)
	second := func(alive func(i int) bool) {
		w.pass(time.Second)
		for i, id := range rooms {
			if int(w.now.Mono/time.Second)%30 == i%30 && alive(i) {
				h := well(id)
				h.Time, h.Cycle = w.now.Wall, uint64(w.now.Mono)
				w.transitions(w.s.Heartbeat(w.now, h)...)
			}
		}
		w.transitions(w.s.Tick(w.now)...)
	}
	for range 300 {
		second(func(int) bool { return true })
	}
	w.wantKinds()
	for range 6 * 60 {
		second(func(i int) bool { return i == 7 }) // one lives
	}
	ids := map[string]bool{}
	named := map[string]bool{}
	for _, d := range w.got {
		ids[d.NoticeID] = true
		for _, r := range d.Message.Subjects {
			named[r] = true
		}
	}
	if slices.ContainsFunc(w.got, func(d Delivery) bool { return d.Kind == FollowUp }) {
		t.Error("told over while they are silent")
	}
	if len(ids) != 1 || len(named) != 199 || named["room-007"] {
		t.Errorf("%d notices that name %d rooms, want 1 and 199", len(ids), len(named))
	}
	if len(w.got) > 0 {
		t.Logf("%d messages in 6 min; the first: %s", len(w.got), w.got[0].Message.Title)
	}
}

// What the sentinel waits for ends to the second.
func TestSentinel_AtItsLimits(t *testing.T) {
	raised := func(ts []rules.Transition) (list []string) {
		for _, x := range ts {
			list = append(list, string(x.Key.Alarm)+" "+string(x.Detail.Is.ID)+" "+x.To.String())
		}
		return list
	}
	const silent = 3 * time.Minute
	at := func(d time.Duration) sensors.Instant {
		return sensors.Instant{Mono: time.Hour + d, Wall: t0.Add(d), Synced: true}
	}
	beat := func(d time.Duration, cycle uint64, off time.Duration, stalled ...string) Heartbeat {
		return Heartbeat{Room: "attic", Time: t0.Add(d + off), ClockSet: true, Cycle: cycle, Stalled: stalled}
	}
	watch := func() *Sentinel {
		s := NewSentinel(at(-time.Minute), SentinelOptions{Rooms: []string{"attic"}})
		s.Heartbeat(at(-30*time.Second), beat(-30*time.Second, 1, 0))
		s.Heartbeat(at(0), beat(0, 2, 0))
		return s
	}
	for _, c := range []struct {
		name string
		then func(s *Sentinel) []rules.Transition
		want []string
	}{
		{"nearly silent", func(s *Sentinel) []rules.Transition { return s.Tick(at(silent - 1)) }, nil},
		{"silent", func(s *Sentinel) []rules.Transition { return s.Tick(at(silent)) }, []string{"room-silent room-silent UNACK"}},
		{"its rounds stand still", func(s *Sentinel) []rules.Transition {
			s.Heartbeat(at(silent-time.Second), beat(silent-time.Second, 2, 0))
			return s.Tick(at(silent))
		}, []string{"room-silent no-rounds UNACK"}},
		{"it said goodbye", func(s *Sentinel) []rules.Transition {
			s.Status(at(time.Second), "attic", false, false)
			return s.Tick(at(silent))
		}, []string{"room-silent went-offline UNACK"}},
		{"its clock is 5 min slow", func(s *Sentinel) []rules.Transition {
			return s.Heartbeat(at(time.Minute), beat(time.Minute, 3, -5*time.Minute))
		}, []string{"clock-unset clock-slow UNACK"}},
		{"less", func(s *Sentinel) []rules.Transition {
			return s.Heartbeat(at(time.Minute), beat(time.Minute, 3, -5*time.Minute+1))
		}, nil},
		{"5 min fast", func(s *Sentinel) []rules.Transition {
			return s.Heartbeat(at(time.Minute), beat(time.Minute, 3, 5*time.Minute))
		}, []string{"clock-unset clock-fast UNACK"}},
		{"a channel of it stalls for less than 5 min", func(s *Sentinel) []rules.Transition {
			s.Heartbeat(at(time.Second), beat(time.Second, 3, 0, "mail"))
			s.Heartbeat(at(2*time.Minute), beat(2*time.Minute, 4, 0, "mail"))
			s.Heartbeat(at(4*time.Minute), beat(4*time.Minute, 5, 0, "mail"))
			return s.Tick(at(5*time.Minute + time.Second - 1))
		}, nil},
		{"for 5 min", func(s *Sentinel) []rules.Transition {
			s.Heartbeat(at(time.Second), beat(time.Second, 3, 0, "mail"))
			s.Heartbeat(at(2*time.Minute), beat(2*time.Minute, 4, 0, "mail"))
			s.Heartbeat(at(4*time.Minute), beat(4*time.Minute, 5, 0, "mail"))
			return s.Tick(at(5*time.Minute + time.Second))
		}, []string{"delivery-stalled room-stalled UNACK"}},
	} {
		s := watch()
		if got := raised(c.then(s)); !slices.Equal(got, c.want) {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
	// With one room silent, another is late after half the time, or after missing one and
	// a half of its beats.
	for _, c := range []struct {
		every, quiet time.Duration
		want         int
	}{
		{30 * time.Second, 90 * time.Second, 2}, {30 * time.Second, 90*time.Second - 1, 1},
		{80 * time.Second, 2 * time.Minute, 2}, {80 * time.Second, 2*time.Minute - 1, 1},
	} {
		s := NewSentinel(at(0), SentinelOptions{Rooms: []string{"attic", "cellar"}})
		last := silent - c.quiet
		s.Heartbeat(at(last-c.every), Heartbeat{Room: "cellar", Time: t0.Add(last - c.every), ClockSet: true, Cycle: 1})
		s.Heartbeat(at(last), Heartbeat{Room: "cellar", Time: t0.Add(last), ClockSet: true, Cycle: 2})
		if ts := s.Tick(at(silent)); len(ts) != c.want {
			t.Errorf("beats every %v, none for %v: %d alarms", c.every, c.quiet, len(ts))
		}
	}
	// An onset is new in each run, also one at its very start.
	s := NewSentinel(sensors.Instant{}, SentinelOptions{})
	w := s.room(sensors.Instant{}, "attic")
	if ts := s.set(nil, sensors.Instant{}, "attic", w, RoomSilent, true, alarm.Wake, alarm.Fact{}); len(ts) != 1 || ts[0].Seq != 1 {
		t.Errorf("%+v", ts)
	}
}

// Two boards with one room id: the life of one hides neither the death of the other
// nor its trouble, also after a restart of the sentinel, and both are told of. A
// start, a new card and a renamed board make no second one.
func TestSentinel_TwoBoardsOfOneRoom(t *testing.T) {
	for _, c := range []struct {
		name     string
		one, two Heartbeat
	}{
		{"by instance", Heartbeat{Instance: "one", Run: "a"}, Heartbeat{Instance: "two", Run: "b"}},
		{"a copied card", Heartbeat{Instance: "one", Run: "a"}, Heartbeat{Instance: "one", Run: "b"}},
		{"one of an older version", Heartbeat{Instance: "one", Run: "a"}, Heartbeat{}},
	} {
		t.Run(c.name, func(t *testing.T) {
			for _, h := range []*Heartbeat{&c.one, &c.two} {
				h.Room, h.Time, h.ClockSet = "attic", t0, true
			}
			w := newWatchRig(t, "attic")
			w.beat(5*time.Minute, c.one)
			w.beat(5*time.Minute, c.one, c.two)
			w.wantKinds("raise duplicate-room attic")
			w.beat(4*time.Minute, c.two)
			w.wantKinds("raise duplicate-room attic", "raise room-silent attic")
			if _, fx, err := w.desk.Acknowledge(w.now, w.got[1].NoticeID, 0, "una"); err != nil {
				t.Fatal(err)
			} else {
				w.absorb(fx)
			}
			again := func() {
				w.restart()
				w.s = NewSentinel(w.now, SentinelOptions{Rooms: []string{"attic"}})
				w.s.Restore(w.now, w.desk.Open())
			}
			again()
			n := len(w.got)
			w.beat(20*time.Minute, c.two)
			for _, d := range w.got[n:] {
				if strings.HasPrefix(d.NoticeID, "room-silent") {
					t.Errorf("while it is silent: %s", d.Message.Title)
				}
			}
			w.beat(5*time.Minute, c.one, c.two)
			if last := w.got[len(w.got)-1]; last.Kind != FollowUp || !strings.HasPrefix(last.NoticeID, "room-silent") {
				t.Errorf("after its return: %q", w.kinds())
			}
			n = len(w.got)
			stuck := c.one
			stuck.Stalled = []string{"mail"}
			w.beat(8*time.Minute, stuck, c.two)
			if got := w.kinds()[n:]; !slices.Contains(got, "raise delivery-stalled attic") {
				t.Errorf("a channel of one stalls: %q", got)
			}
			w.beat(5*time.Minute, c.one, c.two)
			again()
			n = len(w.got)
			w.beat(5*time.Minute, c.one, c.two)
			if got := w.kinds()[n:]; slices.Contains(got, "raise room-silent attic") {
				t.Errorf("both speak after a restart of the sentinel: %q", got)
			}
			again() // and one of them dies before it spoke
			n = len(w.got)
			w.beat(5*time.Minute, c.two)
			if got := w.kinds()[n:]; !slices.Contains(got, "raise room-silent attic") {
				t.Errorf("one has been silent since a restart of the sentinel: %q", got)
			}
			w.beat(26*time.Hour, c.two)
			w.beat(time.Hour, c.two)
			for _, v := range w.desk.Open() {
				t.Errorf("a day after one was put away: %s is open", v.Notice.ID)
			}
		})
	}
	w := newWatchRig(t, "attic")
	for i := range 50 { // started again, on another card, renamed and back
		h := well("attic")
		h.Instance, h.Run = fmt.Sprint("card", i/10), fmt.Sprint("run", i)
		w.beat(30*time.Second, h)
		if i%7 == 0 && i > 0 { // the last word of the one before comes late
			h.Run, h.Time, h.Cycle = fmt.Sprint("run", i-1), w.now.Wall, 1
			w.transitions(w.s.Heartbeat(w.now, h)...)
			h = well("attic")
			h.Instance, h.Run = fmt.Sprint("card", i/10), fmt.Sprint("run", i)
		}
		w.beat(2*time.Minute, h)
	}
	w.wantKinds()
}

// A sentinel whose board slept, or that did not run for a while, heard nobody: it cries over
// no room that lives, and tells of one that does not, also where it sleeps again and again.
func TestSentinel_SleptItself(t *testing.T) {
	for _, off := range []time.Duration{2 * time.Minute, 5 * time.Minute, 8 * time.Hour} {
		for _, awake := range []time.Duration{time.Minute, 4 * time.Minute} {
			w := newWatchRig(t, "attic", "cellar")
			w.beat(time.Hour, well("attic"), well("cellar"))
			for range 4 * time.Minute / awake {
				w.now = w.now.Add(off)
				w.transitions(w.s.Tick(w.now)...)
				w.beat(awake, well("cellar"))
			}
			if got := w.kinds(); len(got) == 0 || slices.ContainsFunc(got, func(s string) bool { return s != "raise room-silent attic" }) {
				t.Errorf("asleep for %v, awake for %v: told %q", off, awake, got)
			}
		}
	}
}

// A sentinel that does not know the time any more cannot say that a room's clock is right
// again, also after a restart; that of a room that was not set it can.
func TestSentinel_ItsOwnClockIsNotSet(t *testing.T) {
	for _, restarts := range []bool{false, true} {
		w := newWatchRig(t, "attic", "cellar")
		slow := Heartbeat{Room: "attic", Time: t0.Add(-time.Hour), ClockSet: true}
		w.beat(5*time.Minute, slow, Heartbeat{Room: "cellar", Time: t0})
		if len(w.got) == 0 {
			t.Fatal("told of no clock")
		}
		n := len(w.got)
		if w.now.Synced = false; restarts {
			w.restart()
			w.s = NewSentinel(w.now, SentinelOptions{Rooms: []string{"attic", "cellar"}})
			w.s.Restore(w.now, w.desk.Open())
		}
		w.beat(5*time.Minute, slow, well("cellar"))
		clocks := func() (open []string) {
			for _, v := range w.desk.Open() {
				for _, m := range v.Notice.Members {
					if m.Active() {
						open = append(open, m.Key.Subject)
					}
				}
			}
			return open
		}
		if got := clocks(); !slices.Equal(got, []string{"attic"}) {
			t.Errorf("restart %v: clocks that are wrong: %q, told since: %q", restarts, got, w.kinds()[n:])
		}
		w.now.Synced = true
		w.beat(5*time.Minute, well("attic"), well("cellar"))
		if got := clocks(); len(got) > 0 {
			t.Errorf("restart %v: both are right, and open is %q", restarts, got)
		}
	}
}

// Two sentinels of one name: a room that hears one does not miss the other, so each tells of
// the other, once, also across a restart, and of its end.
func TestSentinel_AnotherOfItsName(t *testing.T) {
	w := newWatchRig(t, "attic")
	w.beat(time.Minute, well("attic"))
	both := func(d time.Duration) {
		for range d / (30 * time.Second) {
			w.transitions(w.s.Other(w.now, "abcd2345")...)
			w.beat(30*time.Second, well("attic"))
		}
	}
	both(5 * time.Minute)
	w.wantKinds("raise duplicate-room sentinel")
	w.restart()
	w.s = NewSentinel(w.now, SentinelOptions{ID: "sentinel", Rooms: []string{"attic"}})
	w.transitions(w.s.Restore(w.now, w.desk.Open())...)
	w.beat(time.Minute, well("attic"))
	both(5 * time.Minute)
	w.wantKinds("raise duplicate-room sentinel")
	w.beat(4*time.Minute, well("attic"))
	w.wantKinds("raise duplicate-room sentinel", "followup duplicate-room sentinel")
	t.Logf("%s\n%s", w.got[0].Message.Title, w.got[0].Message.Text)
}
