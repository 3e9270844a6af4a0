package core

import (
	"strings"

	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// What the daemon says of itself becomes alarms in this file.

// duplicate says that another board answers for this room on the broker, by its
// instance; empty ends that.
func (p *parts) duplicate(now sensors.Instant, instance string) Effects {
	cond := rules.Condition{Key: alarm.Key{Alarm: alarm.DuplicateRoom, Subject: rules.Self}, Active: instance != "", Priority: alarm.Today}
	if instance != "" {
		cond.Is = alarm.Fact{ID: alarm.FactID(alarm.DuplicateRoom), About: Short(instance)}
	}
	return p.Set(now, cond)
}

// sentinelSilent says that a sentinel that watched this room is silent, or that it
// is not.
func (p *parts) sentinelSilent(now sensors.Instant, sentinel string, silent bool) Effects {
	return p.Set(now, rules.Condition{Key: alarm.Key{Alarm: alarm.SentinelSilent, Subject: sentinel}, Active: silent, Priority: alarm.Today})
}

// RecordIncomplete says that the record is not whole, and why; or that it is.
func (p *parts) RecordIncomplete(now sensors.Instant, ok bool, why alarm.Fact) Effects {
	return p.Set(now, rules.Condition{
		Key: alarm.Key{Alarm: alarm.RecordIncomplete, Subject: rules.Self}, Active: !ok, Priority: alarm.Today, Is: why,
	})
}

// LeftOut says what parts do not work for want of a secret; none ends that.
func (p *parts) LeftOut(now sensors.Instant, what []alarm.Fact) Effects {
	return p.Set(now, rules.Condition{
		Key: alarm.Key{Alarm: alarm.ConfigRefused, Subject: alarm.Secrets}, Active: len(what) > 0, Priority: alarm.Today,
		Is: alarm.Fact{ID: alarm.FactLeftOut, Count: len(what)}, Evidence: what, Steps: []alarm.Step{alarm.PutSecret},
	})
}

// NotGranted says what the broker does not let the room hear; none ends that.
func (p *parts) NotGranted(now sensors.Instant, what []string, grave bool) Effects {
	priority := alarm.Note
	if grave {
		priority = alarm.Today
	}
	return p.Set(now, rules.Condition{
		Key: alarm.Key{Alarm: alarm.ConfigRefused, Subject: alarm.Broker}, Active: len(what) > 0, Priority: priority,
		Is: alarm.Fact{ID: alarm.FactNotGranted, Count: len(what)}, Evidence: firstLines(strings.Join(what, "\n"), 3), Steps: []alarm.Step{alarm.GrantTopics},
	})
}

// ConfigRefused says that the file is refused, and what is in force is an earlier
// one or, where that was in force already, the file itself.
func (p *parts) ConfigRefused(now sensors.Instant, why string) Effects {
	first := alarm.MendConfig
	if strings.HasSuffix(why, RestartHint) {
		first = alarm.RestartDewline
	}
	return p.Set(now, rules.Condition{
		Key: alarm.Key{Alarm: alarm.ConfigRefused, Subject: rules.Self}, Active: why != "", Priority: alarm.Today,
		Evidence: firstLines(why, 3), Steps: []alarm.Step{first},
	})
}

// RestartHint ends the reason of a refusal that a restart cures.
const RestartHint = "systemctl restart dewline puts the changed file in force"

// firstLines are at most n lines of s, as facts.
func firstLines(s string, n int) (out []alarm.Fact) {
	lines := strings.Split(strings.TrimSpace(s), "\n")
	for _, line := range lines[:min(n, len(lines))] {
		out = append(out, alarm.Fact{ID: alarm.FactSaid, Note: line})
	}
	if more := len(lines) - n; more > 0 {
		out = append(out, alarm.Fact{ID: alarm.FactMore, Count: more})
	}
	return out
}
