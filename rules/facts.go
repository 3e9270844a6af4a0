package rules

import (
	"dewline/rules/event"
	"dewline/sensors"
)

// Facts returns what the estimators found since the last call: mists, dry-downs,
// nights and doses. Each is told once, by the values that the alarms are judged by.
func (e *Engine) Facts() []event.Event {
	out := e.lives.facts
	e.lives.facts = nil
	return out
}

// mostFacts are kept for somebody who never asks.
const mostFacts = 10_000

// Tell keeps a fact for the log.
func (ls *lives) Tell(now sensors.Instant, b event.Body) {
	if len(ls.facts) < mostFacts {
		ls.facts = append(ls.facts, event.New(now, b))
	}
}
