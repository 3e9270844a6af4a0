package climate

import (
	"math"
	"time"
)

// An Outlook is what a forecast starts from, beside the model's own state.
type Outlook struct {
	At        time.Duration
	Air       float64 // °C, latest good value or what smooths it
	Noise     float64 // °C by which one reading strays from that
	Trend     Slope   // of Air; used where the model has not watched for long enough
	HasTrend  bool
	Room      float64 // °C, latest good
	HasRoom   bool
	RoomTrend Slope
	// HasRoomTrend is false while the room's trend is not known: it is then
	// taken as level, with a wide range.
	HasRoomTrend bool
	LampsOn      bool
	// LampChanges are the coming switches of the lamps as spans from now,
	// ascending, within six hours. Empty for none or unknown.
	LampChanges []time.Duration
	Lethal      float64       // °C
	Every       time.Duration // between two readings
}

// An Eta is a span of time from now in which a limit is expected to be
// reached.
type Eta struct {
	Known bool          `json:"known"` // false: not within six hours by the middle of the range
	From  time.Duration `json:"from"`  // zero when already there
	// Mid is by the middle of what a model expects, and may be later than To where the
	// rise itself goes faster.
	Mid time.Duration `json:"mid"`
	To  time.Duration `json:"to"` // Horizon when Open
	// Open says that the cool end of the range does not get there within the
	// horizon: say "at the earliest in From".
	Open bool `json:"open"`
}

// Horizon is how far a forecast looks.
const Horizon = 6 * time.Hour

// A Span is a range with a middle, in °C.
type Span struct {
	Low  float64 `json:"low"`
	Mid  float64 `json:"mid"`
	High float64 `json:"high"`
}

// A Forecast is the next six hours as ranges that hold the truth in about
// nine of ten cases.
type Forecast struct {
	Learned bool    `json:"learned"` // from the enclosure's own fit, not from priors
	Rate    float64 `json:"rate"`    // °C/h that lamps and room make it rise by now, as far as learned
	Lethal  Eta     `json:"ceiling"`
	// LampsOff is how much longer it takes to the lethal limit with all lamps off
	// now. Known only while the lamps are on and Lethal is known; Open where
	// the lethal limit is then not reached within the horizon.
	LampsOff Eta `json:"lamps_off"`
}

const (
	pathStep  = 5 * time.Minute
	pathSteps = int(Horizon / pathStep)

	// Heat unaccounted for stays on, as a heater that is stuck does. Cooling
	// unaccounted for is water that evaporates, and over in one or two hours.
	inputLong = 24.0 // h
	inputCool = 2.0  // h
	// Without a room a rise goes on for about an hour's worth at its rate.
	restTau = 1.5 // h
	// A room's departure from yesterday's course persists for some hours once
	// it has left where it usually is; inside of that it is an air conditioner
	// that switches, and turns soon.
	roomTau     = 2.5 // h
	roomHeldTau = 0.8 // h
	roomMargin  = 0.5 // °C

	// A calibrated probe is good to 0.1 °C (common practice, no source).
	probeSigma = 0.06 // °C

	rangeWidth = 1.65 // standard deviations either side: nine in ten
)

// Forecast looks ahead from o. False when there is nothing to go by: neither a
// trend nor a room, or the model was never stepped.
func (m *Thermal) Forecast(o Outlook) (Forecast, bool) {
	o.HasRoom = o.HasRoom && finite(o.Room)
	o.HasRoomTrend = o.HasRoomTrend && finite(o.RoomTrend.PerHour) && finite(o.RoomTrend.Sigma)
	if !m.Started || !finite(o.Air) || !o.HasRoom && !o.HasTrend {
		return Forecast{}, false
	}
	base, sigma := m.likely(&o)
	f := Forecast{Learned: m.Params.Learned}
	if f.Learned {
		f.Rate = max(0, m.rate(&o))
	}
	var c course
	m.courseOf(&o, &c)
	var r band
	m.spread(&c, base, sigma, &r)
	f.Lethal = r.reach(o.Lethal, o.Noise)
	if f.Lethal.Known && o.LampsOn {
		s := base
		s.lampsOff = true
		m.spread(&c, s, sigma, &r)
		f.LampsOff = gain(f.Lethal, r.reach(o.Lethal, o.Noise))
	}
	return f, true
}

// An hour and a half is long enough that coarse figures and noise leave a rate that can be
// used, and short enough that a fault shows; two show a rise that slows down.
const (
	latelySlots = 9
	latelyLeast = 6 // of them: those in which it was misted do not count
	bendSlots   = 12
)

// lately fills in the means of the last slots, in hours before the newest and °C, and
// returns how many are known.
func (m *Thermal) lately(xs, ys []float64) (n int) {
	for i := range xs {
		if s := m.Week.at(m.Slot - int64(len(xs)-i)); s.air != noTemp {
			xs[n], ys[n] = (slotTime * time.Duration(i+1-len(xs))).Hours(), float64(s.air)/100
			n++
		}
	}
	return n
}

// Lately is how fast the air moved in the last hour and a half, surer than t, whose
// readings it is made of; false where too little of that was seen.
func (m *Thermal) Lately(t *Trend) (Slope, bool) {
	var xs, ys [latelySlots]float64
	if n := m.lately(xs[:], ys[:]); n >= latelyLeast && -xs[0] >= 1 {
		return t.line(xs[:n], ys[:n]), true
	}
	return Slope{}, false
}

// MayBeSteep reports whether Lately may be steep, as it does of a Trend. It looks once a slot.
func (m *Thermal) MayBeSteep() bool {
	if m.lookedAt != m.Slot+1 {
		var xs, ys [latelySlots]float64
		n := m.lately(xs[:], ys[:])
		m.lookedAt, m.steep = m.Slot+1, false
		for i := 1; i < n; i++ {
			m.steep = m.steep || mayBeSteep(ys[i]-ys[i-1], xs[i]-xs[i-1])
		}
	}
	return m.steep
}

// Bend is how the rise of t slows down, by the last half hour or, where that is surer, by
// one to two hours, if it was faster then. Readings come every so often.
func (m *Thermal) Bend(t *Trend, every time.Duration) (best Bend) {
	best, sure := t.bend()
	now, _ := t.Slope()
	var xs, ys [bendSlots]float64
	n := m.lately(xs[:], ys[:])
	since := max(0, m.LastAt-time.Duration(m.Slot)*slotTime).Hours() // the last of them
	noise := t.Noise() * math.Sqrt(min(1, float64(every)/float64(slotTime)))
	for first := range n {
		b, s := bendOf(xs[first:n], ys[first:n], now.PerHour, max(trendNoise, noise, t.rounds()))
		if s > sure {
			past := math.Exp(-since / b.Tau)
			best, sure = Bend{More: past * b.More, Least: past * b.Least, Tau: b.Tau}, s
		}
	}
	return best
}

// sigmas are the standard uncertainties of a scenario's numbers.
type sigmas struct{ air, rest, room, scale, drift float64 }

// likely returns the scenario to start from and how sure it is. The widths are
// this project's own; simulated rooms hold them to what Forecast promises
// (TestTimeToLethalAsTold of package rules).
func (m *Thermal) likely(o *Outlook) (scenario, sigmas) {
	s := scenario{inputTau: inputLong, roomTau: roomTau, scale: 1}
	u := sigmas{air: math.Hypot(probeSigma, o.Noise/2), room: 0.4, scale: 0.12, drift: m.Params.Drift}
	if !m.Params.Learned {
		u.scale = 0.2
	}
	if m.HasRoom && m.Extra.Started {
		e := &m.Extra
		s.extra, s.input = filter{e.Fast, e.Slow}, e.Input
		// From priors it is rather the model that is wrong, and goes on to be.
		if m.Params.Learned && s.input < e.Slow {
			s.inputTau = inputCool
		}
	} else if rest, ok := m.Rest.Slope(); ok {
		s.rest, u.rest = rest.PerHour, rest.Sigma
	} else if o.HasTrend {
		s.rest, u.rest = o.Trend.PerHour-m.rate(o), 2*o.Trend.Sigma+0.3
	} else {
		u.rest = 0.5
	}
	if o.HasRoomTrend {
		// Where a room will go is less sure than where it went.
		s.roomRate = o.RoomTrend.PerHour
		u.room = math.Hypot(o.RoomTrend.Sigma, 0.1+0.15*math.Abs(s.roomRate))
		if usual, ok := m.usualRoomRate(o.At); ok {
			s.roomRate -= usual
		}
		if m.HasUsual && o.Room > m.Usual.Low-roomMargin && o.Room < m.Usual.High+roomMargin {
			s.roomTau = roomHeldTau
		}
	}
	return s, u
}

// rate returns the model's present rate in °C/h.
func (m *Thermal) rate(o *Outlook) float64 {
	p := &m.Params
	on := 0.0
	if o.LampsOn {
		on = 1
	}
	r := p.LampFast*(on-m.Lamp.Fast)/p.Fast + p.LampSlow*(on-m.Lamp.Slow)/p.Slow
	if m.HasRoom {
		r += p.FastPart*(m.LastRoom-m.Room.Fast)/p.Fast + (1-p.FastPart)*(m.LastRoom-m.Room.Slow)/p.Slow
	}
	return r
}

// usualRoomRate is how fast the room moved a day ago, in °C/h.
func (m *Thermal) usualRoomRate(at time.Duration) (float64, bool) {
	n := int64(at/slotTime) - slotsDay
	before, ok1 := m.Week.roomAt(n - 2)
	after, ok2 := m.Week.roomAt(n + 1)
	return (after - before) * slotsHour / 3, ok1 && ok2
}

// gain returns how much later with reaches than without, end by end.
func gain(without, with Eta) Eta {
	if !with.Known {
		least := Horizon - without.Mid
		return Eta{Known: true, From: least, Mid: least, To: Horizon, Open: true}
	}
	from, to := with.From-without.From, with.To-without.To
	if with.Open || without.Open {
		to = max(from, with.Mid-without.Mid)
	}
	mid := with.Mid - without.Mid
	return Eta{
		Known: true, From: max(0, min(from, mid, to)), Mid: max(0, mid), To: max(0, from, mid, to),
		Open: with.Open && !without.Open,
	}
}
