package configs

import (
	"encoding"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"dewline/configs/draws"

	"pgregory.net/rapid"
)

func TestTemperatures(t *testing.T) {
	for _, x := range []struct {
		text string
		want Celsius
	}{
		// NIST SP 811 (2008), Appendix B.8: t/°C = (t/°F - 32)/1.8; fixed
		// points of it.
		{"32 °F", 0}, {"212 F", 100}, {"-40 F", -40}, {"86 F", 30}, {"98.6 °F", 37},
		{"26.5 °C", 26.5}, {"26.5°C", 26.5}, {"26.5C", 26.5}, {" 0.5  C ", 0.5}, {"-5 °C", -5}, {"−5 °C", -5}, {"26.5 ℃", 26.5},
	} {
		var got Celsius
		if err := got.UnmarshalText([]byte(x.text)); err != nil || math.Abs(float64(got-x.want)) > 1e-12 {
			t.Errorf("%q: %v, %v; want %v", x.text, got, err, x.want)
		}
	}
}

// A limit is reached at the value itself, so whole degrees must be exact.
func TestWholeFahrenheitIsExact(t *testing.T) {
	var got Celsius
	if err := got.UnmarshalText([]byte("86 F")); err != nil || got != 30 {
		t.Errorf("86 F = %v, %v; want exactly 30", float64(got), err)
	}
}

func TestDifferencesHaveNoOffset(t *testing.T) {
	for text, want := range map[string]CelsiusDelta{"0.9 F": 0.5, "0.5 °C": 0.5, "3 K": 3, "1.8 °F": 1} {
		var got CelsiusDelta
		if err := got.UnmarshalText([]byte(text)); err != nil || got != want {
			t.Errorf("%q: %v, %v; want %v", text, got, err, want)
		}
	}
}

func TestVolumes(t *testing.T) {
	for text, want := range map[string]Litres{
		// NIST Handbook 44, Appendix C: 1 gallon = 231 cubic inches =
		// 3.785411784 L; 10 and 100 times follow.
		"1 gal": 3.785411784, "10 gallons": 37.85411784, "100 US gal": 378.5411784,
		"90 L": 90, "90l": 90, "90 litres": 90, "90 liters": 90,
	} {
		var got Litres
		if err := got.UnmarshalText([]byte(text)); err != nil || math.Abs(float64(got-want)) > 1e-12*float64(want) {
			t.Errorf("%q: %v, %v; want %v", text, float64(got), err, want)
		}
	}
	if g := Litres(37.85411784).Gallons(); math.Abs(g-10) > 1e-12 {
		t.Errorf("37.85411784 L = %v gal, want 10", g)
	}
}

func TestDurations(t *testing.T) {
	for text, want := range map[string]string{
		"10s": "10 s", "5 min": "5 min", "36h": "36 h", "6 months": "6 months", "1 year": "1 year",
		"1 h 30 min": "90 min", "1h30min": "90 min", "0.5 h": "30 min", "90 s": "90 s", "48 h": "2 days",
		"2 weeks": "14 days", "0 s": "0 s", "250 ms": "250 ms", "1.5 s": "1500 ms", "1 day": "1 day",
	} {
		var got Duration
		if err := got.UnmarshalText([]byte(text)); err != nil || got.String() != want {
			t.Errorf("%q: %q, %v; want %q", text, got, err, want)
		}
	}
}

// Months and years are spans of fixed length, as the type promises.
func TestCalendarWordsAreSpans(t *testing.T) {
	for text, days := range map[string]int{"1 day": 1, "1 week": 7, "6 months": 180, "1 year": 365, "2 years": 730} {
		var got Duration
		if err := got.UnmarshalText([]byte(text)); err != nil || got.D() != time.Duration(days)*24*time.Hour {
			t.Errorf("%q: %v, %v; want %d days", text, got.D(), err, days)
		}
	}
}

func TestBands(t *testing.T) {
	for text, want := range map[string]Band{
		"22-26 °C": {22, 26}, "22–26 °C": {22, 26}, "22.5 - 26C": {22.5, 26}, "-5-3 °C": {-5, 3},
		"22 °C": {}, "68-77 F": {20, 25},
	} {
		var got Band
		err := got.UnmarshalText([]byte(text))
		if (err != nil) != (want == Band{}) || got != want {
			t.Errorf("%q: %v, %v; want %v", text, got, err, want)
		}
	}
}

// Each text is one that somebody could type; none may become a number.
func TestRefusedQuantities(t *testing.T) {
	for _, x := range []struct {
		into encoding.TextUnmarshaler
		text string
		want string
	}{
		{new(Celsius), "26", `"26" has no unit`},
		{new(Celsius), "", `"" does not begin with a number`},
		{new(Celsius), "-", `"-" does not begin with a number`},
		{new(Celsius), "NaN °C", `"NaN °C" does not begin with a number`},
		{new(Celsius), "+Inf °C", `"+Inf °C" does not begin with a number`},
		{new(Celsius), "26,5 °C", `"26,5 °C" has a comma in its number; write a decimal point, as in 26.5`},
		{new(Celsius), "1.2.3 °C", `"1.2.3 °C" does not begin with a usable number`},
		{new(Celsius), strings.Repeat("9", 400) + " °C", `does not begin with a usable number`},
		{new(Celsius), "2_6 °C", `"_6 °C" is not a unit of temperature`},
		{new(Celsius), "26 c", `"c" is not a unit of temperature`},
		{new(Celsius), "-50.1 °C", `"-50.1 °C" is outside -50 to 100 °C`},
		{new(Celsius), "100.1 °C", `"100.1 °C" is outside -50 to 100 °C`},
		{new(Celsius), "213 F", `"213 F" is outside -50 to 100 °C`},
		{new(CelsiusDelta), "-1 °C", `the difference "-1 °C" is outside 0 to 50 °C`},
		{new(Percent), "0.7", `"0.7" has no unit`},
		{new(Percent), "70 percent", `"percent" is not a unit of humidity`},
		{new(Percent), "100.1 %", `"100.1 %" is outside 0 to 100 %`},
		{new(Litres), "0 L", `"0 L" is not the volume of an enclosure`},
		{new(Litres), "10 m3", `"m3" is not a unit of volume`},
		{new(Duration), "10", `"10" has no unit`},
		{new(Duration), "5m", `the unit "m" in "5m" may mean minutes or months`},
		{new(Duration), "1 h -5 min", `"1 h -5 min" is negative`},
		{new(Duration), "60 years 60 years", `is longer than 100 years`},
		{new(Duration), "9999999999999999 years", `is longer than 100 years`},
		{new(Band), "26-22 °C", `the range "26-22 °C" does not rise`},
		{new(Band), "22-22 °C", `the range "22-22 °C" does not rise`},
		{new(Band), "22-26", `has no unit`},
		{new(ClockTime), "24:00", `"24:00" is not a time of day`},
		{new(ClockTime), "8:0", `"8:0" is not a time of day`},
		{new(ClockTime), "08:00:00", `"08:00:00" is not a time of day`},
		{new(ClockTime), "+8:00", `"+8:00" is not a time of day`},
		{new(ClockSpan), "08:00-08:00", `begins and ends at one time`},
		{new(ClockSpan), "08:00", `is not a span of the day`},
	} {
		err := x.into.UnmarshalText([]byte(x.text))
		if err == nil || !strings.Contains(err.Error(), x.want) {
			t.Errorf("%T from %q: %v; want %s", x.into, x.text, err, x.want)
		}
	}
}

// What a quantity writes, it reads back as the same value.
func TestRoundTrip(t *testing.T) {
	draws.Check(t, func(t *rapid.T) {
		hundredths := func(low, high int, label string) float64 {
			return float64(rapid.IntRange(low, high).Draw(t, label)) / 100
		}
		low := Celsius(hundredths(-5000, 9900, "low"))
		high := Celsius(hundredths(int(math.Round(float64(low)*100))+1, 10000, "high"))
		from := ClockTime(rapid.IntRange(0, 1439).Draw(t, "from"))
		to := ClockTime((int(from) + rapid.IntRange(1, 1439).Draw(t, "length")) % 1440)
		same(t, low)
		same(t, CelsiusDelta(hundredths(0, 5000, "delta")))
		same(t, Percent(hundredths(0, 10000, "percent")))
		same(t, Litres(hundredths(1, 1e7, "litres")))
		same(t, Duration(rapid.Int64Range(0, int64(100*day)).Draw(t, "duration")))
		same(t, Duration(rapid.Int64Range(0, int64(longestDuration/1e9)).Draw(t, "seconds"))*second)
		same(t, Band{low, high})
		same(t, from)
		same(t, ClockSpan{from, to})
	})
}

func same[T comparable](t *rapid.T, want T) {
	text := []byte(any(want).(fmt.Stringer).String())
	var got T
	if err := any(&got).(encoding.TextUnmarshaler).UnmarshalText(text); err != nil || got != want {
		t.Fatalf("%v written as %q reads back as %v, %v", want, text, got, err)
	}
}

// Any text either is refused or gives a finite value inside the limits of its
// type, which the text form keeps.
func FuzzQuantities(f *testing.F) {
	for _, s := range []string{"26.5 °C", "72-79 F", "22–26 °C", "70 %", "24 gal", "1 h 30 min", "08:00-20:00", "−5 °C", "1e309 L", "NaN"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		var c Celsius
		var d CelsiusDelta
		var p Percent
		var l Litres
		var span Duration
		var b Band
		var at ClockTime
		var hours ClockSpan
		for _, x := range []struct {
			into encoding.TextUnmarshaler
			fine func() bool
		}{
			{&c, func() bool { return c >= -50 && c <= 100 }},
			{&d, func() bool { return d >= 0 && d <= 50 }},
			{&p, func() bool { return p >= 0 && p <= 100 }},
			{&l, func() bool { return l > 0 && l <= largestLitres }},
			{&span, func() bool { return span >= 0 && span <= Duration(longestDuration) }},
			{&b, func() bool { return b.Low < b.High && b.Low >= -50 && b.High <= 100 }},
			{&at, func() bool { return at >= 0 && at < 24*60 }},
			{&hours, func() bool { return hours.From != hours.To }},
		} {
			if x.into.UnmarshalText([]byte(s)) == nil && !x.fine() {
				t.Errorf("%q gives %T %v", s, x.into, x.into)
			}
		}
	})
}
