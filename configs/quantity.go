package configs

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode"

	"dewline/configs/unit"
)

// Celsius is a temperature in degrees Celsius. In TOML it is a string with its
// unit, "26.5 °C" or "80 F".
type Celsius float64

// CelsiusDelta is a temperature difference in kelvins. In TOML "0.5 °C" or
// "0.9 F"; the offset of 32 plays no part.
type CelsiusDelta float64

// Percent is a relative humidity or another share in percent. In TOML "70 %".
type Percent float64

// Litres is a volume. In TOML "90 L" or "24 gal" (US gallons of 3.785411784 L).
type Litres float64

// Duration is a span of time. In TOML "10s", "5 min", "36h", "6 months" (a
// month is 30 days, a year 365).
type Duration time.Duration

// D returns d as a time.Duration.
func (d Duration) D() time.Duration { return time.Duration(d) }

// A Band is a temperature range with both ends inside it. In TOML
// "22-26 °C".
type Band struct{ Low, High Celsius }

// LitresPerGallon is the US gallon of 231 cubic inches (NIST Handbook 44,
// Appendix C).
const LitresPerGallon = 3.785411784

// The temperatures that a configuration may name. Anything outside is a
// mistyped number or unit, not a frog room.
const (
	coldestCelsius = -50
	hottestCelsius = 100
	widestDelta    = 50
)

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

// temperatureUnit reports whether unit is Fahrenheit.
func temperatureUnit(text, unit, do string) (fahrenheit bool, err error) {
	switch unit {
	case "°C", "C", "℃":
		return false, nil
	case "°F", "F", "℉":
		return true, nil
	case "":
		return false, refuse(do, "%q has no unit", text)
	}
	return false, refuse(do, "%q is not a unit of temperature", unit)
}

func (Celsius) example() string { return "26.5 °C" }

const celsiusHint = `write it with its unit, as in "26.5 °C" or "80 F"`

// UnmarshalText reads a number with °C, C, °F or F, within -50 to 100 °C.
func (c *Celsius) UnmarshalText(text []byte) error {
	v, name, err := number(string(text), celsiusHint)
	if err != nil {
		return err
	}
	f, err := temperatureUnit(string(text), name, celsiusHint)
	if err != nil {
		return err
	}
	if f {
		v = float64(unit.FromFahrenheit(v))
	}
	if v < coldestCelsius || v > hottestCelsius {
		return refuse("check the number and its unit", "%q is outside -50 to 100 °C", text)
	}
	*c = Celsius(v)
	return nil
}

// MarshalText writes c in full, so that reading it back gives c again.
func (c Celsius) MarshalText() ([]byte, error) { return []byte(exact(float64(c)) + " °C"), nil }

// String writes at most two decimals and the unit.
func (c Celsius) String() string { return short(float64(c)) + " °C" }

func (CelsiusDelta) example() string { return "0.5 °C" }

const deltaHint = `write the difference with its unit, as in "0.5 °C" or "0.9 F"`

// UnmarshalText reads a number with °C, C, K, °F or F, within 0 to 50 °C.
func (c *CelsiusDelta) UnmarshalText(text []byte) error {
	v, name, err := number(string(text), deltaHint)
	if err != nil {
		return err
	}
	if name == "K" {
		name = "°C"
	}
	f, err := temperatureUnit(string(text), name, deltaHint)
	if err != nil {
		return err
	}
	if f {
		v = float64(unit.DeltaFromFahrenheit(v))
	}
	if v < 0 || v > widestDelta {
		return refuse("check the number and its unit", "the difference %q is outside 0 to 50 °C", text)
	}
	*c = CelsiusDelta(v)
	return nil
}

// MarshalText writes c in full, so that reading it back gives c again.
func (c CelsiusDelta) MarshalText() ([]byte, error) { return []byte(exact(float64(c)) + " °C"), nil }

// String writes at most two decimals and the unit.
func (c CelsiusDelta) String() string { return short(float64(c)) + " °C" }

func (Percent) example() string { return "70 %" }

const percentHint = `write it with its unit, as in "70 %"`

// UnmarshalText reads a number with %, within 0 to 100.
func (p *Percent) UnmarshalText(text []byte) error {
	v, unit, err := number(string(text), percentHint)
	if err != nil {
		return err
	}
	switch strings.ReplaceAll(unit, " ", "") {
	case "%", "%RH":
	case "":
		return refuse(percentHint, "%q has no unit", text)
	default:
		return refuse(percentHint, "%q is not a unit of humidity", unit)
	}
	if v < 0 || v > 100 {
		return refuse("check the number", "%q is outside 0 to 100 %%", text)
	}
	*p = Percent(v)
	return nil
}

// MarshalText writes p in full, so that reading it back gives p again.
func (p Percent) MarshalText() ([]byte, error) { return []byte(exact(float64(p)) + " %"), nil }

// String writes at most two decimals and the unit.
func (p Percent) String() string { return short(float64(p)) + " %" }

func (Litres) example() string { return "90 L" }

const litresHint = `write it with its unit, as in "90 L" or "24 gal"`

// largestLitres is well above any glass enclosure that a rack holds.
const largestLitres = 100_000

// UnmarshalText reads a number with L or gal (US), above 0.
func (l *Litres) UnmarshalText(text []byte) error {
	v, unit, err := number(string(text), litresHint)
	if err != nil {
		return err
	}
	switch strings.ToLower(unit) {
	case "l", "litre", "litres", "liter", "liters":
	case "gal", "us gal", "gallon", "gallons":
		v *= LitresPerGallon
	case "":
		return refuse(litresHint, "%q has no unit", text)
	default:
		return refuse(litresHint, "%q is not a unit of volume", unit)
	}
	if v <= 0 || v > largestLitres {
		return refuse("check the number and its unit", "%q is not the volume of an enclosure", text)
	}
	*l = Litres(v)
	return nil
}

// MarshalText writes l in full, so that reading it back gives l again.
func (l Litres) MarshalText() ([]byte, error) { return []byte(exact(float64(l)) + " L"), nil }

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

// MarshalText writes b in full, so that reading it back gives b again.
func (b Band) MarshalText() ([]byte, error) {
	return []byte(exact(float64(b.Low)) + "-" + exact(float64(b.High)) + " °C"), nil
}

// String writes at most two decimals and the unit.
func (b Band) String() string { return short(float64(b.Low)) + "–" + short(float64(b.High)) + " °C" }

// exact writes the shortest decimal that reads back as v; short rounds it to
// two decimals, finer than any probe.
func exact(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

func short(v float64) string {
	return strconv.FormatFloat(math.Round(v*100)/100, 'f', -1, 64)
}
