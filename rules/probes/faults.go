package probes

import (
	"time"

	"dewline/rules/alarm"
	"dewline/rules/room"
	"dewline/sensors"
)

// manyJumps is how many jumps, of which one is forgotten every ten minutes,
// make a probe a jumping one. A single jump may be a hand.
const manyJumps = 3

// judgeSilent raises when a probe has delivered nothing usable for too long.
// A failed reading is as silent as none, and so is one that lacks the humidity
// which the probe is there to tell.
func (l look) judgeSilent(p probe, now sensors.Instant) {
	limit := p.SilentAfter(&l.v.Cfg.Rules)
	s := p.Alarm(alarm.KindSilent)
	age := max(now.Mono-p.HeardAt()-p.St.Unseen, p.humidityGone(s.Open()))
	if age <= limit && !s.Open() {
		return
	}
	s.Against(age.Seconds(), limit.Seconds())
	l.out.Hold(s, age > limit)
}

// humidityGone is for how long a probe that speaks has told no humidity, and no
// other alarm says why. told is whether that is known: then what the probe
// keeps to itself for a while, such as in a heater pulse, changes nothing.
func (p probe) humidityGone(told bool) time.Duration {
	st := &p.St
	known := st.Quality != sensors.Bad && (st.Reason == sensors.NoReason || st.Reason == sensors.OutOfRange)
	switch {
	case !p.Cfg.MeasuresHumidity(), !known && !told:
		return 0
	case st.HasHum && p.Alarm(alarm.KindSilent).Rec.Life.Active:
		return st.Heard.Mono - st.HumAt
	case st.HasHum:
		return st.Heard.Mono - max(st.HumAt, p.Since)
	case known && st.Reason == sensors.OutOfRange: // broken from the start
		return st.Heard.Mono - st.Began.Mono
	}
	return 0
}

// judgeReason raises what the probe's own judge found.
func (l look) judgeReason(p probe, now sensors.Instant) {
	st := &p.St
	if st.Quality == sensors.Bad {
		return
	}
	l.judgeNodeClock(p, now)
	if st.Reason == sensors.NoReason && !st.Frozen && !st.Alone && !st.Dewy && st.Jumps == 0 && p.Open == 0 {
		return
	}
	l.judgeWet(p, now)
	if s, frozen := p.Alarm(alarm.KindFrozen), st.Frozen || st.Reason == sensors.FrozenValue; frozen || s.Open() {
		s.Against((now.Mono - st.StillAt).Minutes(), l.v.Cfg.Rules.FrozenAfter.D().Minutes())
		l.out.Hold(s, frozen)
	}
	l.judgeJump(p, now)
}

// judgeNodeClock raises when a wireless node goes on stamping its values with
// times that cannot be right.
func (l look) judgeNodeClock(p probe, now sensors.Instant) {
	s, in := p.Alarm(alarm.KindNodeClock), alarm.Back
	if p.St.Reason == sensors.WrongClock {
		in = alarm.Beyond
	}
	if in == alarm.Beyond || s.Open() || s.Rec.Life.Seen == alarm.Beyond {
		l.out.Apply(s, in, p.Gap())
	}
}

func (l look) judgeJump(p probe, now sensors.Instant) {
	st := &p.St
	if st.Jumps > 0 && now.Mono-st.JumpAt >= 10*time.Minute {
		st.Jumps--
		st.JumpAt = now.Mono
	}
	alone := st.Alone && st.HotRun >= 2
	s := p.Alarm(alarm.KindJump)
	jumping := alone || st.Jumps >= manyJumps
	if !jumping && !s.Open() {
		return
	}
	if st.Alone {
		s.Against(p.LastHot.Celsius(), float64(Implausible)/100)
	} else if jumping {
		s.Rec.HasLimit = false
		s.Rec.Value, s.Rec.HasValue = st.Doubt.Celsius(), true
	}
	in := alarm.Back
	switch {
	case jumping:
		in = alarm.Beyond
	case st.Jumps > 0:
		in = alarm.Between
	}
	l.out.Apply(s, in, p.Gap())
}

// still follows for how long a probe has said exactly the same.
func (l look) still(p probe, r *sensors.Reading) {
	if r.Quality == sensors.Bad {
		return
	}
	st := &p.St
	unseen := r.At.Mono-st.Heard.Mono > p.SilentAfter(&l.v.Cfg.Rules)
	same := sensors.Sample{Has: r.Has, Temperature: r.Temperature, Humidity: r.Humidity}
	if same == st.Still && st.Readings > 0 && (st.Frozen || !unseen) {
		return // after a silence of its own nobody knows that it stood still
	}
	st.Still, st.StillAt = same, r.At.Mono
	st.HasPeers, st.Frozen = false, false
}

// judgeFrozen compares probes that do not move with what the others do. A
// steady value is no fault while everything else is steady too.
func (l look) judgeFrozen(now sensors.Instant) {
	after := l.v.Cfg.Rules.FrozenAfter.D()
	middle, ok := l.v.Middle(now.Mono)
	if !ok || after <= 0 {
		return
	}
	for i := range l.v.Probes {
		p := l.at(i)
		st := &p.St
		if st.Readings == 0 || !p.Fresh(&l.v.Cfg.Rules, now.Mono, st.Heard.Mono) {
			continue
		}
		if !st.HasPeers {
			st.HasPeers, st.PeerLow, st.PeerHigh = true, middle, middle
		}
		st.PeerLow, st.PeerHigh = min(st.PeerLow, middle), max(st.PeerHigh, middle)
		moved := st.PeerHigh - st.PeerLow
		if st.Frozen || st.Still.Has&sensors.HasTemperature == 0 || moved < room.PeersMoved || now.Mono-st.StillAt < after {
			continue
		}
		st.Frozen = true
		if p.Encl >= 0 {
			l.v.Combine(&l.v.Enclosures[p.Encl], now.Mono)
		}
		l.judgeReason(p, now)
	}
}

// judgeOverdue notes calibrations that are due. The time counts from the last
// one, or from when the probe was first seen; without a clock nothing is due.
func (l look) judgeOverdue(p probe, now sensors.Instant) {
	if !now.Synced || p.St.Seen.IsZero() {
		return
	}
	t, ok := l.v.HumidityDue(p.Probe)
	p.dueHum = ok && !now.Wall.Before(t)
	t, ok = l.v.TemperatureDue(p.Probe)
	p.dueTemp = ok && !now.Wall.Before(t)
	due := p.dueHum || p.dueTemp || p.drifted()
	if s := p.Alarm(alarm.KindOverdue); due || s.Open() {
		l.out.Hold(s, due)
	}
}
