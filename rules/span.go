package rules

import (
	"fmt"
	"math"

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
