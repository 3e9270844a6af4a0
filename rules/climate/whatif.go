package climate

import (
	"math"
	"time"
)

// A WhatIf is the answer to an assumed room.
type WhatIf struct {
	Peak     float64       `json:"peak"`    // °C within 24 h
	Reached  bool          `json:"reached"` // the lethal limit is reached within 24 h
	ToLethal time.Duration `json:"to_ceiling"`
	Learned  bool          `json:"learned"`
}

// evaporates is by how much an enclosure of wet ground stays cooler, in °C, for each gram
// of vapour that a cubic metre of its air takes up more: of 91 L that lose 4.7 W/K through
// the glass and change their air one and a half times an hour (0.038 L/s, 2.44 kJ/g).
const evaporates = 0.02

// dries is how much more vapour, in g/m³, wet air of one temperature holds than of another.
func dries(from, to float64) float64 {
	was, err := AbsoluteHumidity(from, 100)
	is, err2 := AbsoluteHumidity(to, 100)
	if err != nil || err2 != nil {
		return 0
	}
	return is - was
}

// WhatIf runs the model from air °C for 24 h in a room that is held at room °C
// from now on, with the lamps held on or off. damper is by how much more vapour the room's
// air holds than now, in g/m³; of NaN nothing is known, and then nothing is taken to
// evaporate more. A model that was never stepped starts as if air had been level.
func (m *Thermal) WhatIf(air, room, damper float64, lampsOn bool, ceiling float64) WhatIf {
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
		if more := dries(air, v) - damper; more > 0 { // a week's days know of the rest
			v -= evaporates * more
		}
		if v >= ceiling && !w.Reached {
			part := (ceiling - before) / (v - before)
			w.Reached, w.ToLethal = true, time.Duration((float64(i-1)+part)*float64(pathStep))
		}
		w.Peak = max(w.Peak, v)
		before = v
	}
	return w
}
