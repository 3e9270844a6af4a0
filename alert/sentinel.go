package alert

import (
	"time"

	"dewline/rules"
	"dewline/sensors"
)

// RoomSilent is the sentinel's alarm: a room gives no sign of life.
const RoomSilent rules.AlarmID = "room-silent"

// A Heartbeat is the sign of life that a daemon sends regularly. Its JSON goes
// to the heartbeat topic and the outside address.
type Heartbeat struct {
	Room     string    `json:"room"`
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

// SentinelOptions are what a Sentinel works by.
type SentinelOptions struct {
	Rooms       []string      // that must show themselves; others join when seen
	SilentAfter time.Duration // 3 min
	ClockOff    time.Duration // difference of wall clocks that is wrong; 5 min
	StallFor    time.Duration // a stalled channel must be reported so long; 5 min
}

// A Sentinel watches rooms from another machine. It is pure, and its
// transitions feed a Desk.
type Sentinel struct{ opt SentinelOptions }

// NewSentinel returns a Sentinel for which every listed room counts as last
// seen at now.
func NewSentinel(now sensors.Instant, o SentinelOptions) *Sentinel { return &Sentinel{opt: o} }

// Status takes in a room's status topic. A retained "online" shows that the
// room exists, not that it lives.
func (s *Sentinel) Status(now sensors.Instant, room string, online, retained bool) []rules.Transition {
	return nil
}

// Heartbeat takes in a heartbeat that was not retained.
func (s *Sentinel) Heartbeat(now sensors.Instant, h Heartbeat) []rules.Transition { return nil }

// Tick lets time pass.
func (s *Sentinel) Tick(now sensors.Instant) []rules.Transition { return nil }
