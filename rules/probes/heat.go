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
		p.Back, alone = false, l.tooCold(p, r)
	} else {
		alone, t = l.implausible(p, r, unseen, t)
	}
	switch {
	case unseen:
	case t == doubted && r.Reason == sensors.Jump && !r.Again:
		l.jumped(p, r)
	case t == trusted && !alone:
		l.ledBack(p, r)
	}
	st.AnyAt = r.At.Mono
	if alone {
		p.LastHot = r.Temperature
	}
	l.heats(p, r, alone)
	st.Alone, st.Doubtful = alone, t == doubted
	if t == doubted || alone {
		st.Doubt = r.Temperature
		return
	}
	st.Temp, st.TempAt, st.HasTemp = r.Temperature, r.At.Mono, true
}

// heats counts a reading at the lethal limit, or one that stands alone. What was doubted
// just below it was no spike.
func (l look) heats(p probe, r *sensors.Reading, alone bool) {
	st := &p.St
	hot := alone || p.Encl >= 0 && int32(r.Temperature) >= l.v.Enclosures[p.Encl].Limits.Lethal
	leapt := st.Doubtful && r.Temperature >= st.Doubt && r.Temperature-st.Doubt <= room.Leap
	if p.countHot(hot, r.Again); hot && leapt && !r.Again {
		st.HotRun = max(st.HotRun, 2)
	}
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

// jumped notes a jump, and how far all of them together have led. What leads part of the
// way to the room's temperature is a door: whoever finds it hot inside opens it.
func (l look) jumped(p probe, r *sensors.Reading) {
	st := &p.St
	t, ok := l.v.RoomTemp(r.At.Mono)
	if !ok {
		t, ok = l.v.Middle(r.At.Mono)
	}
	if !ok || !st.HasTemp || !partWay(float64(st.Temp), float64(r.Temperature), float64(t)) {
		st.Jumps, st.JumpAt = min(st.Jumps+1, countMost), r.At.Mono
	}
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
	if back && st.Doubtful && st.LeapAt == st.AnyAt { // by as much as it added
		st.Leap += r.Temperature - st.Doubt
	}
	if st.Interval < spikeRare || !st.Doubtful || st.Reason != sensors.Jump || !st.HasTemp || !back {
		return
	}
	if t, ok := l.v.RoomTemp(r.At.Mono); ok && partWay(float64(st.Temp), float64(st.Doubt), float64(t)) {
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

// tooCold reports whether a temperature below freezing is the probe's own: the rest of the
// room is mild, and the probe did not sink to it, as one by a broken window does.
func (l look) tooCold(p probe, r *sensors.Reading) bool {
	if p.Encl < 0 || p.Out || r.Temperature >= freezing || p.St.HasTemp && !p.St.Alone && p.St.Temp <= freezing+room.Leap {
		return false
	}
	middle, ok := l.v.Middle(r.At.Mono)
	return ok && middle >= mild
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
	switch slope, ok := l.v.Enclosures[p.Encl].St.Trend.Slope(); {
	case p.climbed():
		return false
	case witnesses == 0:
		return l.surroundingsCalm(p.Encl, r.At.Mono)
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
	believed := false
	switch r.Reason {
	case sensors.PinnedWet, sensors.DewTooHigh, sensors.OutOfRange:
		believed = true
	case sensors.FrozenValue:
		believed = p.calm(r.Reason)
	case sensors.Jump:
		believed = p.St.HasTemp && r.At.Mono-p.St.TempAt <= p.Gap() && room.Abs(r.Temperature-p.St.Temp) < calmStep
	case sensors.Heating, sensors.TooOld:
		return noUse
	}
	if believed {
		return trusted
	}
	return doubted
}

// What air may do, where no source stands beside a figure own ones.
const (
	// Implausible is a temperature, in hundredths of °C, that no lamp, room or heater brings an
	// enclosure to without its neighbours or its own earlier readings showing it: 50 W into
	// 91 L add 11 °C in the end (own arithmetic).
	Implausible = 4500
	freezing    = 0    // hundredths of °C: no enclosure sinks so far at once in a room whose middle
	mild        = 1000 // is so warm
	risesFast   = 15   // °C/h of the enclosure that make it no calm witness
	roomHeats   = 1.5  // °C/h of a room that is on its way to be a witness of heat
	countMost   = 200  // keeps what is counted in a byte from beginning anew
	// calmStep is how far a temperature may step in a reading that was marked as a jump and
	// still be believed: then the humidity jumped, as it does in a mist.
	calmStep = 200
	// longestHeating is how long a probe's heater, cooling included, excuses that there is no value.
	longestHeating = 5 * time.Minute
)

// trust is what a reading's temperature is good for.
type trust uint8

const (
	noUse   trust = iota // not a value of now
	doubted              // counts towards the lethal limit, for nothing else
	trusted              // a value
)

// note takes the reading's bookkeeping: counters, rhythm, last values. airIsWet says
// that saturation is no fault of the probe.
func (p probe) note(r *sensors.Reading, poll time.Duration, airIsWet bool) {
	st := &p.St
	if st.Readings > 0 {
		p.rhythm(r.At.Mono - st.Last.Mono)
	} else {
		st.Interval = poll
	}
	p.count(r)
	sound := r.Quality == sensors.Good && !(st.Wet.Drop && r.Humidity >= wetBelow) || airIsWet || p.calm(r.Reason)
	st.HumLost = r.Has&sensors.HasHumidity == 0 || !sound
	if r.Has&sensors.HasHumidity != 0 && r.Quality != sensors.Bad && !sound {
		st.WildHum, st.WildHumAt = r.Humidity, r.At.Mono
	}
	p.excuse(r)
	if r.Quality == sensors.Bad {
		return
	}
	st.Heard, st.Unseen = r.At, 0
	if r.Has&sensors.HasLight != 0 {
		st.Lux, st.HasLux = r.LightLux, true
	}
	if !st.HumLost {
		p.takeHumidity(r)
	}
}

// count takes what is known of every reading, whatever it is worth.
func (p probe) count(r *sensors.Reading) {
	st := &p.St
	st.Last, st.Quality, st.Reason = r.At, r.Quality, r.Reason
	st.Readings++
	if r.At.Synced && st.Seen.IsZero() {
		st.Seen = r.At.Wall
	}
	if r.Quality == sensors.Good {
		st.Goods++
		st.Good = r.At
	} else if int(r.Reason) < room.MaxReasons {
		st.Counts[r.Reason]++
	}
}

// takeHumidity stores a good humidity with how far it may be wrong: as the
// reading says, or else as the calibration did.
func (p probe) takeHumidity(r *sensors.Reading) {
	st := &p.St
	st.Hum, st.HumAt, st.HasHum = r.Humidity, r.At.Mono, true
	st.HumLess, st.HumMore = r.Uncertainty.HumidityBelow, r.Uncertainty.HumidityAbove
	if st.HumLess == 0 && st.HumMore == 0 {
		st.HumLess, st.HumMore = p.CalibrU, p.CalibrU
	}
}

// excuse lets a probe be without a value that keeps it to itself on purpose, or
// that nobody has listened to for long enough.
func (p probe) excuse(r *sensors.Reading) {
	since := r.At.Mono - p.HeardAt()
	if r.Reason == sensors.Heating && since <= longestHeating || r.Reason == sensors.Waiting && !p.Alarm(alarm.KindSilent).Open() {
		p.St.Unseen = since
	}
}

// rhythm learns the usual time between readings, so that a slow node is not
// taken for a silent one. One odd interval, such as an outage, teaches nothing.
func (p probe) rhythm(d time.Duration) {
	st := &p.St
	switch {
	case d > room.LongestInterval:
	case st.Readings == 1:
		st.Interval = max(d, st.Interval)
	case d > st.Interval*5/8 && d <= st.Interval*3/2:
		p.Odd, p.HeldBack = 0, 0
	default:
		p.odd(d)
	}
}

// odd takes an interval unlike the usual one. Four in a row are the new rhythm where they
// are all shorter, or longer and alike; else the probe only loses readings. A burst is no
// rhythm: what a node held back comes at once, in less time than it was held.
func (p probe) odd(d time.Duration) {
	if p.Odd++; p.Odd == 1 || (d < p.St.Interval) != (p.OddMost < p.St.Interval) {
		p.Odd, p.OddLeast, p.OddMost = 1, d, d
	}
	p.OddLeast, p.OddMost = min(p.OddLeast, d), max(p.OddMost, d)
	shorter := p.OddMost < p.St.Interval
	if !shorter {
		p.HeldBack = d
	}
	if p.Odd < 4 || shorter && p.Odd < countMost && time.Duration(p.Odd)*p.OddMost < max(p.St.Interval, p.HeldBack)/2 {
		return
	}
	if p.Odd = 0; shorter || p.OddMost <= p.OddLeast*3/2 {
		p.St.Interval = p.OddLeast
	}
}
