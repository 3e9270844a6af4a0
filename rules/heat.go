package rules

import (
	"time"

	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/rules/room"
	"dewline/sensors"
)

// ceilingDead is the lethal limit's deadband in hundredths of °C.
const CeilingDead = 50

// implausible is a temperature, in hundredths of °C, that no lamp, room or
// heater brings an enclosure to without its neighbours or its own earlier
// readings showing it: 50 W into 91 L add 11 °C in the end (own arithmetic).
const Implausible = 4500

// risesFast in °C/h is a rise of the enclosure that makes it no calm witness.
const risesFast = 15

// countMost keeps what is counted in a byte from beginning anew.
const countMost = 200

// takeTemperature stores a reading's temperature and counts how often in a row
// this probe was at the ceiling.
func (l probesLook) takeTemperature(p probe, r *sensors.Reading) {
	st := &p.St
	t := p.heatTrust(r)
	if st.Lost = t == noUse; st.Lost {
		return
	}
	unseen := p.unseen(&l.v.Cfg.Rules, r.At.Mono)
	alone := false
	if p.Encl < 0 || p.Out || r.Temperature < Implausible {
		p.Back = false
	} else {
		alone, t = l.implausible(p, r, unseen, t)
	}
	if t == doubted && r.Reason == sensors.Jump && !r.Again && !unseen {
		p.jumped(r)
	}
	st.AnyAt = r.At.Mono
	if alone {
		p.LastHot = r.Temperature
	}
	st.Alone, st.Doubtful = alone, t == doubted
	p.countHot(p.Encl >= 0 && int32(r.Temperature) >= l.v.Enclosures[p.Encl].Limits.Ceiling, r.Again)
	if t == doubted || alone {
		st.Doubt = r.Temperature
		return
	}
	st.Temp, st.TempAt, st.HasTemp = r.Temperature, r.At.Mono, true
}

// countHot counts the readings in a row that were at the ceiling; one that is
// given again does not count twice.
func (p probe) countHot(hot, again bool) {
	st := &p.St
	switch {
	case !hot:
		st.HotRun = 0
	case !again || st.HotRun == 0:
		st.HotRun = min(st.HotRun+1, countMost)
	}
}

// jumped notes a jump, and how far all of them together have led.
func (p probe) jumped(r *sensors.Reading) {
	st := &p.St
	st.Jumps, st.JumpAt = min(st.Jumps+1, countMost), r.At.Mono
	if st.HasTemp {
		st.Leap, st.LeapAt = st.Leap+r.Temperature-p.latest(), r.At.Mono
	}
}

// latest is the last temperature, trusted or doubted.
func (p probe) latest() sensors.CentiCelsius {
	if p.St.Doubtful {
		return p.St.Doubt
	}
	return p.St.Temp
}

// unseen reports whether nobody saw what the probe's temperature did before a
// reading: there was none, it was silent, or nobody looked.
func (p probe) unseen(r *configs.Rules, now time.Duration) bool {
	at := max(p.St.TempAt, p.St.AnyAt)
	return !p.St.HasTemp && p.St.AnyAt == 0 || !p.Fresh(r, now, at)
}

// implausible decides what an implausible temperature is good for. Where nobody
// saw how the probe came to it, neither a climb nor a leap can be judged: the
// first such reading may be a power-on value, the next one is heat.
func (l probesLook) implausible(p probe, r *sensors.Reading, unseen bool, t trust) (alone bool, _ trust) {
	st, en := &p.St, &l.v.Enclosures[p.Encl]
	witnesses, warm := l.beside(en, p, r.At.Mono)
	switch {
	case warm, en.Alarms[alarm.KindLethal].Rec.Life.Active && (!st.Alone || unseen):
		return false, t
	case unseen && p.blamed(r.At.Mono):
		return true, t
	case unseen && st.AnyAt > 0, p.Back && st.Doubtful && r.Again && st.HotRun == 1:
		p.Back = true
		return false, doubted
	case p.Back:
		return false, t
	}
	alone = l.alone(p, r, witnesses)
	if alone && unseen { // from the start
		p.Back = true
		return false, doubted
	}
	return alone, t
}

// blamed reports whether the probe's own leap was seen and told before a gap that
// was not long, as before a crash.
func (p probe) blamed(now time.Duration) bool {
	l, at := &p.Alarm(alarm.KindJump).Rec.Life, max(p.St.TempAt, p.St.AnyAt)
	return l.Active && l.Seen == alarm.Beyond && (at < p.Since || now-at <= room.LongestInterval)
}

// alone reports whether an implausible temperature stands alone: some witness
// is there, every witness is calm, and the probe did not climb to it. Without
// a witness heat is believed.
func (l probesLook) alone(p probe, r *sensors.Reading, witnesses int) bool {
	en, now := &l.v.Enclosures[p.Encl], r.At.Mono
	if p.climbed() {
		return false
	}
	switch slope, ok := en.St.Trend.Slope(); {
	case witnesses == 0:
		return l.surroundingsCalm(p.Encl, now)
	default:
		return !ok || slope.PerHour <= risesFast
	}
}

// climbed reports whether the probe was nearly there before, as after a heat
// while it was out of service and nothing was judged.
func (p probe) climbed() bool {
	return p.St.HasTemp && !p.St.Alone && p.St.Temp >= Implausible-room.Leap
}

// beside asks the other probes of the enclosure: how many can say something,
// and whether one of them is warm too.
func (l probesLook) beside(en *room.Enclosure, p probe, now time.Duration) (witnesses int, warm bool) {
	for _, i := range en.Probes {
		if q := l.at(i); q != p && q.Usable(&l.v.Cfg.Rules, now) {
			witnesses++
			warm = warm || int32(q.St.Temp) >= en.Limits.Warn
		}
	}
	return witnesses, warm
}

// roomHeats in °C/h is a room that is on its way to be a witness of heat.
const roomHeats = 1.5

// surroundingsCalm asks the room and the other enclosures.
func (l probesLook) surroundingsCalm(encl int, now time.Duration) bool {
	witnesses := 0
	if t, ok := l.v.RoomTemp(now); ok {
		if t >= l.v.Enclosures[encl].Limits.Warn {
			return false
		}
		witnesses++
	}
	if slope, ok := l.v.Air.Trend.Slope(); ok && slope.PerHour > roomHeats {
		return false
	}
	hot := 0
	for i := range l.v.Enclosures {
		en := &l.v.Enclosures[i]
		if i == encl || !en.Now.HasTemp || now-en.St.At.Mono > room.LongestInterval {
			continue
		}
		witnesses++
		if en.Now.Hot >= en.Limits.Act {
			hot++
		}
	}
	return witnesses > 0 && 2*hot < witnesses
}

// judgeCeiling is promise number one. A trusted reading at the ceiling raises
// at once. A doubted one does when the next of the same probe says so too.
func (l limitsLook) judgeCeiling(en *room.Enclosure, now sensors.Instant) {
	s := &en.Alarms[alarm.KindLethal]
	limit := en.Limits.Ceiling
	in := l.v.HotInput(en, now.Mono, limit, CeilingDead)
	value := en.Now.Hot
	if in != alarm.Beyond {
		for _, i := range en.Probes {
			st := &l.v.Probes[i].St
			if st.Doubtful && !st.Alone && st.HotRun >= 2 {
				in, value = alarm.Beyond, max(value, int32(st.Doubt))
				en.Now.HotProbe = i
			}
		}
	}
	if in != alarm.Missing {
		s.Against(float64(value)/100, float64(limit)/100)
	}
	l.out.Apply(s, in, en.Now.Gap)
	en.Alarms[alarm.KindAhead].Rec.Life.Suppress = s.Rec.Life.Active // what was ahead is here
}

// judgeAhead forecasts, once a minute and only above the limit that is worth a
// look: below it a lamp that goes on looks like a fire.
func (l heatLook) judgeAhead(en *room.Enclosure, now sensors.Instant) {
	s, gap := &en.Alarms[alarm.KindAhead], max(en.Now.Gap, 3*room.SlowEvery)
	if !s.Open() && (en.Alarms[alarm.KindLethal].Rec.Life.Active || en.Now.Hot >= en.Limits.Ceiling) {
		en.St.Ahead = room.Ahead{At: now.Mono}
		return // it is here: nothing is ahead
	}
	if en.Now.Hot < en.Limits.Warn {
		l.out.Apply(s, alarm.Back, gap)
		return
	}
	slope, ok := en.St.Trend.Slope()
	if !ok {
		l.out.Apply(s, alarm.Missing, gap)
		return
	}
	misted := en.Misted(now.Mono, mistDips) && !en.Alarms[alarm.KindLethal].Rec.Life.Active
	if slope.PerHour <= 0 && !misted {
		en.St.Ahead = room.Ahead{At: now.Mono}
		l.out.Apply(s, alarm.Back, gap)
		return
	}
	l.v.Forecast(en, now, slope)
	if slope.PerHour <= 0 {
		l.out.Apply(s, alarm.Between, gap) // the mist cools, for a moment
		return
	}
	eta, within := en.St.Ahead.ToCeiling, l.v.Cfg.Rules.AheadWithin.D()
	in := alarm.Between
	switch {
	case !eta.Known || eta.Mid > within*3/2:
		in = alarm.Back
	case eta.Mid < within && slope.PerHour > max(room.Climbs, 2*slope.Sigma):
		in = alarm.Beyond
		s.Against(eta.Mid.Minutes(), within.Minutes())
	}
	l.out.Apply(s, in, gap)
}

// mistDips is how long the fall that a mist makes says nothing about the rise.
const mistDips = 25 * time.Minute

// judgeExposure follows the dose: half of the keeper's reference is worth a
// look, all of it is urgent. What has been suffered is not undone by cooling,
// so the dose is kept and falls slowly; but the alarm ends when it has been too
// cool for it to grow: nobody is to be woken all night for an afternoon.
func (l heatLook) judgeExposure(en *room.Enclosure, now sensors.Instant) {
	if en.DoseLimits.ReferenceTime <= 0 {
		return
	}
	s := &en.Alarms[alarm.KindExposure]
	if en.Now.HasTemp {
		en.St.Dose.Observe(en.DoseLimits, l.v.EstAt(now.Mono), float64(en.Now.Hot)/100)
	}
	share := en.St.Dose.Fraction(en.DoseLimits)
	l.doseFact(en, now, share)
	in := alarm.Missing
	if en.Now.HasTemp {
		in = alarm.High(int32(min(share*1000, 1e9)), 500, 100)
	}
	switch grows := float64(en.Now.Hot)/100 - en.DoseLimits.Boundary; {
	case in != alarm.Beyond:
	case grows < -doseDead:
		in = alarm.Back
	case grows < 0:
		in = alarm.Between
	}
	if s.Rec.Priority == Wake {
		s.Against(share*100, 100)
	} else {
		s.Against(share*100, 50)
	}
	l.out.Apply(s, in, max(en.Now.Gap, 3*room.SlowEvery))
	if share >= 1 && s.Rec.Life.Active && s.Rec.Priority < Wake {
		s.Against(share*100, 100)
		l.out.Raise(s, Wake)
	}
}

// doseDead in °C below the boundary is cool enough to call it over.
const doseDead = 0.5
