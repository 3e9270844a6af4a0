package trace

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
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
	if v, n := plain(b); n > 0 && n == len(b) {
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

// plain reads from the front of b, without a float, hundredths of what a trace nearly always
// holds: up to six digits and, behind a point, up to two more. It took n bytes, 0 for none.
func plain(b []byte) (v int32, n int) {
	if v, ok := usual(b); ok {
		return v, 5
	}
	negative := len(b) > 0 && b[0] == '-'
	if negative {
		n = 1
	}
	whole, took := digits(b[n:], 6)
	if took == 0 {
		return 0, 0
	}
	v, n = 100*whole, n+took
	if n < len(b) && b[n] == '.' {
		part, took := digits(b[n+1:], 2)
		if took == 1 {
			part *= 10
		}
		v, n = v+part, n+1+took
	}
	if negative {
		v = -v
	}
	return v, n
}

// usual reads what nearly all numbers look like: 23.45.
func usual(b []byte) (int32, bool) {
	if len(b) < 5 || b[2] != '.' {
		return 0, false
	}
	t, o, d, h := b[0]-'0', b[1]-'0', b[3]-'0', b[4]-'0'
	return 1000*int32(t) + 100*int32(o) + 10*int32(d) + int32(h), t <= 9 && o <= 9 && d <= 9 && h <= 9
}

// digits reads as many digits as there are, most at the most.
func digits(b []byte, most int) (v int32, took int) {
	for took < len(b) && took < most && b[took]-'0' <= 9 {
		v = 10*v + int32(b[took]-'0')
		took++
	}
	return v, took
}

// notOfNumbers keeps out what strconv takes beside decimal numbers: names, hexadecimal
// digits and underscores.
func notOfNumbers(r rune) bool { return (r < '0' || r > '9') && !strings.ContainsRune("+-.eE", r) }

// A moments reads the time column. The rows of one poll share their time, so it
// is kept from one row to the next.
type moments struct {
	loc *time.Location // that results are given in, and of times without a zone

	text []byte // the last field and what it meant
	last time.Time
}

// read turns a field into a time.
func (m *moments) read(b []byte) (time.Time, error) {
	if len(m.text) > 0 && bytes.Equal(b, m.text) {
		return m.last, nil
	}
	t, err := m.parse(b)
	if err != nil {
		return time.Time{}, fmt.Errorf("time %q %w", b, err)
	}
	if y := t.UTC().Year(); y < 0 || y > 9999 { // an offset led out of RFC 3339's years
		return time.Time{}, fmt.Errorf("time %q is of the year %d in UTC", b, y)
	}
	m.text, m.last = append(m.text[:0], b...), t
	if bytes.IndexByte(b, ',') >= 0 { // a line has to quote it: it is read each time
		m.text = m.text[:0]
	}
	return t, nil
}

func (m *moments) parse(b []byte) (time.Time, error) {
	const zoneless = "2006-01-02T15:04:05"
	var strictly time.Time
	if strictly.UnmarshalText(b) == nil { // without an allocation
		return strictly.In(m.loc), nil
	}
	text := strict(b)
	if t, err := time.Parse(time.RFC3339, text); err == nil {
		return t.In(m.loc), nil
	}
	t, err := time.ParseInLocation(zoneless, text, m.loc)
	if err != nil {
		return t, errors.New("is not RFC 3339 such as 2026-07-01T13:00:00Z")
	}
	return t, nil
}

// strict brings what RFC 3339 allows to what package time takes: a space or a
// small letter may stand for the T, and a small one for the Z.
func strict(b []byte) string {
	text := bytes.Clone(b)
	if len(text) > 10 && (text[10] == ' ' || text[10] == 't') {
		text[10] = 'T'
	}
	if n := len(text); n > 0 && text[n-1] == 'z' {
		text[n-1] = 'Z'
	}
	return string(text)
}
