package probes

import (
	"cmp"
	"slices"
	"time"

	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/rules/room"
	"dewline/sensors"
)

// manyJumps is how many jumps, of which one is forgotten every ten minutes,
// make a probe a jumping one. A single jump may be a hand. Of a probe that is read rarely
// it takes manySpikes that led back, of which one is forgotten every spikeFor: a hand
// comes once or twice a day, a loose contact again and again.
const (
	manyJumps  = 3
	manySpikes = 4
	spikeFor   = 4 * time.Hour
	spikeRare  = 2 * time.Minute
)

// Spikes counts jumps that led back at once.
type Spikes struct {
	Num uint8         `json:"num,omitempty"`
	At  time.Duration `json:"at,omitempty"` // last one, or last one forgotten
}

// judgeSilent raises when a probe has delivered nothing usable for too long.
// A failed reading is as silent as none, and so is one that lacks the temperature that
// the probe once told, or the humidity which it is there to tell.
func (l look) judgeSilent(p probe, now sensors.Instant) {
	late, st := p.SilentAfter(&l.v.Cfg.Rules), &p.St
	if !p.Open.Has(alarm.KindSilent) && now.Mono-p.HeardAt()-st.Unseen <= late && st.HasHum && st.Heard.Mono-st.HumAt <= late && p.temperatureGone() <= late {
		return // as nearly always, and nothing more is read
	}
	limit, s := late, p.Alarm(alarm.KindSilent)
	age := max(now.Mono-p.HeardAt()-p.St.Unseen, p.temperatureGone())
	if st.HasHum || st.Reason == sensors.OutOfRange || p.lacks(l.v) {
		age = max(age, p.humidityGone(s.Rec.Life.Active))
	}
	if age <= limit && !s.Open() {
		return
	}
	if !s.Rec.Life.Active || s.Rec.Life.Seen != alarm.Beyond { // told, it is over once the probe speaks as it should
		limit = p.toldAfter(&l.v.Cfg.Rules)
	}
	switch {
	case age > limit:
		l.silent(p, age, limit, now.Mono)
	case p.held(s, now.Mono):
		l.out.Apply(s, alarm.Between, 0)
	case s.Open():
		s.Against(age.Seconds(), late.Seconds())
		l.out.Hold(s, false)
	}
}

// lacks reports whether an enclosure's floor is judged on nothing, since none of its probes
// ever told a humidity: one that has none where another tells it is meant so.
func (p probe) lacks(v *room.View) bool {
	return p.Encl >= 0 && v.Enclosures[p.Encl].Limits.Floor > 0 &&
		!slices.ContainsFunc(v.Enclosures[p.Encl].Probes, func(i int) bool { return v.Probes[i].St.HasHum })
}

// silent tells of a silence that lasts.
func (l look) silent(p probe, age, limit, now time.Duration) {
	s := p.Alarm(alarm.KindSilent)
	p.Told = now
	s.Against(age.Seconds(), limit.Seconds())
	l.out.Hold(s, true)
}

// temperatureGone is for how long a probe that told temperatures, and that speaks, has told none.
func (p probe) temperatureGone() time.Duration {
	if !p.St.HasTemp {
		return 0
	}
	return p.St.Heard.Mono - max(p.St.AnyAt, p.St.TempAt, p.Since)
}

// humidityGone is for how long a probe that speaks has told no humidity, and no
// other alarm says why. told is whether that is known: then what the probe
// keeps to itself for a while, such as in a heater pulse, changes nothing.
func (p probe) humidityGone(told bool) time.Duration {
	st := &p.St
	known := st.Quality != sensors.Bad && (st.Reason == sensors.NoReason || st.Reason == sensors.OutOfRange)
	switch {
	case !p.Cfg.MeasuresHumidity(), !known && !told, st.Wet.Drop:
		return 0
	case st.HasHum && p.Alarm(alarm.KindSilent).Rec.Life.Active:
		return st.Heard.Mono - st.HumAt
	case st.HasHum:
		return st.Heard.Mono - max(st.HumAt, p.Since)
	case known: // broken from the start
		return st.Heard.Mono - max(st.Began.Mono, p.Since)
	}
	return 0
}

// judgeReason raises what the probe's own judge found.
func (l look) judgeReason(p probe, now sensors.Instant) {
	st := &p.St
	if st.Quality == sensors.Bad {
		return
	}
	l.judgeNodeClock(p)
	if st.Reason == sensors.NoReason && !st.Frozen && !st.Alone && !st.Dewy && st.Jumps == 0 && p.Spikes.Num == 0 && p.Open == 0 {
		return
	}
	l.judgeWet(p, now)
	if s, frozen := p.Alarm(alarm.KindFrozen), st.Frozen || st.Reason == sensors.FrozenValue && !p.calm(st.Reason); frozen || s.Open() {
		stood, after := p.stood(now.Mono, l.v.Cfg.Rules.FrozenAfter.D())
		s.Against(stood.Minutes(), after.Minutes())
		l.out.Hold(s, frozen)
	}
	l.judgeJump(p, now)
}

// judgeNodeClock raises when a wireless node goes on stamping its values with
// times that cannot be right.
func (l look) judgeNodeClock(p probe) {
	s, in := p.Alarm(alarm.KindNodeClock), alarm.Back
	if p.St.Reason == sensors.WrongClock {
		in = alarm.Beyond
	}
	if in == alarm.Beyond || s.Open() || s.Rec.Life.Seen == alarm.Beyond {
		l.out.Apply(s, in, p.Gap())
	}
}

func (l look) judgeJump(p probe, now sensors.Instant) {
	p.forgetJumps(now.Mono)
	st, s := &p.St, p.Alarm(alarm.KindJump)
	alone := st.Alone && st.HotRun >= 2
	jumping := alone || st.Jumps >= manyJumps || p.Spikes.Num >= manySpikes || p.Shift.At > 0
	if !jumping && !s.Open() {
		return
	}
	if st.Alone {
		limit := Implausible
		if p.LastHot < freezing {
			limit = freezing
		}
		s.Against(p.LastHot.Celsius(), float64(limit)/100)
	} else if jumping {
		s.Rec.HasLimit = false
		s.Rec.Value, s.Rec.HasValue = st.Doubt.Celsius(), true
	}
	in := alarm.Back
	switch {
	case jumping:
		in = alarm.Beyond
	case st.Jumps > 0 || p.Spikes.Num > 0:
		in = alarm.Between
	}
	l.out.Apply(s, in, p.Gap())
}

// forgetJumps lets go of what is too long ago.
func (p probe) forgetJumps(now time.Duration) {
	st := &p.St
	if st.Jumps > 0 && now-st.JumpAt >= 10*time.Minute {
		st.Jumps--
		st.JumpAt = now
	}
	if p.Spikes.Num > 0 && now-p.Spikes.At >= spikeFor {
		p.Spikes.Num--
		p.Spikes.At = now
	}
	if p.Shift.At > 0 && now-p.Shift.At > shiftTold {
		p.Shift = Shift{}
	}
}

// judgeFrozen looks how many move, and compares probes that do not with what the others do.
// A steady value is no fault while everything else is steady too.
func (l look) judgeFrozen(now sensors.Instant) {
	middle, ok := l.v.Middle(now.Mono)
	configured, moving, heard, others := l.v.Cfg.Rules.FrozenAfter.D(), 0.0, 0.0, l.grain()
	for i := range l.v.Probes {
		p := l.at(i)
		st := &p.St
		if st.Readings == 0 || st.Still.Has&sensors.HasTemperature == 0 || !p.Fresh(&l.v.Cfg.Rules, now.Mono, st.Heard.Mono) {
			continue
		}
		if heard++; p.Stills.Moved {
			moving++
		}
		if !ok {
			continue
		}
		if !st.HasPeers {
			st.HasPeers, st.PeerLow, st.PeerHigh = true, middle, middle
		}
		st.Coarse = int32(frozenStands * cmp.Or(p.Grain.Temp, others))
		st.PeerLow, st.PeerHigh = min(st.PeerLow, middle), max(st.PeerHigh, middle)
		if st.Frozen || configured <= 0 || now.Mono-st.StillAt < configured || !st.PeersMoved() || p.habit() {
			continue
		}
		st.Frozen = true
		if p.Encl >= 0 {
			l.v.Combine(&l.v.Enclosures[p.Encl], now.Mono)
		}
		l.judgeReason(p, now)
	}
	l.moving = min(1, moving/max(1, heard-1))
	if heard < 2 || configured <= 0 {
		l.moving = 0
	}
}

// grain is that of the middle one of the probes that moved, in hundredths of °C: one that
// never did may be as coarse.
func (l look) grain() float64 {
	var grains room.Few
	for i := range l.At {
		if g := l.At[i].Grain.Temp; g > 0 {
			grains.Add(int32(g))
		}
	}
	middle, _ := grains.Median()
	return float64(middle)
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
	due := p.dueHum || p.dueTemp || l.drifted(p)
	if s := p.Alarm(alarm.KindOverdue); due || s.Open() {
		l.out.Hold(s, due)
	}
}

// How far a dew point may stand above every other surface, and for how long.
// Water condenses on what is colder than the dew point, so air cannot stay
// that wet; lamps may warm a wet leaf a little above its surroundings. Where nothing else
// is measured, no surface is so hot as dewNever: a mat that scorches the litter is not.
const (
	dewAbove = 200 // hundredths of °C
	dewNever = 6000
	dewFor   = 30 * time.Minute
)

// judgeDew looks for a probe whose dew point stands above every other probe of
// its enclosure: its humidity reads too high, or its temperature does.
func (l look) judgeDew(en *room.Enclosure, now sensors.Instant) {
	for _, i := range en.Probes {
		p := l.at(i)
		warmest, known := l.warmestBeside(en, p, now.Mono)
		over := p.dewOver(warmest + dewAbove)
		if !p.Usable(&l.v.Cfg.Rules, now.Mono) || !p.HumFresh(&l.v.Cfg.Rules, now.Mono) || !known && !over && len(en.Probes) > 1 {
			continue
		}
		was := p.St.Dewy
		if !over {
			p.DewSince, p.St.Dewy = 0, false
		} else {
			if p.DewSince == 0 {
				p.DewSince = now.Mono
			}
			p.St.Dewy = now.Mono-p.DewSince >= dewFor
		}
		if p.St.Dewy != was {
			l.v.Combine(en, now.Mono)
			l.judgeReason(p, now)
		}
	}
}

// dewOver reports whether the dew point is over a limit, as damp as it is at least.
func (p probe) dewOver(limit int32) bool {
	if int32(p.St.Temp) <= limit { // no dew point is over its air's temperature
		return false
	}
	dew, err := climate.DewPoint(p.St.Temp.Celsius(), max(p.St.Hum-p.St.HumLess, 1).Percent())
	return err == nil && int32(sensors.CelsiusOf(dew)) > limit
}

// warmestBeside is the highest temperature of the enclosure's other probes; dewNever, and
// not known, where none can say.
func (l look) warmestBeside(en *room.Enclosure, p probe, now time.Duration) (warmest int32, known bool) {
	warmest = dewNever
	for _, i := range en.Probes {
		if q := l.at(i); q != p && q.Usable(&l.v.Cfg.Rules, now) {
			if t := int32(q.St.Temp); !known || t > warmest {
				warmest, known = t, true
			}
		}
	}
	return warmest, known
}
