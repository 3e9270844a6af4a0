package climate

import (
	"math"
	"time"
)

// An Outlook is what a forecast starts from, beside the model's own state.
type Outlook struct {
	At        time.Duration
	Air       float64 // latest good value, °C
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
	BandTop     float64 // °C; the top that will hold, such as the day band's
	Ceiling     float64 // °C
}

// An Eta is a span of time from now in which a limit is expected to be
// reached.
type Eta struct {
	Known bool          `json:"known"` // false: not within six hours by the middle of the range
	From  time.Duration `json:"from"`  // zero when already there
	Mid   time.Duration `json:"mid"`
	To    time.Duration `json:"to"` // Horizon when Open
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
	Learned   bool          `json:"learned"` // from the enclosure's own fit, not from priors
	Peak      Span          `json:"peak"`
	PeakAfter time.Duration `json:"peak_after"` // of Peak.Mid
	BandTop   Eta           `json:"band_top"`
	Ceiling   Eta           `json:"ceiling"`
	// LampsOff is how much longer it takes to the ceiling with all lamps off
	// now. Known only while the lamps are on and Ceiling is known; Open where
	// the ceiling is then not reached within the horizon.
	LampsOff Eta `json:"lamps_off"`
	// RoomCooled is the same for a room that stops warming now.
	RoomCooled Eta `json:"room_held"`
}

const (
	pathStep  = 3 * time.Minute
	pathSteps = int(Horizon / pathStep)

	// Heat unaccounted for stays on, as a heater that is stuck does, or it goes
	// in a few hours. Cooling unaccounted for is water that evaporates, and
	// over in one or two.
	inputLong  = 24.0 // h
	inputShort = 3.0  // h
	inputCool  = 2.0  // h
	// Without a room a rise goes on for about an hour's worth at its rate.
	restTau  = 1.5 // h
	restLong = 4.0 // h, the other possibility
	// A room's departure from yesterday's course persists for some hours once
	// it has left where it usually is; inside of that it is an air conditioner
	// that switches, and turns soon.
	roomTau     = 2.5 // h
	roomHeldTau = 0.8 // h
	roomMargin  = 0.5 // °C
	roomLong    = 8.0 // h
	roomShort   = 1.2 // h

	rangeWidth = 1.65 // standard deviations either side: nine in ten
)

// A path is the air's temperature now and at every pathStep after it.
type path [pathSteps + 1]float64

// A scenario is one way in which the next hours may go.
type scenario struct {
	extra              filter  // °C that heat unaccounted for has added so far
	input, inputTau    float64 // °C that it ends at, and how long it lasts, h
	rest, restTau      float64 // °C/h that is left without a room, and for how long, h
	roomRate, roomTau  float64 // °C/h of the room beyond yesterday's course, and for how long, h
	scale              float64 // of the model's response
	lampsOff, roomHeld bool    // actions from now on
}

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
	var r band
	m.spread(&o, base, sigma, &r)
	f.Peak, f.PeakAfter = r.peak()
	f.BandTop = r.reach(o.BandTop)
	f.Ceiling = r.reach(o.Ceiling)
	if !f.Ceiling.Known {
		return f, true
	}
	if o.LampsOn {
		s := base
		s.lampsOff = true
		m.spread(&o, s, sigma, &r)
		f.LampsOff = gain(f.Ceiling, r.reach(o.Ceiling))
	}
	s := base
	s.roomHeld = true
	m.spread(&o, s, sigma, &r)
	f.RoomCooled = gain(f.Ceiling, r.reach(o.Ceiling))
	return f, true
}

// sigmas are the standard uncertainties of a scenario's numbers.
type sigmas struct{ rest, room, scale, drift float64 }

// likely returns the scenario to start from and how sure it is.
func (m *Thermal) likely(o *Outlook) (scenario, sigmas) {
	s := scenario{inputTau: inputLong, restTau: restTau, roomTau: roomTau, scale: 1}
	u := sigmas{room: 0.4, scale: 0.12, drift: m.Params.Drift}
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

// run fills in one path.
func (m *Thermal) run(o *Outlook, s *scenario, out *path) {
	p := &m.Params
	step := pathStep.Hours()
	fast, slow := -math.Expm1(-step/p.Fast), -math.Expm1(-step/p.Slow)
	restKeep, roomKeep := math.Exp(-step/s.restTau), math.Exp(-step/s.roomTau)
	restLeft, roomLeft := s.rest*s.restTau, s.roomRate*s.roomTau // still to come, °C
	room, lamps, extra := m.Room, m.Lamp, s.extra
	share, lasting := p.heatShare(), s.extra.Slow
	inputLeft, inputKeep := s.input-lasting, math.Exp(-step/s.inputTau)
	level := o.Room
	if !o.HasRoom {
		level = m.LastRoom
	}
	usual, hasUsual := m.Week.roomAt(int64(o.At/slotTime) - slotsDay)
	on, change := o.LampsOn && !s.lampsOff, 0
	now := p.value(room, lamps, m.LastHour) + share*extra.Fast + (1-share)*extra.Slow
	rest, roomMoved, shape := 0.0, 0.0, 0.0
	out[0] = o.Air
	for i := 1; i <= pathSteps; i++ {
		ahead := time.Duration(i) * pathStep
		for change < len(o.LampChanges) && o.LampChanges[change] <= ahead-pathStep/2 {
			on = !on && !s.lampsOff
			change++
		}
		if !s.roomHeld {
			roomMoved += roomLeft * (1 - roomKeep)
			roomLeft *= roomKeep
			if next, ok := m.Week.roomAt(int64((o.At+ahead)/slotTime) - slotsDay); ok && hasUsual {
				shape = next - usual
			}
		}
		if m.HasRoom {
			room.step(level+roomMoved+shape, fast, slow)
		}
		input := 0.0
		if on {
			input = 1
		}
		lamps.step(input, fast, slow)
		extra.step(lasting+inputLeft, fast, slow)
		inputLeft *= inputKeep
		rest += restLeft * (1 - restKeep)
		restLeft *= restKeep
		hour := m.LastHour
		if hour >= 0 {
			hour += ahead.Hours()
		}
		v := p.value(room, lamps, hour) + share*extra.Fast + (1-share)*extra.Slow
		out[i] = o.Air + s.scale*(v-now) + rest
	}
}

// A band is a path with what it may lie above or below that, °C.
type band struct {
	mid, up, down path
}

// spread runs the scenario, then once with each of its numbers off by its
// uncertainty, and adds up the differences as independent. Other ways for a
// rate to end widen only the side that they lie on.
func (m *Thermal) spread(o *Outlook, s scenario, u sigmas, b *band) {
	m.run(o, &s, &b.mid)
	for i := range b.mid {
		// Air wanders: what the model strays by in an hour, as a random walk.
		b.up[i] = u.drift * u.drift * float64(i) * pathStep.Hours()
		b.down[i] = b.up[i]
	}
	off := s
	off.scale += u.scale
	m.widen(o, &s, &off, b, true)
	if off = s; s.restTau > 0 && u.rest > 0 {
		off.rest += u.rest
		m.widen(o, &s, &off, b, true)
		off = s
		off.restTau = restLong
		m.widen(o, &s, &off, b, false)
	}
	if off = s; m.HasRoom && m.Extra.Started {
		fast, slow, input := m.Extra.lean()
		off.extra.Fast += fast
		off.extra.Slow += slow
		off.input += input
		m.widen(o, &s, &off, b, true)
		off = s
		off.inputTau = inputShort
		m.widen(o, &s, &off, b, false)
	}
	if off = s; !s.roomHeld {
		off.roomRate += u.room
		m.widen(o, &s, &off, b, true)
		off = s
		off.roomTau = roomLong
		m.widen(o, &s, &off, b, false)
		off.roomTau = roomShort
		m.widen(o, &s, &off, b, false)
	}
	for i := range b.mid {
		b.up[i] = rangeWidth * math.Sqrt(b.up[i])
		b.down[i] = rangeWidth * math.Sqrt(b.down[i])
	}
}

// widen adds the difference that another scenario makes, to both sides or to
// the one that it lies on.
func (m *Thermal) widen(o *Outlook, s, off *scenario, b *band, both bool) {
	if *off == *s {
		return
	}
	var other path
	m.run(o, off, &other)
	for i, v := range other {
		d := v - b.mid[i]
		if both || d > 0 {
			b.up[i] += d * d
		}
		if both || d < 0 {
			b.down[i] += d * d
		}
	}
}

// peak returns the highest value ahead, and when.
func (b *band) peak() (Span, time.Duration) {
	s := Span{Low: math.Inf(-1), Mid: math.Inf(-1), High: math.Inf(-1)}
	at := 0
	for i, v := range b.mid {
		if v > s.Mid {
			s.Mid, at = v, i
		}
		s.Low = max(s.Low, v-b.down[i])
		s.High = max(s.High, v+b.up[i])
	}
	return s, time.Duration(at) * pathStep
}

// reach returns when the range gets to limit.
func (b *band) reach(limit float64) Eta {
	mid, ok := b.crossing(limit, 0)
	if !ok {
		return Eta{}
	}
	e := Eta{Known: true, Mid: mid}
	e.From, _ = b.crossing(limit, 1)
	if e.To, ok = b.crossing(limit, -1); !ok {
		e.To, e.Open = Horizon, true
	}
	return e
}

// crossing returns when the middle, the upper (side 1) or the lower end (−1)
// first gets to limit.
func (b *band) crossing(limit float64, side int) (time.Duration, bool) {
	before := b.mid[0]
	if before >= limit {
		return 0, true
	}
	for i := 1; i < len(b.mid); i++ {
		v := b.mid[i]
		switch side {
		case 1:
			v += b.up[i]
		case -1:
			v -= b.down[i]
		}
		if v >= limit {
			part := (limit - before) / (v - before)
			return time.Duration((float64(i-1) + part) * float64(pathStep)), true
		}
		before = v
	}
	return 0, false
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

// A WhatIf is the answer to an assumed room.
type WhatIf struct {
	Peak      float64       `json:"peak"`    // °C within 24 h
	Reached   bool          `json:"reached"` // the ceiling is reached within 24 h
	ToCeiling time.Duration `json:"to_ceiling"`
	Learned   bool          `json:"learned"`
}

// WhatIf runs the model from air °C for 24 h in a room that is held at room °C
// from now on, with the lamps held on or off. A model that was never stepped
// starts as if air had been level.
func (m *Thermal) WhatIf(air, room float64, lampsOn bool, ceiling float64) WhatIf {
	p := &m.Params
	on := 0.0
	if lampsOn {
		on = 1
	}
	inside, lamps := m.Room, m.Lamp
	if !m.HasRoom {
		// Without a room's history the enclosure is its own: level so far.
		if !m.Started {
			lamps = filter{on, on}
		}
		level := air - p.value(filter{}, lamps, m.LastHour)
		inside = filter{level, level}
	}
	habit := air - p.value(inside, lamps, m.LastHour)
	step := pathStep.Hours()
	fast, slow := -math.Expm1(-step/p.Fast), -math.Expm1(-step/p.Slow)
	fade := math.Exp(-step / p.Slow)
	w := WhatIf{Peak: air, Reached: air >= ceiling, Learned: p.Learned}
	before := air
	for i := 1; i <= 4*pathSteps; i++ {
		inside.step(room, fast, slow)
		lamps.step(on, fast, slow)
		habit *= fade
		hour := m.LastHour
		if hour >= 0 {
			hour += float64(i) * step
		}
		v := p.value(inside, lamps, hour) + habit
		if v >= ceiling && !w.Reached {
			part := (ceiling - before) / (v - before)
			w.Reached, w.ToCeiling = true, time.Duration((float64(i-1)+part)*float64(pathStep))
		}
		w.Peak = max(w.Peak, v)
		before = v
	}
	return w
}
