package probes

import (
	"time"

	"dewline/rules/alarm"
	"dewline/rules/room"
	"dewline/sensors"
)

// implausible is a temperature, in hundredths of °C, that no lamp, room or
// heater brings an enclosure to without its neighbours or its own earlier
// readings showing it: 50 W into 91 L add 11 °C in the end (own arithmetic).
const Implausible = 4500

// risesFast in °C/h is a rise of the enclosure that makes it no calm witness.
const risesFast = 15

// countMost keeps what is counted in a byte from beginning anew.
const countMost = 200

// roomHeats in °C/h is a room that is on its way to be a witness of heat.
const roomHeats = 1.5

// trust is what a reading's temperature is good for.
type trust uint8

const (
	noUse   trust = iota // not a value of now
	doubted              // counts towards the lethal limit, for nothing else
	trusted              // a value
)

// calmStep is how far a temperature may step in a reading that was marked as a
// jump and still be believed: then the humidity jumped, as it does in a mist.
const calmStep = 200

// longestHeating is how long a probe's heater, cooling included, excuses that
// there is no value.
const longestHeating = 5 * time.Minute

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
	first := st.Readings == 1
	switch {
	case d > room.LongestInterval:
	case first:
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
