package trace

import (
	"bytes"
	"fmt"
	"math"
	"strconv"
)

// What a value can be at all, in hundredths: anything beyond is a slip of
// columns or units rather than a climate.
const (
	coldest = -27315
	hottest = 100000
	driest  = -10000
	wettest = 20000
)

// hundredths reads a decimal number as hundredths, halves away from zero. It
// works on the digits, so 1.005 is 1.01 whatever a float would make of it.
func hundredths(b []byte) (int32, bool) {
	rest, negative := b, false
	if len(b) > 0 && (b[0] == '-' || b[0] == '+') {
		rest, negative = b[1:], b[0] == '-'
	}
	whole, i := int32(0), 0
	for ; i < len(rest) && isDigit(rest[i]); i++ {
		if whole > 1_000_000 {
			return 0, false
		}
		whole = whole*10 + int32(rest[i]-'0')
	}
	digits := i
	whole *= 100
	if i < len(rest) && rest[i] == '.' {
		part, n := decimals(rest[i+1:])
		whole += part
		digits += n
		i += 1 + n
	}
	if digits == 0 || i < len(rest) {
		return exponent(b)
	}
	if negative {
		whole = -whole
	}
	return whole, true
}

// decimals reads the n digits behind the point, rounded to hundredths.
func decimals(b []byte) (part int32, n int) {
	for n < len(b) && isDigit(b[n]) {
		d := int32(b[n] - '0')
		switch {
		case n == 0:
			part = 10 * d
		case n == 1:
			part += d
		case n == 2 && d >= 5:
			part++
		}
		n++
	}
	return part, n
}

// exponent reads the rarer forms, such as 6.25e+00.
func exponent(b []byte) (int32, bool) {
	if bytes.IndexByte(b, 'e') < 0 && bytes.IndexByte(b, 'E') < 0 || bytes.ContainsAny(b, "xX_") {
		return 0, false
	}
	f, err := strconv.ParseFloat(string(b), 64)
	if err != nil || math.Abs(f) > 1e6 {
		return 0, false
	}
	return int32(math.Round(f * 100)), true
}

func isDigit(c byte) bool { return '0' <= c && c <= '9' }

// value reads a field between two bounds; what names it in the error.
func value(b []byte, low, high int32, what string) (int32, error) {
	v, ok := hundredths(b)
	if !ok {
		return 0, fmt.Errorf("%s %q is not a number such as 23.45", what, b)
	}
	if v < low || v > high {
		return 0, fmt.Errorf("%s %s lies outside %d to %d: are the columns and units right?",
			what, b, low/100, high/100)
	}
	return v, nil
}

// appendHundredths writes v with two decimals.
func appendHundredths(b []byte, v int32) []byte {
	n := int64(v)
	if n < 0 {
		b = append(b, '-')
		n = -n
	}
	b = strconv.AppendInt(b, n/100, 10)
	return append(b, '.', byte('0'+n/10%10), byte('0'+n%10))
}
