package configs

import (
	"strings"
	"time"
)

// A Date is one day. In TOML a text, "2026-10-15".
type Date struct {
	Year  int
	Month time.Month
	Day   int
}

func (Date) example() string { return "2026-10-15" }

// UnmarshalText reads year, month and day.
func (d *Date) UnmarshalText(text []byte) error {
	t, err := time.Parse(time.DateOnly, strings.TrimSpace(string(text)))
	if err != nil {
		return refuse(`write year, month and day, as in "2026-10-15"`, "%q is not a day", text)
	}
	d.Year, d.Month, d.Day = t.Date()
	return nil
}

// String writes "2006-01-02".
func (d Date) String() string { return d.noon().Format(time.DateOnly) }

func (d Date) noon() time.Time { return time.Date(d.Year, d.Month, d.Day, 12, 0, 0, 0, time.UTC) }

// daysUntil counts the days to the local day of at.
func (d Date) daysUntil(at time.Time) int {
	y, m, day := at.Date()
	return int((Date{y, m, day}).noon().Sub(d.noon()) / (24 * time.Hour))
}

// A YearDay is a day of any year, 0 for 1 January, counted as in a year of 365
// days. In TOML "1 Nov" or "11-01", month before day. 29 February is not in
// every year: a file may not name it, and it counts as the 28th.
type YearDay int

func (YearDay) example() string { return "1 Nov" }

// UnmarshalText reads a day and the name of its month, or month and day in
// digits.
func (d *YearDay) UnmarshalText(text []byte) error {
	s := strings.Join(strings.Fields(string(text)), " ")
	for _, layout := range []string{"2 Jan", "2 January", "Jan 2", "January 2", "01-02", "1-2"} {
		t, err := time.Parse("2006 "+layout, "2024 "+s) // a leap year
		switch {
		case err != nil:
		case t.Month() == time.February && t.Day() == 29:
			return refuse(`write "28 Feb" or "1 Mar"`, "29 February is not in every year")
		default:
			*d = YearDayOf(t)
			return nil
		}
	}
	return refuse(`write day and month, as in "1 Nov", or month and day, as in "11-01"`, "%q is not a day of the year", text)
}

// String writes "1 Nov".
func (d YearDay) String() string {
	return time.Date(2001, 1, 1+int(d), 0, 0, 0, 0, time.UTC).Format("2 Jan")
}

// YearDayOf is the day of the year that t's clock shows.
func YearDayOf(t time.Time) YearDay {
	_, m, day := t.Date()
	if m == time.February && day == 29 {
		day = 28
	}
	return YearDay(time.Date(2001, m, day, 0, 0, 0, 0, time.UTC).YearDay() - 1)
}
