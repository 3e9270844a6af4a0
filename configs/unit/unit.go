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

// A sentence that more than one person reads holds its quantities between
// marks, with their kind, their decimals and their value in °C. Write puts them
// into one reader's scale.
const (
	mark       = "\x01"
	isDegrees  = 't'
	isNumber   = 'n' // degrees without the scale, for the first of a range
	isDelta    = 'd'
	isSigned   = 's' // a difference with its sign: "+0.5 °C"
	markLength = 3   // kind and decimals before the value, and a colon
)

func marked(kind byte, decimals int, v float64) string {
	return mark + string(rune(kind)) + strconv.Itoa(min(max(decimals, 0), 9)) + ":" + strconv.FormatFloat(v, 'g', -1, 64) + mark
}

// Mark writes t for a sentence that Write completes.
func (t Temperature) Mark(decimals int) string { return marked(isDegrees, decimals, float64(t)) }

// MarkNumber is Mark without the scale's name, for the first of a range.
func (t Temperature) MarkNumber(decimals int) string {
	return marked(isNumber, decimals, float64(t))
}

// Mark writes d for a sentence that Write completes.
func (d TemperatureDelta) Mark(decimals int) string { return marked(isDelta, decimals, float64(d)) }

// MarkSigned is Mark with a sign also for what is positive.
func (d TemperatureDelta) MarkSigned(decimals int) string {
	return marked(isSigned, decimals, float64(d))
}

// HasMarks reports whether a sentence holds quantities that Write would write.
func HasMarks(text string) bool { return strings.Contains(text, mark) }

// Write writes the marked quantities of a sentence for a reader. Temperatures
// without marks, as in what a person wrote, stay as they are.
func Write(text string, s Scale) string {
	if !HasMarks(text) {
		return text
	}
	parts := strings.Split(text, mark)
	for i := 1; i < len(parts); i += 2 {
		parts[i] = written(parts[i], s)
	}
	return strings.Join(parts, "")
}

// written is one quantity; what is none stays as it is.
func written(part string, s Scale) string {
	if len(part) <= markLength {
		return part
	}
	decimals := int(part[1] - '0')
	v, err := strconv.ParseFloat(part[markLength:], 64)
	if err != nil || decimals < 0 || decimals > 9 {
		return part
	}
	switch part[0] {
	case isDegrees:
		return Temperature(v).Text(s, decimals)
	case isNumber:
		return Temperature(v).Number(s, decimals)
	case isSigned:
		text := TemperatureDelta(v).Text(s, decimals)
		if v >= 0 {
			text = "+" + text
		}
		return text
	case isDelta:
		return TemperatureDelta(v).Text(s, decimals)
	}
	return part
}
