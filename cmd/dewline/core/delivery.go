package core

import (
	"cmp"
	"maps"
	"slices"

	"dewline/alert"
	"dewline/configs"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// watch raises delivery-stalled while a channel takes nothing over.
// Its notice leaves through the other channels.
func (s stalls) watch(p *parts, now sensors.Instant) Effects {
	var e Effects
	seen := map[string]bool{}
	for _, name := range p.desk.StalledChannels(now) {
		seen[name] = true
		if _, raised := s[name]; raised {
			continue
		}
		s[name] = false
		var steps []alarm.Step // as the catalogue has them
		if name == configs.ChannelSounder {
			steps = []alarm.Step{alarm.CheckSounder}
		}
		e.add(p.Set(now, rules.Condition{
			Steps: steps,
			Key:   alarm.Key{Alarm: alarm.DeliveryStalled, Subject: name}, Active: true, Priority: alarm.Today,
			Is: alarm.Fact{ID: alarm.FactID(alarm.DeliveryStalled), About: name}, Evidence: whyStalled(p.desk.Stats(now).Channels[name]),
		}))
	}
	for _, name := range slices.Sorted(maps.Keys(s)) {
		if !seen[name] && !s[name] {
			delete(s, name)
			e.add(p.Set(now, rules.Condition{Key: alarm.Key{Alarm: alarm.DeliveryStalled, Subject: name}}))
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

// stalls are the channels whose delivery-stalled is raised; true says that an earlier
// run raised it and that this one has not seen the channel work yet.
type stalls map[string]bool

func (s stalls) works(name string) {
	if _, raised := s[name]; raised {
		s[name] = false
	}
}
