package configs

import "time"

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

// ClockTime is a time of day in minutes since midnight. In TOML "08:00".
type ClockTime int

// A ClockSpan runs from From to To and crosses midnight where To < From. In
// TOML "08:00-20:00".
type ClockSpan struct{ From, To ClockTime }

// A Band is a temperature range with both ends inside it. In TOML
// "22-26 °C".
type Band struct{ Low, High Celsius }
