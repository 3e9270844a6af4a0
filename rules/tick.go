package rules

import (
	"time"

	"dewline/rules/alarm"
	"dewline/sensors"
)

// Tick lets time pass: silence, delays, schedules and ends of shelves. Call it
// at least once a poll. The transitions are valid until the next call.
func (e *Engine) Tick(now sensors.Instant) []Transition {
	e.out = e.out[:0]
	e.advance(now)
	for i := range e.probes {
		e.judgeSilent(&e.probes[i], now)
	}
	for i := range e.encls {
		e.tickEnclosure(&e.encls[i], now)
	}
	if e.numOpen > 0 {
		e.eachSlot(func(s *slot) {
			if s.open() {
				e.apply(s, now, alarm.Missing, 0)
			}
		})
	}
	if now.Mono-e.minuteAt >= slowEvery || e.minuteAt == 0 {
		e.minuteAt = now.Mono
		e.minutely(now)
	}
	return e.out
}

// eachSlot visits every alarm in a fixed order.
func (e *Engine) eachSlot(f func(*slot)) {
	for i := range e.encls {
		for k := range e.encls[i].slots {
			f(&e.encls[i].slots[k])
		}
	}
	for i := range e.probes {
		for k := range e.probes[i].slots {
			f(&e.probes[i].slots[k])
		}
	}
	for _, s := range e.self {
		f(s)
	}
}

// tickEnclosure marks what cannot be evaluated because nothing has come.
func (e *Engine) tickEnclosure(en *enclosure, now sensors.Instant) {
	temp, hum := e.sources(en, now.Mono)
	if !temp {
		en.now.hasTemp = false
	}
	if !hum {
		en.now.hasHum = false
	}
	for _, k := range [...]kind{kLethal, kAhead, kExposure, kAbove, kBelow} {
		e.setUnknown(&en.slots[k], now, !temp)
	}
	e.setUnknown(&en.slots[kFloor], now, !hum)
	if s := &en.slots[kAhead]; s.open() && s.rec.Life.Suppress != en.slots[kLethal].rec.Life.Active {
		s.rec.Life.Suppress = en.slots[kLethal].rec.Life.Active
	}
}

// sources reports whether any probe of the enclosure has a trusted value that
// is not too old. A single missed reading is no lack of a source.
func (e *Engine) sources(en *enclosure, now time.Duration) (temp, hum bool) {
	for _, i := range en.probes {
		p := &e.probes[i]
		st := &p.st
		if st.Frozen || st.Alone {
			continue
		}
		temp = temp || st.HasTemp && p.fresh(&e.cfg.Rules, now, st.TempAt)
		hum = hum || st.HasHum && p.fresh(&e.cfg.Rules, now, st.HumAt)
	}
	return temp, hum
}

// minutely does what needs no more haste.
func (e *Engine) minutely(now sensors.Instant) {
	e.dueMists(now)
	e.judgeMists(now)
	e.judgeFrozen(now)
	for i := range e.encls {
		e.judgePair(&e.encls[i], now)
	}
	e.followCauses(now)
	e.refit(now)
	e.flood(now.Mono)
	if now.Mono-e.hourAt >= time.Hour || e.hourAt == 0 {
		e.hourAt = now.Mono
		for i := range e.probes {
			e.judgeOverdue(&e.probes[i], now)
		}
	}
}

// refit lets one enclosure a minute learn its thermal model anew, each once a
// day and, where the time is known, in the small hours.
func (e *Engine) refit(now sensors.Instant) {
	hour := e.hour(now)
	for i := range e.encls {
		en := &e.encls[i]
		since := now.Mono - en.st.RefitAt
		if since < 20*time.Hour || hour >= 0 && (hour < 2 || hour >= 5) && since < 30*time.Hour {
			continue
		}
		en.st.RefitAt = now.Mono
		en.st.Thermal.Refit()
		return
	}
}
