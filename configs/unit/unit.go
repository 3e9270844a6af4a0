// Package unit holds the quantities that a keeper reads in °C or in °F, and the
// only conversion between the two. A temperature and a difference of two
// temperatures are two types, as 0 °C is 32 °F while a difference of 0 °C is
// one of 0 °F. The exact relation, t/°F = 9/5 t/°C + 32, is that of NIST
// Special Publication 811 (2008), appendix B.8.
//
// It is a leaf: it imports nothing of dewline.
package unit

import (
	"math"
	"strconv"
	"strings"
)

// A Temperature is in °C, whatever scale a person reads.
type Temperature float64

// A TemperatureDelta is a difference of two temperatures, or an uncertainty of
// one, in steps of 1 °C.
type TemperatureDelta float64

// A Scale is what a person reads temperatures in.
type Scale bool

// The scales.
const (
	Celsius    Scale = false
	Fahrenheit Scale = true
)

// ScaleOf reads what a configuration calls a scale: "F", or anything else for °C.
func ScaleOf(name string) Scale { return name == "F" }

// Name returns "°C" or "°F".
func (s Scale) Name() string {
	if s == Fahrenheit {
		return "°F"
	}
	return "°C"
}

// In returns the number of degrees on a scale.
func (t Temperature) In(s Scale) float64 {
	if s == Fahrenheit {
		return float64(t)*9/5 + 32
	}
	return float64(t)
}

// In returns the number of steps on a scale.
func (d TemperatureDelta) In(s Scale) float64 {
	if s == Fahrenheit {
		return float64(d) * 9 / 5
	}
	return float64(d)
}

// FromFahrenheit multiplies before it divides, so that whole numbers such as
// 86 °F give exactly 30 °C.
func FromFahrenheit(f float64) Temperature { return Temperature((f - 32) * 5 / 9) }

// DeltaFromFahrenheit is FromFahrenheit for a difference.
func DeltaFromFahrenheit(f float64) TemperatureDelta { return TemperatureDelta(f * 5 / 9) }

// Number writes the degrees without the scale: "27.8".
func (t Temperature) Number(s Scale, decimals int) string { return Number(t.In(s), decimals) }

// Number writes the steps without the scale.
func (d TemperatureDelta) Number(s Scale, decimals int) string { return Number(d.In(s), decimals) }

// Text writes a temperature for a reader: "27.8 °C", "82.0 °F".
func (t Temperature) Text(s Scale, decimals int) string {
	return t.Number(s, decimals) + " " + s.Name()
}

// Text writes a difference for a reader: "0.5 °C", "0.9 °F". One that is given
// in whole °C is not whole in °F.
func (d TemperatureDelta) Text(s Scale, decimals int) string {
	if s == Fahrenheit {
		decimals = max(decimals, 1)
	}
	return d.Number(s, decimals) + " " + s.Name()
}

// Number writes a figure that is no temperature. It never writes "-0.0", and "?"
// for what is no number.
func Number(v float64, decimals int) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "?"
	}
	text := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.Trim(text, "-0.") == "" {
		return strings.TrimPrefix(text, "-")
	}
	return text
}
