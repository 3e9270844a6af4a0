package summary

import (
	"strconv"
	"strings"

	"dewline/alert/words"
	"dewline/configs/unit"
)

// A report has many readers, so a sentence of it holds its temperatures between
// marks, with a kind and a value in °C. inUnits puts them into a reader's scale.
const (
	mark        = "\x01"
	isDegrees   = 't'
	isDelta     = 'd'
	isBare      = 'T' // degrees without the unit
	isBareDelta = 'D'
	isUnit      = 'u' // of those; has no value
)

func tempMark(c float64) string  { return marked(isDegrees, c) }
func deltaMark(k float64) string { return marked(isDelta, k) }

func marked(kind rune, v float64) string {
	return mark + string(kind) + strconv.FormatFloat(v, 'g', -1, 64) + mark
}

// unbroken keeps a number and its unit on one line.
var unbroken = strings.NewReplacer(" °C", nbsp+"°C", " °F", nbsp+"°F", " %", nbsp+"%")

// inUnits writes the marked temperatures of a sentence. What a person wrote, and
// what is no quantity, stays as it is.
func inUnits(s string, u unit.Scale) string {
	parts := strings.Split(s, mark)
	if len(parts) == 1 {
		return s
	}
	for i := 1; i < len(parts); i += 2 {
		if v, err := strconv.ParseFloat(parts[i][min(1, len(parts[i])):], 64); err == nil {
			parts[i] = shown(parts[i][0], v, u)
		}
	}
	return unbroken.Replace(strings.Join(parts, ""))
}

func shown(kind byte, v float64, u unit.Scale) string {
	switch kind {
	case isDegrees:
		return words.Degrees(v, u)
	case isDelta:
		return words.Steps(v, u)
	case isBare:
		return words.Bare(v, u)
	case isBareDelta:
		return unit.TemperatureDelta(v).Number(u, 1)
	default:
		return u.Name()
	}
}

// Spaces at which a line is not broken; plain text gets plain ones in the end.
const (
	nbsp = "\u00a0"
	dash = nbsp + "–" + nbsp
)
