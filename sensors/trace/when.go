package trace

import (
	"bytes"
	"errors"
	"fmt"
	"time"
)

// A moments reads the time column. The rows of one poll share their time and
// those of one day their date, so both are kept from one row to the next.
type moments struct {
	loc      *time.Location // that results are given in, and of times without a zone
	zoneless bool           // whether such times are taken
	layout   string         // other than RFC 3339

	text []byte // the last field and what it meant
	last time.Time

	date [10]byte // the last date and its midnight in UTC
	base int64
}

var errNoZone = errors.New("has no zone: end it in Z or an offset such as +02:00, or name the zone that it is in")

// same reports whether the field is the one read last.
func (m *moments) same(b []byte) bool { return len(m.text) > 0 && bytes.Equal(b, m.text) }

// read turns a field into a time.
func (m *moments) read(b []byte) (time.Time, error) {
	if m.same(b) {
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
	return t, nil
}

func (m *moments) parse(b []byte) (time.Time, error) {
	if m.layout != "" {
		t, err := time.ParseInLocation(m.layout, string(b), m.loc)
		if err != nil {
			return t, fmt.Errorf("is not of the form %q", m.layout)
		}
		return t.In(m.loc), nil
	}
	c, ok := m.clock(b)
	if !ok {
		return time.Time{}, errors.New("is not RFC 3339 such as 2026-07-01T13:00:00Z")
	}
	if !c.zoned {
		if !m.zoneless {
			return time.Time{}, errNoZone
		}
		d := time.Unix(c.midnight, 0).UTC()
		return time.Date(d.Year(), d.Month(), d.Day(), 0, 0, c.second, c.nano, m.loc), nil
	}
	return time.Unix(c.midnight+int64(c.second)-int64(c.offset), int64(c.nano)).In(m.loc), nil
}

// A reading of the clock: RFC 3339 in parts.
type clock struct {
	midnight int64 // Unix seconds of the date in UTC
	second   int   // of the day
	nano     int
	offset   int // seconds east of UTC
	zoned    bool
}

const timeLen = len("2006-01-02T15:04:05")

// clock takes RFC 3339 apart; a space may stand for the T, and the zone may be
// missing.
func (m *moments) clock(b []byte) (c clock, ok bool) {
	if len(b) < timeLen || b[13] != ':' || b[16] != ':' || (b[10] != 'T' && b[10] != 't' && b[10] != ' ') {
		return c, false
	}
	if m.date != [10]byte(b) {
		base, ok := midnight(b[:10])
		if !ok {
			return c, false
		}
		m.date, m.base = [10]byte(b), base
	}
	hour, minute, second := two(b[11:]), two(b[14:]), two(b[17:])
	if uint(hour) > 23 || uint(minute) > 59 || uint(second) > 59 {
		return c, false
	}
	c.midnight, c.second = m.base, hour*3600+minute*60+second
	rest := b[timeLen:]
	if len(rest) > 0 && rest[0] == '.' {
		c.nano, rest = fraction(rest[1:])
		if c.nano < 0 {
			return c, false
		}
	}
	c.offset, c.zoned, ok = zone(rest)
	return c, ok
}

// midnight returns the Unix seconds of a date's start in UTC.
func midnight(b []byte) (int64, bool) {
	century, years, month, day := two(b), two(b[2:]), two(b[5:]), two(b[8:])
	if b[4] != '-' || b[7] != '-' || century < 0 || years < 0 || month < 1 || day < 1 {
		return 0, false
	}
	t := time.Date(100*century+years, time.Month(month), day, 0, 0, 0, 0, time.UTC)
	return t.Unix(), t.Day() == day && int(t.Month()) == month
}

// two reads two digits, -1 where they are none.
func two(b []byte) int {
	if !isDigit(b[0]) || !isDigit(b[1]) {
		return -1
	}
	return int(b[0]-'0')*10 + int(b[1]-'0')
}

// fraction reads the digits behind the point; further ones than nine are
// dropped. -1 means that there is none.
func fraction(b []byte) (nano int, rest []byte) {
	i, unit := 0, 100_000_000
	for ; i < len(b) && isDigit(b[i]); i++ {
		nano += int(b[i]-'0') * unit
		unit /= 10
	}
	if i == 0 {
		return -1, b
	}
	return nano, b[i:]
}

// zone reads what is left: nothing, Z, or an offset.
func zone(b []byte) (offset int, zoned, ok bool) {
	switch {
	case len(b) == 0:
		return 0, false, true
	case len(b) == 1:
		return 0, true, b[0] == 'Z' || b[0] == 'z'
	case len(b) != len("+02:00") || b[3] != ':':
		return 0, false, false
	}
	hour, minute := two(b[1:]), two(b[4:])
	if uint(hour) > 23 || uint(minute) > 59 {
		return 0, false, false
	}
	offset = hour*3600 + minute*60
	if b[0] == '-' {
		offset = -offset
	}
	return offset, true, b[0] == '+' || b[0] == '-'
}
