package configs

import (
	"math"
	"strconv"
	"strings"
	"time"
	"unicode"
)

// Months and years are spans here, not calendar dates: a retention of six
// months need not know which six.
const (
	day   = 24 * time.Hour
	week  = 7 * day
	month = 30 * day
	year  = 365 * day
	// longestDuration keeps sums of durations far from overflow.
	longestDuration = 100 * year
)

const durationHint = `write it with its unit, as in "10 s", "5 min", "36 h", "7 days" or "6 months"`

func (Duration) example() string { return "10 s" }

// durationUnit returns the length of one unit, 0 for an unknown one. A bare
// "m" is unknown on purpose: it may stand for minutes or for months.
func durationUnit(unit string) time.Duration {
	switch unit {
	case "ms":
		return time.Millisecond
	case "s", "sec", "second", "seconds":
		return time.Second
	case "min", "minute", "minutes":
		return time.Minute
	case "h", "hour", "hours":
		return time.Hour
	case "d", "day", "days":
		return day
	case "week", "weeks":
		return week
	case "month", "months":
		return month
	case "year", "years":
		return year
	}
	return 0
}

// UnmarshalText reads one or more numbers with their units, as in "90 s" or
// "1 h 30 min", up to 100 years in sum.
func (d *Duration) UnmarshalText(text []byte) error {
	var sum time.Duration
	rest := string(text)
	for first := true; first || rest != ""; first = false {
		v, tail, err := number(rest, durationHint)
		if err != nil {
			return err
		}
		end := strings.IndexFunc(tail, func(r rune) bool { return !unicode.IsLetter(r) })
		if end < 0 {
			end = len(tail)
		}
		part, err := durationPart(string(text), v, tail[:end])
		if err != nil {
			return err
		}
		if sum += part; sum > longestDuration {
			return refuse("check the number and its unit", "%q is longer than 100 years", text)
		}
		rest = strings.TrimSpace(tail[end:])
	}
	*d = Duration(sum)
	return nil
}

// durationPart returns the length of one number and its unit out of text.
func durationPart(text string, v float64, unit string) (time.Duration, error) {
	length := durationUnit(unit)
	switch {
	case unit == "m":
		return 0, refuse(`write "min" or "months"`, `the unit "m" in %q may mean minutes or months`, text)
	case unit == "":
		return 0, refuse(durationHint, "%q has no unit", text)
	case length == 0:
		return 0, refuse(durationHint, "%q is not a unit of time", unit)
	case v < 0:
		return 0, refuse("write a span of 0 or more", "%q is negative", text)
	case v > float64(longestDuration)/float64(length):
		return 0, refuse("check the number and its unit", "%q is longer than 100 years", text)
	}
	return time.Duration(math.Round(v * float64(length))), nil
}

// String writes d in the largest unit that divides it.
func (d Duration) String() string {
	t := time.Duration(d)
	for _, u := range []struct {
		length time.Duration
		name   string
	}{{year, "years"}, {month, "months"}, {day, "days"}, {time.Hour, "h"}, {time.Minute, "min"}, {time.Second, "s"}} {
		if t != 0 && t%u.length == 0 {
			name := u.name
			if t == u.length && len(name) > 3 { // 1 day, not 1 days
				name = name[:len(name)-1]
			}
			return strconv.FormatInt(int64(t/u.length), 10) + " " + name
		}
	}
	if t == 0 {
		return "0 s"
	}
	// Milliseconds with as many decimals as nanoseconds need.
	return exact(float64(t)/float64(time.Millisecond)) + " ms"
}

const (
	second = Duration(time.Second)
	minute = Duration(time.Minute)
	hour   = Duration(time.Hour)
)
