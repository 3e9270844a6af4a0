package trace

import (
	"bytes"
	"math"
	"strconv"
	"strings"
)

// What a value can be at all, in hundredths: anything beyond is a slip of
// columns or units rather than a climate.
const (
	coldest = -27315
	hottest = 100000
	driest  = -10000
	wettest = 20000
)

// hundredths reads a decimal number as hundredths, halves away from zero.
func hundredths(b []byte) (int32, bool) {
	if bytes.ContainsFunc(b, notOfNumbers) {
		return 0, false
	}
	f, err := strconv.ParseFloat(string(b), 64)
	if err != nil || math.Abs(f) > 1e6 {
		return 0, false
	}
	// The float of 1.005 lies below it, by less than this lifts it.
	const lift = 1 + 0x1p-51
	return int32(math.Round(f * 100 * lift)), true
}

// notOfNumbers keeps out what strconv takes beside decimal numbers: names, hexadecimal
// digits and underscores.
func notOfNumbers(r rune) bool { return (r < '0' || r > '9') && !strings.ContainsRune("+-.eE", r) }
