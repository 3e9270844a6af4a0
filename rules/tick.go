package rules

import (
	"math"
	"time"

	"dewline/rules/alarm"
	"dewline/sensors"
)

// Tick lets time pass: silence, delays, schedules and ends of shelves. Call it
// at least once a poll. The transitions are valid until the next call.
func (e *Engine) Tick(now sensors.Instant) []Transition {
	e.out = e.out[:0]
	e.advance(now)
	// Nothing grows too old before ageAt; until then only open alarms need a
	// look.
	aged := now.Mono > e.ageAt
	if aged || e.numOpen > 0 {
		for i := range e.probes {
			if p := &e.probes[i]; aged || p.open > 0 {
				e.judgeSilent(p, now)
			}
		}
		for i := range e.encls {
			if en := &e.encls[i]; aged || en.open > 0 {
				e.tickEnclosure(en, now)
			}
		}
	}
	if aged {
		e.ageAt = e.nextAge(now.Mono)
	}
	if e.numOpen > 0 {
		e.eachOpen(func(s *slot) { e.apply(s, now, alarm.Missing, 0) })
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

// eachOpen visits every alarm that is not NORM in the same order.
func (e *Engine) eachOpen(f func(*slot)) {
	visit := func(slots []slot) {
		for k := range slots {
			if slots[k].open() {
				f(&slots[k])
			}
		}
	}
	for i := range e.encls {
		if en := &e.encls[i]; en.open > 0 {
			visit(en.slots[:])
		}
	}
	for i := range e.probes {
		if p := &e.probes[i]; p.open > 0 {
			visit(p.slots[:])
		}
	}
	for _, s := range e.self {
		if s.open() {
			f(s)
		}
	}
}

// nextAge is when the next value that is still young enough will be too old,
// if nothing comes.
func (e *Engine) nextAge(now time.Duration) time.Duration {
	next := time.Duration(math.MaxInt64)
	for i := range e.probes {
		p := &e.probes[i]
		st := &p.st
		limit := p.silentAfter(&e.cfg.Rules)
		for _, at := range [...]time.Duration{p.heard() + st.Unseen, st.TempAt, st.HumAt} {
			if old := at + limit; old >= now {
				next = min(next, old)
			}
		}
	}
	return next
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
	starting := now.Mono-e.watched <= e.waitFor(en)
	if temp || !starting {
		for k := range alarm.NumByTemperature {
			e.setUnknown(&en.slots[k], now, !temp)
		}
	}
	if hum || !starting {
		e.setUnknown(&en.slots[alarm.KindFloor], now, !hum)
	}
	if s := &en.slots[alarm.KindAhead]; s.open() {
		s.rec.Life.Suppress = en.slots[alarm.KindLethal].rec.Life.Active
	}
}

// waitFor is how long the enclosure's probes are waited for after a start.
func (e *Engine) waitFor(en *enclosure) time.Duration {
	d := time.Duration(0)
	for _, i := range en.probes {
		d = max(d, e.probes[i].silentAfter(&e.cfg.Rules))
	}
	return min(d, 5*time.Minute)
}

// gathering reports whether some probe of the enclosure has not spoken since
// the start: until then the others do not speak for all.
func (e *Engine) gathering(en *enclosure, now time.Duration) bool {
	if len(en.probes) < 2 || now-e.watched > e.waitFor(en) {
		return false
	}
	for _, i := range en.probes {
		if p := &e.probes[i]; !p.out && p.st.Last.Mono < e.watched {
			return true
		}
	}
	return false
}

// sources reports whether any probe of the enclosure has a trusted value that
// is not too old. A single missed reading is no lack of a source.
func (e *Engine) sources(en *enclosure, now time.Duration) (temp, hum bool) {
	for _, i := range en.probes {
		p := &e.probes[i]
		st := &p.st
		if p.out || st.Frozen || st.Alone {
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
	ref, ok := e.roomTemp(now.Mono)
	if !ok {
		ref, ok = e.middle(now.Mono)
	}
	hour := e.hour(now)
	for i := range e.encls {
		e.judgePair(&e.encls[i], ref, hour, ok && hour >= 0, now)
		e.judgeDew(&e.encls[i], now)
	}
	e.watchPlaces(now)
	if e.numOpen > 0 {
		e.followCauses(now)
	}
	e.compareNight(now)
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
