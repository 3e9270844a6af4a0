package words

import (
	"math"

	"dewline/configs/unit"
	"dewline/rules/alarm"
)

// steady in °C/h is too slow to be worth a word.
const steady = 0.2

// rate writes how fast the temperature moves, empty for hardly.
func rate(d *alarm.Detail, s unit.Scale) string {
	if !d.HasRate {
		return ""
	}
	return Rate(unit.TemperatureDelta(d.RatePerHour), s)
}

// Rate writes how far a temperature moves in an hour, empty for hardly.
func Rate(perHour unit.TemperatureDelta, s unit.Scale) string {
	p := risingBy
	switch {
	case math.Abs(float64(perHour)) < steady:
		return ""
	case perHour < 0:
		p, perHour = fallingBy, -perHour
	}
	return p.with("rate", perHour.Text(s, 1))
}

// lethalIn says when the lethal limit, which may be empty, is expected.
func lethalIn(r alarm.Range, limit string) string {
	p := [2]phrase{lethalWhen, lethalAtWhen}
	if open(r) {
		p = [2]phrase{couldReach, couldReachAt}
	}
	i := 0
	if limit != "" {
		i = 1
	}
	return p[i].with("limit", limit, "when", In(r), "span", Span(minuteStep(r.FromMinutes)))
}

// Ahead says when the lethal limit is expected.
func Ahead(r alarm.Range) string { return lethalIn(r, "") }

func lampsOff(r alarm.Range) string { return lampsOffBuys.with("gain", Gain(r)) }
