package rules

import (
	"fmt"
	"math"
	"regexp"
	"strconv"

	"dewline/rules/climate"
)

// Words writes a range for a person, in steps that are worth reading: of a
// minute below ten, of five below an hour, of fifteen above.
func (r Range) Words() string {
	if r.ToMinutes >= climate.Horizon.Minutes() {
		return fmt.Sprintf("%.0f min at the earliest", minuteStep(r.FromMinutes))
	}
	return "about " + r.span()
}

// Gain is Words for time won.
func (r Range) Gain() string {
	if r.ToMinutes >= climate.Horizon.Minutes() {
		return fmt.Sprintf("%.0f min or more", minuteStep(r.FromMinutes))
	}
	return "about " + r.span()
}

func (r Range) span() string {
	from, to := minuteStep(r.FromMinutes), minuteStep(r.ToMinutes)
	if to <= from {
		return fmt.Sprintf("%.0f min", from)
	}
	return fmt.Sprintf("%.0f–%.0f min", from, to)
}

func minuteStep(m float64) float64 {
	step := 15.0
	switch {
	case m < 10:
		step = 1
	case m < 60:
		step = 5
	}
	return math.Round(m/step) * step
}

// degrees finds temperatures in sentences of the rules. One with "by" or a
// "more than" before it, or with "/h" after it, is a difference.
var degrees = regexp.MustCompile(`(\bby (?:about |more than )?|more than |rising |falling )?([+-]?\d+(?:\.\d+)?) °C(/h)?`)

// InFahrenheit turns the temperatures in a sentence of the rules into °F, with
// the decimals that they have.
func InFahrenheit(text string) string {
	return degrees.ReplaceAllStringFunc(text, func(m string) string {
		part := degrees.FindStringSubmatch(m)
		v, err := strconv.ParseFloat(part[2], 64)
		if err != nil {
			return m
		}
		v *= 1.8
		if part[1] == "" && part[3] == "" {
			v += 32
		}
		decimals := 0
		if i := len(part[2]) - 1; i >= 0 {
			for j, c := range part[2] {
				if c == '.' {
					decimals = i - j
				}
			}
		}
		sign := ""
		if part[2][0] == '+' {
			sign = "+"
		}
		return part[1] + sign + strconv.FormatFloat(v, 'f', max(decimals, 1), 64) + " °F" + part[3]
	})
}
