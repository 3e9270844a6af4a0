package rules

import (
	"cmp"
	"math"
	"slices"

	"dewline/rules/climate"
	"dewline/rules/room"
)

// An Assumption is a room that somebody asks about: its temperature from now
// on, and whether the lamps are held on or off; nil leaves them as the schedule
// has them now.
type Assumption struct {
	Room float64 `json:"room"` // °C
	// Humidity is the room's in %, nil for not known.
	Humidity *float64 `json:"humidity,omitempty"`
	LampsOn  *bool    `json:"lamps_on,omitempty"`
}

// A Prospect is what an assumption would do to one enclosure within 24 h. It is
// a forecast from the enclosure's own history, and no promise. The figures are nil where
// no probe delivers.
type Prospect struct {
	Enclosure string   `json:"enclosure"`
	Name      string   `json:"name"`
	Rack      string   `json:"rack,omitempty"`
	Shelf     int      `json:"shelf,omitempty"`
	Slot      int      `json:"slot,omitempty"`
	Now       *float64 `json:"now_c,omitempty"`
	Peak      *Tenth   `json:"peak_c,omitempty"`
	Lethal    float64  `json:"lethal_limit_c"`
	// ToLethal is the time until the limit is reached, nil where it is not.
	ToLethal *Seconds `json:"to_lethal_limit_seconds,omitempty"`
	Learned  bool     `json:"learned"` // by the enclosure's own model, else by usual figures
	// WetBulb is the assumed room's, nil for not known; BlownIn is what its
	// air does in an enclosure at its peak, or at its lethal limit on the way there.
	WetBulb *Tenth       `json:"wet_bulb_c,omitempty"`
	BlownIn climate.Blow `json:"blown_in"`
}

// WhatIf answers an assumption for every enclosure, the worst first.
func (e *Engine) WhatIf(a Assumption) []Prospect {
	out := make([]Prospect, 0, len(e.v.Enclosures))
	var wet *float64
	if a.Humidity != nil {
		wet = room.WetBulbOf(a.Room, *a.Humidity)
	}
	more := damper(e.v, a)
	for i := range e.v.Enclosures {
		en := &e.v.Enclosures[i]
		p := Prospect{
			Enclosure: en.Cfg.ID, Name: en.Cfg.Name, Rack: en.Cfg.Rack, Shelf: en.Cfg.Shelf, Slot: en.Cfg.Slot,
			Lethal: float64(en.Limits.Lethal) / 100, WetBulb: (*Tenth)(wet), BlownIn: climate.BlowUnknown,
		}
		if en.Now.HasTemp {
			on := en.Lamps >= 0 && e.v.Lamps[en.Lamps].Known && e.v.Lamps[en.Lamps].On
			if a.LampsOn != nil {
				on = *a.LampsOn
			}
			now := float64(en.Now.Hot) / 100
			w := en.St.Thermal.WhatIf(now, a.Room, more, on, p.Lethal)
			p.Now, p.Peak, p.ToLethal, p.Learned = &now, Given(true, Tenth(w.Peak)), Given(w.Reached, Seconds(w.ToLethal)), w.Learned
			p.BlownIn = climate.BlownIn(wet, min(max(w.Peak, now), max(p.Lethal, now)))
		}
		out = append(out, p)
	}
	slices.SortStableFunc(out, worse)
	return out
}

// damper is by how much more vapour the assumed air holds than the room's does, in g/m³:
// none where only its temperature is said; NaN where nobody knows.
func damper(v *room.View, a Assumption) float64 {
	if a.Humidity == nil {
		return 0
	}
	t, hasTemp := v.RoomTemp(v.Latest.Mono)
	h, hasHum := v.RoomHum(v.Latest.Mono)
	is, err := climate.AbsoluteHumidity(float64(t)/100, float64(h)/100)
	then, err2 := climate.AbsoluteHumidity(a.Room, *a.Humidity)
	if !hasTemp || !hasHum || err != nil || err2 != nil {
		return math.NaN()
	}
	return then - is
}

// worse puts first what reaches its lethal limit soonest, then what comes nearest to
// it, and last what is not known.
func worse(a, b Prospect) int {
	rank := func(p Prospect) int {
		switch {
		case p.ToLethal != nil:
			return 0
		case p.Now != nil:
			return 1
		}
		return 2
	}
	if c := cmp.Compare(rank(a), rank(b)); c != 0 {
		return c
	}
	switch rank(a) {
	case 0:
		return cmp.Compare(*a.ToLethal, *b.ToLethal)
	case 1:
		return cmp.Compare(a.Lethal-float64(*a.Peak), b.Lethal-float64(*b.Peak))
	}
	return cmp.Compare(a.Lethal, b.Lethal)
}
