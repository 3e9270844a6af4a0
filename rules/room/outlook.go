package room

import (
	"dewline/rules/alarm"
	"dewline/rules/climate"
	"math"
	"time"
)

// RangeOf turns a forecast into whole minutes, nil where nothing can be said.
func RangeOf(t climate.Eta) *alarm.Range {
	if !t.Known {
		return nil
	}
	return &alarm.Range{FromMinutes: math.Round(t.From.Minutes()), ToMinutes: math.Round(t.To.Minutes())}
}

// GainOf is rangeOf for time won, nil where it is not worth a word.
func GainOf(t climate.Eta) *alarm.Range {
	if r := RangeOf(t); r != nil && r.ToMinutes >= 5 {
		return r
	}
	return nil
}

// climbs in °C/h is the least rise that a forecast is made of: slower ones turn
// before they get anywhere.
const Climbs = 0.3

// What a mist does to a rise, seen in simulated rooms: the air falls by up to
// mistCools while it evaporates, and comes back within the next hour or two.
const (
	mistCools   = 0.8 // °C
	mistReturns = 0.4 // °C that may still come back by itself
	mistFades   = 90 * time.Minute
)

// nearBy is the time at the present rate within which a steady rise is trusted
// not to halve.
const nearBy = 75 * time.Minute

// narrowed bounds the late end of a forecast from priors, which allow a rise to
// end in many ways, by what is seen: a steady rise that is to reach the limit
// soon will not have slowed to less than half by then.
func narrowed(t climate.Eta, way float64, s climate.Slope) climate.Eta {
	if !t.Known || way <= 0 || s.PerHour < Climbs || 4*s.Sigma > s.PerHour {
		return t
	}
	straight := time.Duration(way / s.PerHour * float64(time.Hour))
	late := max(2*straight, t.Mid*5/4)
	if straight <= nearBy && late < t.To {
		t.To, t.Open = late, false
	}
	return t
}
