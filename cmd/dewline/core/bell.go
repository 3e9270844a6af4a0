package core

import (
	"time"

	"dewline/sensors"
)

// bellAfter is how long a wake notice may reach nobody before the sounder of the
// room calls: company is waited for 20 s, and a channel may take some seconds.
const bellAfter = 45 * time.Second

type bell struct {
	since   time.Duration // running time since when a wake notice reaches nobody
	waiting bool
}

// Sounds reports whether the sounder of the room is to call now: a wake notice is
// unanswered, and no other channel carries it to anybody. It says nothing of who
// hears that, so the notice goes on as without it.
func (c *Core) Sounds(now sensors.Instant) bool {
	s := c.roster.cfg.Sounder
	if !s.InUse() {
		return false
	}
	calling, unreached := c.desk.Calling(now)
	if calling && s.When == "always" {
		return true
	}
	if !unreached {
		c.bell = bell{}
		return false
	}
	if !c.bell.waiting {
		c.bell = bell{now.Mono, true}
	}
	return now.Mono-c.bell.since >= bellAfter
}
