package configs

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"dewline/configs/unit"
)

// Celsius is a temperature in degrees Celsius. In TOML "26.5 °C" or "80 F".
type Celsius float64

// CelsiusDelta is a temperature difference in kelvins. In TOML "0.5 °C" or
// "0.9 F"; the offset of 32 plays no part.
type CelsiusDelta float64

// Percent is a relative humidity or another share in percent. In TOML "70 %".
type Percent float64

// Litres is a volume. In TOML "90 L" or "24 gal" (US gallons of 3.785411784 L).
type Litres float64

// Duration is a span of time. In TOML "10s", "5 min", "36h", "6 months" (of 30 days).
type Duration time.Duration

// D returns d as a time.Duration.
func (d Duration) D() time.Duration { return time.Duration(d) }

// A Band is a temperature range with both ends inside it. In TOML "22-26 °C".
type Band struct{ Low, High Celsius }

// LitresPerGallon is the US gallon of 231 cubic inches (NIST Handbook 44,
// Appendix C).
const LitresPerGallon = 3.785411784

// A quantityError is text that does not hold the quantity asked for.
type quantityError struct{ what, do string }

func (e *quantityError) Error() string { return e.what + "; " + e.do }

// refuse builds the error of a quantity: what is wrong, and what to do.
func refuse(do, format string, args ...any) error {
	return &quantityError{what: fmt.Sprintf(format, args...), do: do}
}

// number splits text into the decimal number it begins with and the rest,
// both without spaces around. Exponents, NaN, Inf, digit separators and
// decimal commas are refused: each has been a typing error, not a wish.
func number(text, do string) (float64, string, error) {
	text = strings.TrimSpace(text)
	body := strings.Replace(text, "−", "-", 1)
	end := 0
	for end < len(body) && (isDigit(body[end]) || body[end] == '.' || (end == 0 && (body[end] == '-' || body[end] == '+'))) {
		end++
	}
	rest := strings.TrimSpace(body[end:])
	switch {
	case strings.HasPrefix(body[end:], ",") && end > 0:
		return 0, "", refuse("write a decimal point, as in 26.5", "%q has a comma in its number", text)
	case !strings.ContainsFunc(body[:end], unicode.IsDigit):
		return 0, "", refuse(do, "%q does not begin with a number", text)
	}
	v, err := strconv.ParseFloat(body[:end], 64)
	if err != nil || math.IsInf(v, 0) {
		return 0, "", refuse(do, "%q does not begin with a usable number", text)
	}
	return v, rest, nil
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }

// A scale is how one kind of quantity is written: in its own unit, of any of these
// names, or in another that convert brings to it, and from least to most.
type scale struct {
	hint, kind    string
	own, others   []string
	convert       func(float64) float64
	least, most   float64
	doubt, beyond string // what to do about another number, and what is wrong
	anyCase       bool   // of the names
}

func (s *scale) read(text []byte, to *float64) error {
	v, unit, err := number(string(text), s.hint)
	name := unit
	if s.anyCase {
		name = strings.ToLower(unit)
	}
	switch {
	case err != nil:
		return err
	case unit == "":
		return refuse(s.hint, "%q has no unit", text)
	case slices.Contains(s.others, name):
		v = s.convert(v)
	case !slices.Contains(s.own, name):
		return refuse(s.hint, "%q is not a unit of %s", unit, s.kind)
	}
	if v < s.least || v > s.most {
		return refuse(s.doubt, s.beyond, text)
	}
	*to = v
	return nil
}

const bothDoubted = "check the number and its unit"

var celsiusNames, fahrenheitNames = []string{"°C", "C", "℃"}, []string{"°F", "F", "℉"}

func (Celsius) example() string { return "26.5 °C" }

// UnmarshalText reads a number with °C, C, °F or F, within -50 to 100 °C.
func (c *Celsius) UnmarshalText(text []byte) error {
	s := scale{
		`write it with its unit, as in "26.5 °C" or "80 F"`, "temperature", celsiusNames, fahrenheitNames,
		func(f float64) float64 { return float64(unit.FromFahrenheit(f)) }, -50, 100, bothDoubted, "%q is outside -50 to 100 °C", false,
	}
	return s.read(text, (*float64)(c))
}

// String writes at most two decimals and the unit.
func (c Celsius) String() string { return short(float64(c)) + " °C" }

func (CelsiusDelta) example() string { return "0.5 °C" }

// UnmarshalText reads a number with °C, C, K, °F or F, within 0 to 50 °C.
func (c *CelsiusDelta) UnmarshalText(text []byte) error {
	s := scale{
		`write the difference with its unit, as in "0.5 °C" or "0.9 F"`, "temperature", append([]string{"K"}, celsiusNames...), fahrenheitNames,
		func(f float64) float64 { return float64(unit.DeltaFromFahrenheit(f)) }, 0, 50, bothDoubted, "the difference %q is outside 0 to 50 °C", false,
	}
	return s.read(text, (*float64)(c))
}

// String writes at most two decimals and the unit.
func (c CelsiusDelta) String() string { return short(float64(c)) + " °C" }

func (Percent) example() string { return "70 %" }

// UnmarshalText reads a number with %, within 0 to 100.
func (p *Percent) UnmarshalText(text []byte) error {
	s := scale{
		`write it with its unit, as in "70 %"`, "humidity", []string{"%", "%RH", "% RH"}, nil,
		nil, 0, 100, "check the number", "%q is outside 0 to 100 %%", false,
	}
	return s.read(text, (*float64)(p))
}

// String writes at most two decimals and the unit.
func (p Percent) String() string { return short(float64(p)) + " %" }

func (Litres) example() string { return "90 L" }

// largestLitres is well above any glass enclosure that a rack holds.
const largestLitres = 100_000

// UnmarshalText reads a number with L or gal (US), above 0.
func (l *Litres) UnmarshalText(text []byte) error {
	s := scale{
		`write it with its unit, as in "90 L" or "24 gal"`, "volume", []string{"l", "litre", "litres", "liter", "liters"}, []string{"gal", "us gal", "gallon", "gallons"},
		func(gal float64) float64 { return gal * LitresPerGallon }, math.SmallestNonzeroFloat64, largestLitres,
		bothDoubted, "%q is not the volume of an enclosure", true,
	}
	return s.read(text, (*float64)(l))
}

// String writes at most two decimals and the unit.
func (l Litres) String() string { return short(float64(l)) + " L" }

// Gallons returns the volume in US gallons.
func (l Litres) Gallons() float64 { return float64(l) / LitresPerGallon }

func (Band) example() string { return "22-26 °C" }

const bandHint = `write both ends and the unit, as in "22-26 °C" or "72-79 F"`

// UnmarshalText reads two numbers with a hyphen or en dash between them and
// one unit behind, the lower number first.
func (b *Band) UnmarshalText(text []byte) error {
	first, rest, err := number(string(text), bandHint)
	if err != nil {
		return err
	}
	after, found := strings.CutPrefix(strings.Replace(rest, "–", "-", 1), "-")
	if !found {
		return refuse(bandHint, "%q is not a range", text)
	}
	_, unit, err := number(after, bandHint)
	if err != nil {
		return err
	}
	var got Band
	if err := got.High.UnmarshalText([]byte(after)); err != nil {
		return err
	}
	if err := got.Low.UnmarshalText([]byte(exact(first) + unit)); err != nil {
		return err
	}
	if got.Low >= got.High {
		return refuse("write the lower end first", "the range %q does not rise", text)
	}
	*b = got
	return nil
}

// String writes at most two decimals and the unit.
func (b Band) String() string { return short(float64(b.Low)) + "–" + short(float64(b.High)) + " °C" }

// exact writes the shortest decimal that reads back as v; short rounds it to
// two decimals, finer than any probe.
func exact(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

func short(v float64) string {
	return strconv.FormatFloat(math.Round(v*100)/100, 'f', -1, 64)
}

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

// A spanUnit is a unit of time by its names: of many, of one, and others.
type spanUnit struct {
	length time.Duration
	names  []string
}

// spanUnits begin with the longest. A bare "m" is none on purpose: it may stand for
// minutes or for months.
func spanUnits() []spanUnit {
	return []spanUnit{
		{year, []string{"years", "year"}}, {month, []string{"months", "month"}},
		{week, []string{"weeks", "week"}}, {day, []string{"days", "day", "d"}},
		{time.Hour, []string{"h", "h", "hour", "hours"}}, {time.Minute, []string{"min", "min", "minute", "minutes"}},
		{time.Second, []string{"s", "s", "sec", "second", "seconds"}}, {time.Millisecond, []string{"ms"}},
	}
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
	of, known := find(spanUnits(), func(u spanUnit) bool { return slices.Contains(u.names, unit) })
	switch {
	case unit == "m":
		return 0, refuse(`write "min" or "months"`, `the unit "m" in %q may mean minutes or months`, text)
	case unit == "":
		return 0, refuse(durationHint, "%q has no unit", text)
	case !known:
		return 0, refuse(durationHint, "%q is not a unit of time", unit)
	case v < 0:
		return 0, refuse("write a span of 0 or more", "%q is negative", text)
	case v > float64(longestDuration)/float64(of.length):
		return 0, refuse("check the number and its unit", "%q is longer than 100 years", text)
	}
	return time.Duration(math.Round(v * float64(of.length))), nil
}

// String writes d in the largest unit that divides it, and never in weeks.
func (d Duration) String() string {
	t := time.Duration(d)
	if t == 0 {
		return "0 s"
	}
	for _, u := range spanUnits() {
		if t%u.length != 0 || u.length == week || u.length == time.Millisecond {
			continue
		}
		name := u.names[0]
		if t == u.length {
			name = u.names[1]
		}
		return strconv.FormatInt(int64(t/u.length), 10) + " " + name
	}
	// Milliseconds with as many decimals as nanoseconds need.
	return exact(float64(t)/float64(time.Millisecond)) + " ms"
}

const (
	second = Duration(time.Second)
	minute = Duration(time.Minute)
	hour   = Duration(time.Hour)
)

// Charge is how full a battery is, in what its node sends. In TOML "20 %" or "3.3 V".
type Charge struct {
	Figure float64
	Unit   string // "%" or "V"
}

func (Charge) example() string { return "20 %" }

// UnmarshalText reads a number above 0 with % or V.
func (c *Charge) UnmarshalText(text []byte) error {
	const hint = `write it with its unit, as in "20 %" or "3.3 V"`
	v, unit, err := number(string(text), hint)
	switch {
	case err != nil:
		return err
	case unit == "":
		return refuse(hint, "the charge %q has no unit", text)
	case unit != "%" && unit != "V":
		return refuse(hint, "the unit %q is neither %% nor V", unit)
	case v <= 0 || v >= 100:
		return refuse("check the number and its unit", "the charge %q is outside 0 to 100", text)
	}
	*c = Charge{v, unit}
	return nil
}

// find returns the first of a list that is wanted, false for none.
func find[T any](list []T, wanted func(T) bool) (found T, ok bool) {
	if i := slices.IndexFunc(list, wanted); i >= 0 {
		return list[i], true
	}
	return found, false
}
