package alert

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"dewline/rules/alarm"
	"dewline/sensors"
)

const (
	// mostBoards bounds what whoever may write on the broker can make up.
	mostBoards = 4
	// crossing is how long the last word of a board may come after the first of the
	// one in its place.
	crossing = 10 * time.Second
	// secondKept is how long the silence of one of several boards is told: by then
	// it was renamed or put away.
	secondKept = 24 * time.Hour
)

// A Heartbeat is the sign of life that a daemon sends regularly. Its JSON goes
// to the heartbeat topic and the outside address.
type Heartbeat struct {
	Room     string    `json:"room"`
	Instance string    `json:"instance,omitempty"` // of the board
	Run      string    `json:"run,omitempty"`      // another at each start, and on a copied card
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

// A watched is what is known of one room.
type watched struct {
	boards  []*board           // that speak for it, at least one
	offline bool               // said so itself, or its will did
	raised  map[alarm.ID]onset // open alarms
}

type onset struct {
	seq   uint64
	since sensors.Instant
}

func newWatched(boards ...*board) *watched {
	return &watched{boards: boards, raised: make(map[alarm.ID]onset)}
}

// A board is one process that speaks for a room.
type board struct {
	instance, run string        // empty until it spoke; also of an older version
	former        *board        // whose place it took
	since         time.Duration // when it did
	seen          time.Duration // last live sign, running time
	gap           time.Duration // between its last two heartbeats
	granted       bool          // full time after a connection came back, since its cycle moved
	cycle         uint64
	moved         time.Duration // last time that cycle moved
	stallSince    time.Duration // 0: no channel stalled
	stalled       []string
	clockOff      time.Duration // its clock minus ours
	clockWrong    bool
}

func newBoard(now sensors.Instant, instance string) *board {
	return &board{instance: instance, seen: now.Mono, moved: now.Mono}
}

func (w *watched) tells(a alarm.ID) bool { return w.raised[a].seq != 0 }

// alive is when a board last showed that its rounds end.
func (b *board) alive() time.Duration { return min(b.seen, b.moved) }

// wrong orders boards by how wrong their clocks are.
func (b *board) wrong() time.Duration {
	if !b.clockWrong {
		return -1
	}
	return b.clockOff.Abs()
}

func (b *board) sends(h *Heartbeat) bool { return b.instance == h.Instance && b.run == h.Run }

func (w *watched) worst() *board {
	return slices.MinFunc(w.boards, func(x, y *board) int { return cmp.Compare(x.alive(), y.alive()) })
}

func (w *watched) others() string {
	var names []string
	for _, b := range w.boards[1:] {
		names = append(names, cmp.Or(b.instance, alarm.OlderBoard))
	}
	return strings.Join(names, ", ")
}

// speaker is the board that h is of; nil for one that says its last word. A new
// one was started again, or it is another: it takes a place, and whoever had that
// and speaks on is beside it.
func (w *watched) speaker(now sensors.Instant, h *Heartbeat) *board {
	for _, b := range w.boards {
		switch {
		case b.sends(h):
			return b
		case b.former == nil || !b.former.sends(h):
		case now.Mono-b.since < crossing:
			return nil
		default:
			return w.beside(now, b)
		}
	}
	b := w.place(h)
	if b.instance+b.run != "" {
		b.former, b.since = &board{instance: b.instance, run: b.run}, now.Mono
	}
	b.instance, b.run = h.Instance, h.Run
	return b
}

// place is what a new board takes: that of its own instance, or of nobody yet, or
// of whoever has been silent the longest.
func (w *watched) place(h *Heartbeat) *board {
	rank := func(b *board) int {
		switch b.instance {
		case h.Instance:
			return 0
		case "":
			return 1
		}
		return 2
	}
	return slices.MinFunc(w.boards, func(x, y *board) int {
		return cmp.Or(cmp.Compare(rank(x), rank(y)), cmp.Compare(x.seen, y.seen))
	})
}

// beside puts the former of b back: in the place of one that has not spoken since a
// restart of the sentinel, or of one of b's instance that has not since b did, which b must
// be, or in a place of its own.
func (w *watched) beside(now sensors.Instant, b *board) *board {
	back := newBoard(now, b.former.instance)
	back.run, b.former = b.former.run, nil
	for i, x := range w.boards {
		if x != b && (x.instance+x.run == "" && x.gap == 0 || x.instance == b.instance && x.seen < b.since) || len(w.boards) == mostBoards && x != b {
			w.boards[i] = back
			return back
		}
	}
	w.boards = append(w.boards, back)
	return back
}

// awaitSecond makes a place for another board, which spoke before a restart of the
// sentinel.
func (w *watched) awaitSecond(now sensors.Instant) {
	if len(w.boards) == 1 {
		w.boards = append(w.boards, newBoard(now, ""))
	}
}

// forget lets one of several boards go that has been silent for long.
func (w *watched) forget(now sensors.Instant) {
	for len(w.boards) > 1 {
		i := slices.IndexFunc(w.boards, func(b *board) bool { return now.Mono-b.alive() >= secondKept })
		if i < 0 {
			return
		}
		w.boards = slices.Delete(w.boards, i, i+1)
	}
}
