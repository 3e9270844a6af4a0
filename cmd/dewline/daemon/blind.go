package daemon

import (
	"fmt"
	"time"

	"dewline/rules"
	"dewline/sensors"
)

// A gap of blindAtLeast is told; the alarm of it stays active for blindShown.
const (
	blindAtLeast = 5 * time.Minute
	blindShown   = 5 * time.Minute
)

// tellBlind raises blind-period for a while once it is known for how long nobody
// watched.
func (c *Core) tellBlind(now sensors.Instant) Effects {
	g, ok := c.engine.TakeGap()
	if !ok || g.For < blindAtLeast {
		return Effects{}
	}
	c.blindEnds = now.Mono + blindShown
	since := ""
	if !g.From.IsZero() {
		since = "from " + g.From.Format("2006-01-02 15:04 MST") + " "
	}
	var e Effects
	if !g.Ran {
		e = c.desked(c.desk.TimeOff(now, g.For))
	}
	e.add(c.Set(now, rules.Condition{
		Key: rules.Key{Alarm: rules.BlindPeriod, Subject: rules.Self}, Active: true, Priority: rules.Today,
		Value: g.For.Minutes(), HasValue: true, Unit: "min",
		Text:        fmt.Sprintf("Nobody watched %sfor %s: dewline was not running.", since, g.For.Round(time.Minute)),
		FirstAction: "Look at the enclosures; find out why dewline or its power was off.",
	}))
	return e
}
