package iio

import (
	"math"
	"strconv"

	"dewline/sensors"
)

// Decode decodes the text of one attribute: a decimal number as the kernel
// prints it, at most 40 characters, without exponent, sign words or spaces.
func Decode(text string) (float64, error) {
	const longest = 40
	if len(text) == 0 || len(text) > longest {
		return 0, sensors.Faultf(sensors.Malformed, "text of %d bytes where a number should be", len(text))
	}
	for _, c := range []byte(text) {
		if (c < '0' || c > '9') && c != '.' && c != '-' {
			return 0, sensors.Faultf(sensors.Malformed, "%q is not a number", text)
		}
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		return 0, sensors.Faultf(sensors.Malformed, "%q is not a number", text)
	}
	return v, nil
}

// inRange turns thousandths into hundredths and refuses what no probe for
// enclosures measures.
func inRange[T ~int32](milli float64, low, high T) (T, error) {
	centi := math.Round(milli / 10)
	if centi < float64(low) || centi > float64(high) {
		return 0, sensors.Faultf(sensors.OutOfRange, "%g thousandths is outside what a probe can measure", milli)
	}
	return T(centi), nil
}
