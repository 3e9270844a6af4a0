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
	if v, ok := plain(b); ok {
		return v, true
	}
	return decimal(b)
}

// decimal is hundredths of whatever strconv takes for a decimal number.
func decimal(b []byte) (int32, bool) {
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

// plain is hundredths of what a trace nearly always holds, without a float: up to six
// digits and, behind a point, up to two more.
func plain(b []byte) (int32, bool) {
	digits := b
	if len(b) > 0 && b[0] == '-' {
		digits = b[1:]
	}
	v, i := int32(0), 0
	for ; i < len(digits) && i < 6 && digits[i]-'0' <= 9; i++ {
		v = 10*v + int32(digits[i]-'0')
	}
	if i == 0 || i < len(digits) && digits[i] != '.' {
		return 0, false
	}
	scale := int32(100)
	for i++; i < len(digits); i++ {
		if digits[i]-'0' > 9 || scale == 1 {
			return 0, false
		}
		v, scale = 10*v+int32(digits[i]-'0'), scale/10
	}
	v *= scale
	if len(digits) < len(b) {
		v = -v
	}
	return v, true
}

// notOfNumbers keeps out what strconv takes beside decimal numbers: names, hexadecimal
// digits and underscores.
func notOfNumbers(r rune) bool { return (r < '0' || r > '9') && !strings.ContainsRune("+-.eE", r) }
