package iio

import (
	"math"
	"strconv"
	"strings"

	"dewline/sensors"
)

// Decode decodes the text of one attribute: a decimal number as the kernel
// prints it, at most 40 characters, without exponent, sign words or spaces.
func Decode(text string) (float64, error) {
	const longest = 40
	if len(text) == 0 || len(text) > longest {
		return 0, sensors.Faultf(sensors.Malformed, "text of %d bytes where a number should be", len(text))
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || strings.Trim(text, "0123456789.-") != "" {
		return 0, sensors.Faultf(sensors.Malformed, "%q is not a number", text)
	}
	return v, nil
}

// inRange turns thousandths into hundredths and refuses what no probe for
// enclosures measures.
func inRange(milli float64) (sensors.CentiCelsius, error) {
	const low, high = -60_00, 150_00
	centi := math.Round(milli / 10)
	if !(centi >= low && centi <= high) {
		return 0, sensors.Faultf(sensors.OutOfRange, "%g m°C is outside what a probe can measure", milli)
	}
	return sensors.CentiCelsius(centi), nil
}

// clamped turns thousandths into hundredths and keeps an impossible humidity
// impossible, but small: the judge drops it and keeps the temperature beside it.
func clamped(milli float64) sensors.CentiPercent {
	return sensors.CentiPercent(math.Round(min(max(milli, -100_000), 1_000_000) / 10))
}
