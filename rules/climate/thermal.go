package climate

import (
	"math"
	"time"
)

// Lamps is what is known about an enclosure's lamps at one moment.
type Lamps uint8

// The states of lamps.
const (
	LampsUnknown Lamps = iota
	LampsOff
	LampsOn
)

// A ThermalReading is one step of a Thermal.
type ThermalReading struct {
	At      time.Duration
	Air     float64 // °C in the enclosure
	Noise   float64 // °C by which one reading of it strays
	Room    float64 // °C beside it, latest good
	HasRoom bool
	Lamps   Lamps
	Hour    float64 // local hour of day; negative while the clock is unset
	// Exclude keeps the reading out of learning: within 20 min of a mist pulse,
	// while the door is or may be open, a doubtful probe. It still counts as
	// the present state.
	Exclude bool
}

// Priors before learning. Shape: a four-node simulation of a 91 L tank gives
// the air 50 % of a lamp step in 0.47 h, 63 % in 0.9 h and 90 % in 7 h, which
// two poles of these figures repeat. Gain: rise per 10 W absorbed times common
// lamp wattage. Both are the project's own estimates, no source.
const (
	priorFast     = 0.4  // h
	priorSlow     = 6.0  // h
	priorFastPart = 0.68 // of 1
	priorLamp     = 2.5  // °C at priorLitres
	priorLitres   = 91.0
	priorDrift    = 0.12 // °C per √h
	priorResidual = 1.0  // °C
)

// A filter is a fast and a slow first-order response to one input.
type filter struct {
	Fast float64 `json:"fast"`
	Slow float64 `json:"slow"`
}

func (f *filter) step(input, fast, slow float64) {
	f.Fast += fast * (input - f.Fast)
	f.Slow += slow * (input - f.Slow)
}

// params are the numbers of a fit. The response to the room adds up to 1: an
// enclosure without lamps ends at room plus offset. Time constants in hours.
type params struct {
	Fast     float64     `json:"fast"`      // h
	Slow     float64     `json:"slow"`      // h
	FastPart float64     `json:"fast_part"` // of the response to the room
	LampFast float64     `json:"lamp_fast"` // °C that lamps add fast
	LampSlow float64     `json:"lamp_slow"` // °C that they add slowly
	Offset   [24]float64 `json:"offset"`    // °C over the room at half past each hour
	Residual float64     `json:"residual"`  // °C, of the simulation on held-out data
	Drift    float64     `json:"drift"`     // °C by which it strays within an hour
	Learned  bool        `json:"learned"`
}

func priors(litres float64) params {
	if !(litres > 0) {
		litres = priorLitres
	}
	// Small tanks warm more under the lamps they are given.
	gain := priorLamp * math.Pow(priorLitres/min(max(litres, 20), 800), 0.2)
	return params{
		Fast: priorFast, Slow: priorSlow, FastPart: priorFastPart,
		LampFast: gain * priorFastPart, LampSlow: gain * (1 - priorFastPart),
		Residual: priorResidual, Drift: priorDrift,
	}
}

// heatShare is the fast part of the response to heat inside of the enclosure.
func (p *params) heatShare() float64 {
	gain := p.LampFast + p.LampSlow
	if gain < 0.5 {
		return priorFastPart
	}
	return min(max(p.LampFast/gain, 0.2), 0.95)
}

// value returns the air's temperature, or its difference to an unknown room.
func (p *params) value(room, lamps filter, hour float64) float64 {
	return p.response(room, lamps) + p.offset(hour)
}

// response is value without the offset.
func (p *params) response(room, lamps filter) float64 {
	return p.FastPart*room.Fast + (1-p.FastPart)*room.Slow + p.LampFast*lamps.Fast + p.LampSlow*lamps.Slow
}

// offset interpolates between the middles of the hours, so that no step at a
// full hour looks like a trend. A negative hour takes the day's mean.
func (p *params) offset(hour float64) float64 {
	if !(hour >= 0) {
		sum := 0.0
		for _, o := range p.Offset {
			sum += o
		}
		return sum / 24
	}
	h := hour + 23.5
	for h >= 24 {
		h -= 24
	}
	i := int(h)
	return p.Offset[i] + (h-float64(i))*(p.Offset[(i+1)%24]-p.Offset[i])
}

// Thermal is the thermal model of one enclosure: a fast and a slow response to
// room and lamps, and the offset to the room by hour of day, learned from its
// own last week. Make one with NewThermal; until Refit accepts a fit it speaks
// from priors, with wider ranges. One takes 7 KB, its JSON 10 KB. Its fields are that
// document, and so more than other types have.
type Thermal struct {
	Litres float64 `json:"litres"`
	Params params  `json:"params"`

	// The present state.
	Started  bool          `json:"started"`
	Stepped  time.Duration `json:"stepped"` // when the filters were moved last
	Room     filter        `json:"room"`
	Lamp     filter        `json:"lamp"`
	LastRoom float64       `json:"last_room"`
	HasRoom  bool          `json:"has_room"`
	LastLamp Lamps         `json:"last_lamp"`
	LastAt   time.Duration `json:"last_at"`
	LastHour float64       `json:"last_hour"`
	// What the model leaves unexplained: with a room as a heat input of its
	// own, without one as a plain trend.
	Extra disturbance `json:"extra"`
	// Usual is where the room was in nine of ten hours of the last week, °C.
	Usual    Span  `json:"usual"`
	HasUsual bool  `json:"has_usual"`
	Rest     Trend `json:"rest"`

	lookedAt int64 // the open slot, plus one, when it was last looked for a steep step
	steep    bool  // and there was one in what Lately is made of

	// The open slot and the week before it.
	Slot     int64    `json:"slot"` // number of the open slot
	Sums     slotSums `json:"sums"`
	Week     history  `json:"week"`
	usual    usualAir
	stepFast float64 // cached factors of the filters for a step of stepTime
	stepSlow float64
	stepTime time.Duration
}

// slotSums collects the open slot.
type slotSums struct {
	Count    int     `json:"count"`
	Excluded int     `json:"excluded"`
	Air      float64 `json:"air"`
	RoomN    int     `json:"room_n"`
	Room     float64 `json:"room"`
	LampN    int     `json:"lamp_n"`
	LampOn   int     `json:"lamp_on"`
	Hour     float64 `json:"hour"` // of the first reading, negative if unknown
}

// NewThermal returns a model with the priors of an enclosure of that many
// litres; 0 means unknown.
func NewThermal(litres float64) *Thermal {
	m := &Thermal{Litres: litres, Params: priors(litres), LastHour: -1}
	m.Week.clear()
	return m
}

// filterStep is the coarsest step of the filters while readings come.
const filterStep = time.Minute

// Observe takes one reading. Allocates nothing.
func (m *Thermal) Observe(r ThermalReading) {
	if !finite(r.Air) || m.Started && r.At < m.LastAt {
		return
	}
	r.HasRoom = r.HasRoom && finite(r.Room)
	if !(r.Hour >= 0 && r.Hour < 24) {
		r.Hour = -1
	}
	if !m.Started {
		m.start(r)
	}
	if dt := r.At - m.Stepped; dt >= filterStep {
		m.moveFilters(dt)
		m.Stepped = r.At
	}
	if r.HasRoom {
		if !m.HasRoom {
			// What was left unexplained was the whole temperature.
			m.Room, m.Extra, m.Rest = filter{r.Room, r.Room}, disturbance{}, Trend{}
		}
		m.LastRoom, m.HasRoom = r.Room, true
	}
	m.LastLamp, m.LastAt, m.LastHour = r.Lamps, r.At, r.Hour
	rest := r.Air - m.present()
	if !m.Extra.Started {
		m.Extra.start(rest, m.doubt())
	}
	m.Extra.Sum, m.Extra.Noise = m.Extra.Sum+rest, r.Noise
	m.Extra.Count++
	if !m.HasRoom {
		m.Rest.Observe(r.At, rest)
	}
	m.collect(r)
}

// doubt is how far from balance an enclosure may be when it is first seen, °C.
func (m *Thermal) doubt() float64 {
	if m.Params.Learned {
		return 0.3
	}
	return 1
}

// extraGap is how long without readings the unexplained part is taken on.
const extraGap = time.Hour

// start assumes that whatever is on has been so for ever: what is wrong with
// that shows up as a rest, and fades.
func (m *Thermal) start(r ThermalReading) {
	m.Started, m.Stepped, m.Slot = true, r.At, int64(r.At/slotTime)
	if m.HasRoom = r.HasRoom; r.HasRoom {
		m.LastRoom, m.Room = r.Room, filter{r.Room, r.Room}
	}
	on := lampInput(r.Lamps)
	m.Lamp = filter{on, on}
	m.Sums.Hour = r.Hour
}

func lampInput(l Lamps) float64 {
	if l == LampsOn {
		return 1
	}
	return 0
}

// moveFilters holds the last known room and lamps for dt.
func (m *Thermal) moveFilters(dt time.Duration) {
	if dt != m.stepTime {
		m.stepFast = -math.Expm1(-dt.Hours() / m.Params.Fast)
		m.stepSlow = -math.Expm1(-dt.Hours() / m.Params.Slow)
		m.stepTime = dt
	}
	if m.HasRoom {
		m.Room.step(m.LastRoom, m.stepFast, m.stepSlow)
	}
	m.Lamp.step(lampInput(m.LastLamp), m.stepFast, m.stepSlow)
	switch e := &m.Extra; {
	case dt > extraGap:
		e.Started = false
	case e.Count > 0:
		e.step(e.Sum/float64(e.Count), m.stepFast, m.stepSlow, m.Params.heatShare(), dt.Hours())
		e.Sum, e.Count = 0, 0
	}
}

// present is what the model makes of the present state, in °C, or in K over
// an unknown room.
func (m *Thermal) present() float64 { return m.Params.value(m.Room, m.Lamp, m.LastHour) }

// lateShare is how much of what an enclosure should lag behind the room by it is taken to,
// while nothing is learned of it: a mesh cage hardly does.
const lateShare = 0.7

// Lacks is by how much the air is cooler, in °C, than the room, as the enclosure follows
// it, and its lamps by schedule should make it. residual is by how much it is warmer than
// usual at this hour beside the room as it is now, from which it takes the room's late
// part. A learned model counts for half: it may be off at one hour each day.
func (m *Thermal) Lacks(air, residual float64) float64 {
	if !m.HasRoom {
		return -residual
	}
	late := m.Params.response(m.Room, filter{}) - m.LastRoom
	if !m.Params.Learned {
		return lateShare*late - residual
	}
	return (m.present() - air + late - residual) / 2
}

// collect adds to the open slot and closes it when its ten minutes are over.
func (m *Thermal) collect(r ThermalReading) {
	if n := int64(r.At / slotTime); n != m.Slot {
		m.closeSlot(n)
		m.Sums.Hour = r.Hour
	}
	s := &m.Sums
	s.Count++
	s.Air += r.Air
	if r.Exclude {
		s.Excluded++
	}
	if r.HasRoom {
		s.RoomN++
		s.Room += r.Room
	}
	if r.Lamps != LampsUnknown {
		s.LampN++
		if r.Lamps == LampsOn {
			s.LampOn++
		}
	}
}

func (m *Thermal) closeSlot(next int64) {
	s := m.Sums
	out := slot{air: noTemp, room: noTemp, lamps: noLamps, hour: noHour}
	if s.Count > 0 && s.Excluded == 0 {
		out.air = centi(s.Air / float64(s.Count))
	}
	if s.RoomN > 0 {
		out.room = centi(s.Room / float64(s.RoomN))
	}
	if s.LampN > 0 {
		out.lamps = uint8(200 * s.LampOn / s.LampN)
	}
	if s.Hour >= 0 {
		out.hour = uint8(math.Mod(s.Hour, 24) * slotsHour)
	}
	m.usual.current = false
	*m.Week.at(m.Slot) = out
	// Slots without a reading are gaps, not repeats; after a week all are.
	for n := max(m.Slot+1, next-slotCount); n < next; n++ {
		*m.Week.at(n) = slot{air: noTemp, room: noTemp, lamps: noLamps, hour: noHour}
	}
	m.Slot, m.Sums = next, slotSums{}
}

// LampsTake is by how much, in °C, it is cooler after so long with the lamps off.
func (m *Thermal) LampsTake(after time.Duration) float64 {
	p := &m.Params
	return -p.LampFast*math.Expm1(-after.Hours()/p.Fast) - p.LampSlow*math.Expm1(-after.Hours()/p.Slow)
}

// RoomBefore returns the room's temperature a span before at, as a mean of ten
// minutes; false where none is remembered.
func (m *Thermal) RoomBefore(at, span time.Duration) (float64, bool) {
	if span < slotTime || span >= slotCount*slotTime || at < span {
		return 0, false
	}
	return m.Week.roomAt(int64((at - span) / slotTime))
}
