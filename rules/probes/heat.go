package probes

import (
	"time"

	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/rules/room"
	"dewline/sensors"
)

// takeTemperature stores a reading's temperature and counts how often in a row
// this probe was at the lethal limit.
func (l look) takeTemperature(p probe, r *sensors.Reading) {
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
	switch {
	case unseen:
	case t == doubted && r.Reason == sensors.Jump && !r.Again:
		p.jumped(r)
	case t == trusted && !alone:
		l.ledBack(p, r)
	}
	st.AnyAt = r.At.Mono
	if alone {
		p.LastHot = r.Temperature
	}
	st.Alone, st.Doubtful = alone, t == doubted
	p.countHot(p.Encl >= 0 && int32(r.Temperature) >= l.v.Enclosures[p.Encl].Limits.Lethal, r.Again)
	if t == doubted || alone {
		st.Doubt = r.Temperature
		return
	}
	st.Temp, st.TempAt, st.HasTemp = r.Temperature, r.At.Mono, true
}

// countHot counts the readings in a row that were at the lethal limit; one that is
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

// ledBack notes a jump of a rarely read probe that the next reading takes back; those
// of others add up by themselves. A door that was open for a
// moment leads part of the way to the room's temperature.
func (l look) ledBack(p probe, r *sensors.Reading) {
	st := &p.St
	back := room.Abs(r.Temperature-st.Temp) < calmStep
	if st.Interval < spikeRare || !st.Doubtful || st.Reason != sensors.Jump || !st.HasTemp || !back {
		return
	}
	t, ok := l.v.RoomTemp(r.At.Mono)
	way, went := t-int32(st.Temp), int32(st.Doubt-st.Temp)
	if ok && way*went > 0 && room.Abs(went) < room.Abs(way) {
		return
	}
	p.Spikes.Num, p.Spikes.At = min(p.Spikes.Num+1, manySpikes), r.At.Mono
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
func (l look) implausible(p probe, r *sensors.Reading, unseen bool, t trust) (alone bool, _ trust) {
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
// was not long, as before a crash. One that merely stands beside the air is believed.
func (p probe) blamed(now time.Duration) bool {
	l, at := &p.Alarm(alarm.KindJump).Rec.Life, max(p.St.TempAt, p.St.AnyAt)
	return l.Active && l.Seen == alarm.Beyond && p.Shift.At == 0 && (at < p.Since || now-at <= room.LongestInterval)
}

// alone reports whether an implausible temperature stands alone: some witness
// is there, every witness is calm, and the probe did not climb to it. Without
// a witness heat is believed.
func (l look) alone(p probe, r *sensors.Reading, witnesses int) bool {
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
func (l look) beside(en *room.Enclosure, p probe, now time.Duration) (witnesses int, warm bool) {
	for _, i := range en.Probes {
		if q := l.at(i); q != p && q.Usable(&l.v.Cfg.Rules, now) {
			witnesses++
			warm = warm || int32(q.St.Temp) >= en.Limits.Warn
		}
	}
	return witnesses, warm
}

// surroundingsCalm asks the room and the other enclosures.
func (l look) surroundingsCalm(encl int, now time.Duration) bool {
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

// heatTrust keeps doubts about humidity from hiding heat.
func (p probe) heatTrust(r *sensors.Reading) trust {
	if r.Has&sensors.HasTemperature == 0 || r.Quality == sensors.Bad {
		return noUse
	}
	if r.Quality == sensors.Good {
		return trusted
	}
	switch r.Reason {
	case sensors.PinnedWet, sensors.DewTooHigh, sensors.OutOfRange:
		return trusted
	case sensors.FrozenValue:
		if p.calm(r.Reason) {
			return trusted
		}
		return doubted
	case sensors.Jump:
		step := r.Temperature - p.St.Temp
		if p.St.HasTemp && r.At.Mono-p.St.TempAt <= p.Gap() && step > -calmStep && step < calmStep {
			return trusted
		}
		return doubted
	case sensors.Heating, sensors.TooOld:
		return noUse
	default:
		return doubted
	}
}
