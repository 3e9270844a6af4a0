package summary

import (
	"strconv"
	"strings"

	"dewline/configs/unit"
)

// A report has many readers, so a sentence of it holds its temperatures between
// marks, with a kind and a value in °C. inUnits puts them into a reader's scale.
const (
	mark      = "\x01"
	isDegrees = "t"
	isDelta   = "d"
)

func tempMark(c float64) string  { return marked(isDegrees, c) }
func deltaMark(k float64) string { return marked(isDelta, k) }

func marked(kind string, v float64) string {
	return mark + kind + strconv.FormatFloat(v, 'g', -1, 64) + mark
}

// unbroken keeps a number and its unit on one line.
var unbroken = strings.NewReplacer(" °C", nbsp+"°C", " °F", nbsp+"°F")

// inUnits writes the marked temperatures of a sentence. What a person wrote, and
// what is no quantity, stays as it is.
func inUnits(s string, u Units) string {
	parts := strings.Split(s, mark)
	if len(parts) == 1 {
		return s
	}
	for i := 1; i < len(parts); i += 2 {
		kind, number := "", ""
		if parts[i] != "" {
			kind, number = parts[i][:1], parts[i][1:]
		}
		v, err := strconv.ParseFloat(number, 64)
		switch {
		case err != nil:
		case kind == isDegrees:
			parts[i] = unit.Temperature(v).Text(unit.Scale(u), 1)
		case kind == isDelta:
			parts[i] = unit.TemperatureDelta(v).Text(unit.Scale(u), 1)
		}
	}
	return unbroken.Replace(strings.Join(parts, ""))
}
