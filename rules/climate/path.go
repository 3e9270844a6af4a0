package climate

import (
	"math"
	"time"
)

// A path is the air's temperature now and at every pathStep after it.
type path [pathSteps + 1]float64

// A scenario is one way in which the next hours may go.
type scenario struct {
	extra             filter  // °C that heat unaccounted for has added so far
	input, inputTau   float64 // °C that it ends at, and how long it lasts, h
	rest              float64 // °C/h that is left without a room
	roomRate, roomTau float64 // °C/h of the room beyond yesterday's course, and for how long, h
	scale             float64 // of the model's response
	lampsOff          bool    // from now on
}

// A course is what all scenarios share: the clock's part of the next hours.
type course struct {
	air    float64 // °C now
	level  float64 // °C of the room now
	shape  path    // °C that the room moved by since this time yesterday
	offset path    // °C over the room that is usual
	lamps  path    // 1 while they are on by schedule
}

func (m *Thermal) courseOf(o *Outlook, c *course) {
	c.air, c.level = o.Air, o.Room
	if !o.HasRoom {
		c.level = m.LastRoom
	}
	usual, hasUsual := m.Week.roomAt(int64(o.At/slotTime) - slotsDay)
	on, change := o.LampsOn, 0
	for i := range c.shape {
		ahead := time.Duration(i) * pathStep
		for change < len(o.LampChanges) && o.LampChanges[change] <= ahead-pathStep/2 {
			on = !on
			change++
		}
		if on {
			c.lamps[i] = 1
		}
		if next, ok := m.Week.roomAt(int64((o.At+ahead)/slotTime) - slotsDay); ok && hasUsual {
			c.shape[i] = next - usual
		} else if i > 0 {
			c.shape[i] = c.shape[i-1]
		}
		hour := m.LastHour
		if hour >= 0 {
			hour += ahead.Hours()
		}
		c.offset[i] = m.Params.offset(hour)
	}
}

func (m *Thermal) run(c *course, s *scenario, out *path) {
	p := &m.Params
	step := pathStep.Hours()
	fast, slow := -math.Expm1(-step/p.Fast), -math.Expm1(-step/p.Slow)
	restKeep, roomKeep := math.Exp(-step/restTau), math.Exp(-step/s.roomTau)
	restLeft, roomLeft := s.rest*restTau, s.roomRate*s.roomTau // still to come, °C
	room, lamps, extra := m.Room, m.Lamp, s.extra
	share, lasting := p.heatShare(), s.extra.Slow
	inputLeft, inputKeep := s.input-lasting, math.Exp(-step/s.inputTau)
	now := p.response(room, lamps) + share*extra.Fast + (1-share)*extra.Slow + c.offset[0]
	rest, moved := 0.0, 0.0
	out[0] = c.air
	for i := 1; i <= pathSteps; i++ {
		moved += roomLeft * (1 - roomKeep)
		roomLeft *= roomKeep
		if m.HasRoom {
			room.step(c.level+moved+c.shape[i], fast, slow)
		}
		input := c.lamps[i]
		if s.lampsOff {
			input = 0
		}
		lamps.step(input, fast, slow)
		extra.step(lasting+inputLeft, fast, slow)
		inputLeft *= inputKeep
		rest += restLeft * (1 - restKeep)
		restLeft *= restKeep
		v := p.response(room, lamps) + share*extra.Fast + (1-share)*extra.Slow + c.offset[i]
		out[i] = c.air + s.scale*(v-now) + rest
	}
}

// A band is a path with what it may lie beside that, °C.
type band struct{ mid, wide path }

// spread runs the scenario, then once with each of its numbers off by its
// uncertainty, and adds up the differences as independent.
func (m *Thermal) spread(c *course, s scenario, u sigmas, b *band) {
	m.run(c, &s, &b.mid)
	for i := range b.mid {
		// Air wanders: what the model strays by in an hour, as a random walk. And
		// nobody knows where it is now any better than the probe does.
		b.wide[i] = u.air*u.air + u.drift*u.drift*float64(i)*pathStep.Hours()
	}
	off := s
	off.scale += u.scale
	m.widen(c, &off, b)
	if off = s; u.rest > 0 {
		off.rest += u.rest
		m.widen(c, &off, b)
	}
	if off = s; m.HasRoom && m.Extra.Started {
		fast, slow, input := m.Extra.lean()
		off.extra.Fast += fast
		off.extra.Slow += slow
		off.input += input
		m.widen(c, &off, b)
	}
	off = s
	off.roomRate += u.room
	m.widen(c, &off, b)
	for i := range b.wide {
		b.wide[i] = rangeWidth * math.Sqrt(b.wide[i])
	}
}

// widen adds the difference that another scenario makes.
func (m *Thermal) widen(c *course, off *scenario, b *band) {
	var other path
	m.run(c, off, &other)
	for i, v := range other {
		d := v - b.mid[i]
		b.wide[i] += d * d
	}
}

// reach returns when the first reading, which strays by noise, gets to limit.
func (b *band) reach(limit, noise float64) Eta {
	mid, ok := b.crossing(limit-noise, 0)
	if !ok {
		return Eta{}
	}
	e := Eta{Known: true, Mid: mid}
	e.From, _ = b.crossing(limit-2*noise, 1)
	if e.To, ok = b.crossing(limit, -1); !ok {
		e.To, e.Open = Horizon, true
	}
	return e
}

// crossing returns when the middle, the upper (side 1) or the lower end (−1)
// first gets to limit.
func (b *band) crossing(limit, side float64) (time.Duration, bool) {
	before := b.mid[0]
	if before >= limit {
		return 0, true
	}
	for i := 1; i < len(b.mid); i++ {
		v := b.mid[i] + side*b.wide[i]
		if v >= limit {
			part := (limit - before) / (v - before)
			return time.Duration((float64(i-1) + part) * float64(pathStep)), true
		}
		before = v
	}
	return 0, false
}
