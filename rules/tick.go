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
	e.lives.out = e.lives.out[:0]
	e.advance(now)
	// Nothing grows too old before AgeAt; until then only open alarms need a
	// look.
	aged := e.v.Aged()
	e.run(Ticked)
	if aged || e.v.Open > 0 {
		for i := range e.v.Enclosures {
			if en := &e.v.Enclosures[i]; aged || en.Open > 0 {
				e.tickEnclosure(en, now)
			}
		}
	}
	if aged {
		e.v.AgeAt = e.v.NextAge(now.Mono)
	}
	if e.v.Open > 0 {
		e.lives.eachOpen(func(s *Alarm) { e.out.Apply(s, alarm.Missing, 0) })
	}
	if now.Mono-e.minuteAt >= SlowEvery || e.minuteAt == 0 {
		e.minuteAt = now.Mono
		e.minutely(now)
	}
	return e.lives.out
}

// eachSlot visits every alarm in a fixed order.
func (ls *lives) each(f func(*Alarm)) {
	for i := range ls.v.Enclosures {
		for k := range ls.v.Enclosures[i].Alarms {
			f(&ls.v.Enclosures[i].Alarms[k])
		}
	}
	for i := range ls.v.Probes {
		for k := range ls.v.Probes[i].Alarms {
			f(&ls.v.Probes[i].Alarms[k])
		}
	}
	for _, s := range ls.self {
		f(s)
	}
}

// eachOpen visits every alarm that is not NORM in the same order.
func (ls *lives) eachOpen(f func(*Alarm)) {
	visit := func(slots []Alarm) {
		for k := range slots {
			if slots[k].Open() {
				f(&slots[k])
			}
		}
	}
	for i := range ls.v.Enclosures {
		if en := &ls.v.Enclosures[i]; en.Open > 0 {
			visit(en.Alarms[:])
		}
	}
	for i := range ls.v.Probes {
		if p := &ls.v.Probes[i]; p.Open > 0 {
			visit(p.Alarms[:])
		}
	}
	for _, s := range ls.self {
		if s.Open() {
			f(s)
		}
	}
}

// nextAge is when the next value that is still young enough will be too old,
// if nothing comes.
func (v *View) NextAge(now time.Duration) time.Duration {
	next := time.Duration(math.MaxInt64)
	for i := range v.Probes {
		p := &v.Probes[i]
		st := &p.St
		limit := p.SilentAfter(&v.Cfg.Rules)
		for _, at := range [...]time.Duration{p.HeardAt() + st.Unseen, st.TempAt, st.HumAt} {
			if old := at + limit; old >= now {
				next = min(next, old)
			}
		}
	}
	return next
}

// tickEnclosure marks what cannot be evaluated because nothing has come.
func (e *Engine) tickEnclosure(en *Enclosure, now sensors.Instant) {
	temp, hum := e.v.Sources(en, now.Mono)
	if !temp {
		en.Now.HasTemp = false
	}
	if !hum {
		en.Now.HasHum = false
	}
	starting := now.Mono-e.v.Watched <= e.v.WaitFor(en)
	if temp || !starting {
		for k := range alarm.NumByTemperature {
			e.lives.setUnknown(&en.Alarms[k], now, !temp)
		}
	}
	if hum || !starting {
		e.lives.setUnknown(&en.Alarms[alarm.KindFloor], now, !hum)
	}
}

// waitFor is how long the enclosure's probes are waited for after a start.
func (v *View) WaitFor(en *Enclosure) time.Duration {
	d := time.Duration(0)
	for _, i := range en.Probes {
		d = max(d, v.Probes[i].SilentAfter(&v.Cfg.Rules))
	}
	return min(d, 5*time.Minute)
}

// gathering reports whether some probe of the enclosure has not spoken since
// the start: until then the others do not speak for all.
func (v *View) Gathering(en *Enclosure, now time.Duration) bool {
	if len(en.Probes) < 2 || now-v.Watched > v.WaitFor(en) {
		return false
	}
	for _, i := range en.Probes {
		if p := &v.Probes[i]; !p.Out && p.St.Last.Mono < v.Watched {
			return true
		}
	}
	return false
}

// sources reports whether any probe of the enclosure has a trusted value that
// is not too old. A single missed reading is no lack of a source.
func (v *View) Sources(en *Enclosure, now time.Duration) (temp, hum bool) {
	for _, i := range en.Probes {
		p := &v.Probes[i]
		st := &p.St
		if p.Out || st.Frozen || st.Alone {
			continue
		}
		temp = temp || st.HasTemp && p.Fresh(&v.Cfg.Rules, now, st.TempAt)
		hum = hum || st.HasHum && p.Fresh(&v.Cfg.Rules, now, st.HumAt)
	}
	return temp, hum
}

// minutely does what needs no more haste.
func (e *Engine) minutely(now sensors.Instant) {
	e.run(Schedule)
	e.run(Minute)
	if e.v.Open > 0 {
		e.followCauses(now)
	}
	e.run(Learn)
	e.lives.flood(now.Mono)
	if now.Mono-e.hourAt >= time.Hour || e.hourAt == 0 {
		e.hourAt = now.Mono
		e.run(Hour)
	}
}

// refit lets one enclosure a minute learn its thermal model anew, each once a
// day and, where the time is known, in the small hours.
func (l airLook) refit(now sensors.Instant) {
	hour := l.v.Hour(now)
	for i := range l.v.Enclosures {
		en := &l.v.Enclosures[i]
		since := now.Mono - en.St.RefitAt
		if since < 20*time.Hour || hour >= 0 && (hour < 2 || hour >= 5) && since < 30*time.Hour {
			continue
		}
		en.St.RefitAt = now.Mono
		en.St.Thermal.Refit()
		return
	}
}
