package core

import (
	"cmp"
	"maps"
	"slices"

	"dewline/alert"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// A stall is a channel whose delivery-stalled alarm is raised.
type stall struct {
	// restored says that an earlier run raised it and that this one has not
	// seen the channel work yet.
	restored bool
}

// watchDelivery raises delivery-stalled while a channel takes nothing over.
// Its notice leaves through the other channels.
func (c *Core) watchDelivery(now sensors.Instant) Effects {
	var e Effects
	seen := map[string]bool{}
	for _, name := range c.desk.StalledChannels(now) {
		seen[name] = true
		if _, raised := c.stalled[name]; raised {
			continue
		}
		c.stalled[name] = stall{}
		e.add(c.Set(now, rules.Condition{
			Key: rules.Key{Alarm: rules.DeliveryStalled, Subject: name}, Active: true, Priority: rules.Today,
			Is: alarm.Fact{ID: alarm.FactID(rules.DeliveryStalled), About: name}, Evidence: whyStalled(c.desk.Stats(now).Channels[name]),
		}))
	}
	for _, name := range slices.Sorted(maps.Keys(c.stalled)) {
		if !seen[name] && !c.stalled[name].restored {
			delete(c.stalled, name)
			e.add(c.Set(now, rules.Condition{Key: rules.Key{Alarm: rules.DeliveryStalled, Subject: name}}))
		}
	}
	return e
}

// whyStalled is the last that was heard of a channel, if anything.
func whyStalled(s alert.ChannelStats) []alarm.Fact {
	if why := cmp.Or(s.DownWhy, s.LastError); why != "" {
		return []alarm.Fact{{ID: alarm.FactSaid, Note: why}}
	}
	return nil
}

// stalls are the channels whose alarm is raised.
type stalls map[string]stall

// works notes that a channel was seen to work in this run.
func (s stalls) works(name string) {
	if _, raised := s[name]; raised {
		s[name] = stall{}
	}
}

// Retry sends at once what waits because one of these channels failed, which
// were built anew.
func (c *Core) Retry(now sensors.Instant, channels []string) Effects {
	return c.desked(c.desk.Renewed(now, channels...))
}
