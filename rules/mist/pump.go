package mist

import (
	"time"

	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/rules/room"
)

// What contacts know of a mist, in place of a guess.

// pumpRuns returns for how long the pump has run, and whether that is longer than a
// mist lasts.
func (l look) pumpRuns(en *room.Enclosure) (runs time.Duration, long bool) {
	runs, on := l.v.Fact(en, configs.SensePump, true)
	return runs, on && runs > l.v.Mists[en.Mist].Cfg.Longest.D()
}

// pumpNow is what the pump of an enclosure that is soaked does now.
func (l look) pumpNow(en *room.Enclosure) []alarm.Fact {
	if runs, on := l.v.Fact(en, configs.SensePump, true); on {
		return []alarm.Fact{l.ago(alarm.FactPumpRuns, runs)}
	}
	if _, still := l.v.Fact(en, configs.SensePump, false); still {
		return []alarm.Fact{{ID: alarm.FactPumpStill}}
	}
	return nil
}

func (l look) ago(id alarm.FactID, span time.Duration) alarm.Fact {
	return l.v.Ago(alarm.Fact{ID: id}, l.v.At, span)
}

// early is how long before its time a pump may start: timers differ.
const early = 2 * time.Minute

// blame is why a mist is missing or weak, where contacts know: the power, an empty
// reservoir, a pump that stood, or a nozzle where it ran. Otherwise it is as guessed.
func (l look) blame(en *room.Enclosure, guess alarm.Cause) (alarm.Cause, []alarm.Fact) {
	if en.Mist < 0 { // no longer
		return guess, nil
	}
	supply := alarm.Cause{Kind: alarm.CauseSupply, ID: l.v.SupplyOf(en.Mist)}
	due := l.At[en.Index].DueAt
	if why := l.v.MainsAway(en); why != nil {
		return alarm.Cause{Kind: alarm.CausePower}, []alarm.Fact{*why}
	}
	if span, low := l.v.Fact(en, configs.SenseReservoir, true); low {
		return supply, []alarm.Fact{l.ago(alarm.FactReservoirLow, span)}
	}
	switch ran, known := l.v.PumpAt(en, due-early, due+patience); {
	case ran && guess.Kind == alarm.CausePower: // it does not run without
		return supply, []alarm.Fact{{ID: alarm.FactPumpRan}}
	case ran:
		return guess, []alarm.Fact{{ID: alarm.FactPumpRan}}
	case known && guess.Kind == alarm.CausePower:
		return guess, []alarm.Fact{{ID: alarm.FactPumpStood}}
	case known:
		return supply, []alarm.Fact{{ID: alarm.FactPumpStood}}
	}
	return guess, nil
}

// stood reports whether the pump is known to have stood when a mist was due.
func (l look) stood(en *room.Enclosure) bool {
	due := l.At[en.Index].DueAt
	ran, known := l.v.PumpAt(en, due-early, due+patience)
	return known && !ran
}
