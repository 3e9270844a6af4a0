package climate

import (
	"math"
	"time"
)

// walk runs the model over the slots from first up to end and calls visit for
// every usable one with its error air − model in °C.
func (m *Thermal) walk(p *params, first, end int64, visit func(n int64, s *slot, rest float64)) (room, lamps filter) {
	moveFast, meanFast := factors(p.Fast)
	moveSlow, meanSlow := factors(p.Slow)
	var in replay
	in.take(m.Week.at(first))
	room, lamps = filter{in.room, in.room}, filter{in.lamps, in.lamps}
	for n := first; n < end; n++ {
		s := m.Week.at(n)
		in.take(s)
		if m.usable(n) {
			value := p.value(
				filter{in.room + (room.Fast-in.room)*meanFast, in.room + (room.Slow-in.room)*meanSlow},
				filter{in.lamps + (lamps.Fast-in.lamps)*meanFast, in.lamps + (lamps.Slow-in.lamps)*meanSlow},
				slotHour(s))
			visit(n, s, float64(s.air)/100-pivotTemp-value)
		}
		room.step(in.room, moveFast, moveSlow)
		lamps.step(in.lamps, moveFast, moveSlow)
	}
	return room, lamps
}

// slotHour returns the local hour in the middle of a slot, or −1.
func slotHour(s *slot) float64 {
	if s.hour == noHour {
		return -1
	}
	return (float64(s.hour) + 0.5) / slotsHour
}

// learnOffsets puts what the two responses leave unexplained into the offsets
// by hour of day, and returns R² of the whole on the same slots. Hours with
// few slots are pulled to the mean: two slots weigh as much as no knowledge.
func (m *Thermal) learnOffsets(p *params, first, end int64) float64 {
	var sum, count [24]float64
	m.walk(p, first, end, func(n int64, s *slot, rest float64) {
		if n-first >= burnIn && s.hour != noHour {
			h := int(s.hour) / slotsHour % 24
			sum[h] += rest
			count[h]++
		}
	})
	var raw [24]float64
	for h := range raw {
		raw[h] = sum[h] / (count[h] + 2)
	}
	for h := range raw {
		p.Offset[h] += 0.25*raw[(h+23)%24] + 0.5*raw[h] + 0.25*raw[(h+1)%24]
	}
	var k, mean, squares, rests float64
	m.walk(p, first, end, func(n int64, s *slot, rest float64) {
		if n-first < burnIn {
			return
		}
		k++
		d := float64(s.air)/100 - mean
		mean += d / k
		squares += d * (float64(s.air)/100 - mean)
		rests += rest * rest
	})
	if squares == 0 {
		return 0
	}
	return 1 - rests/squares
}

// score returns the error of the simulation in the slots from split on, and by
// how much that error strays within an hour, both as root mean squares in °C.
func (m *Thermal) score(p *params, first, split int64) (residual, drift float64) {
	var n, squares, strayN, strays float64
	var recent [slotsHour]float64
	var known [slotsHour]int64
	m.walk(p, first, m.Slot, func(i int64, _ *slot, rest float64) {
		k := i % slotsHour
		if i >= split {
			n++
			squares += rest * rest
			if known[k] == i-slotsHour {
				strayN++
				strays += (rest - recent[k]) * (rest - recent[k])
			}
		}
		recent[k], known[k] = rest, i
	})
	if n == 0 {
		return math.Inf(1), priorDrift
	}
	if strayN == 0 {
		return math.Sqrt(squares / n), priorDrift
	}
	return math.Sqrt(squares / n), math.Sqrt(strays / strayN)
}

// adopt takes a fit into use and brings the present state in line with it.
func (m *Thermal) adopt(p params, first int64) {
	m.Params = p
	room, lamps := m.walk(&p, first, m.Slot, func(int64, *slot, float64) {})
	m.Room = filter{room.Fast + pivotTemp, room.Slow + pivotTemp}
	m.Lamp = lamps
	m.stepTime = 0
	m.Extra, m.Rest = disturbance{}, Trend{}
	m.Stepped = min(m.LastAt, slotTime*time.Duration(m.Slot))
	if dt := m.LastAt - m.Stepped; dt > 0 {
		m.moveFilters(dt)
		m.Stepped = m.LastAt
	}
}

func (m *Thermal) usable(n int64) bool {
	s := m.Week.at(n)
	return s.air != noTemp && s.room != noTemp
}

func (r *replay) take(s *slot) {
	if s.room != noTemp {
		r.room = float64(s.room)/100 - pivotTemp
	}
	if s.lamps != noLamps {
		r.lamps = float64(s.lamps) / 200
	}
}

// factors returns how far a filter moves in a slot, and where its mean over
// the slot lies between start and input.
func factors(tau float64) (move, mean float64) {
	x := slotTime.Hours() / tau
	move = -math.Expm1(-x)
	return move, move / x
}
