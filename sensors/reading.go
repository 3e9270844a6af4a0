// Package sensors holds what a probe delivers and how it is read: the Reading and its
// quality, the poller in which one goroutine owns one bus, the judge of what one probe
// says, and the arithmetic of calibration. It keeps nothing on disk and drives nothing.
//
// Temperatures are hundredths of a degree Celsius and humidities hundredths of a percent,
// as integers.
package sensors

import (
	"math"
	"strconv"
	"time"
)

// A ProbeID names a probe as the configuration does.
type ProbeID string

// CentiCelsius is a temperature in hundredths of a degree Celsius.
type CentiCelsius int32

// CentiPercent is a relative humidity in hundredths of a percent.
type CentiPercent int32

// CelsiusOf rounds °C to the nearest hundredth, halves away from zero. What an int32
// cannot hold becomes its end, and NaN the lower one, so that no judge believes it.
func CelsiusOf(c float64) CentiCelsius { return CentiCelsius(hundredths(c)) }

// PercentOf rounds percent relative humidity as CelsiusOf does.
func PercentOf(p float64) CentiPercent { return CentiPercent(hundredths(p)) }

// hundredths exists because converting NaN or an infinity to an integer gives
// 0 on some processors and the lowest integer on others. It rounds as math.Round, without
// a branch that noise takes as often as not.
func hundredths(v float64) int32 {
	switch v *= 100; {
	case !(v > math.MinInt32):
		return math.MinInt32
	case v >= math.MaxInt32:
		return math.MaxInt32
	}
	whole := int32(v)
	return whole + int32(2*(v-float64(whole)))
}

// Celsius returns the temperature in degrees Celsius.
func (c CentiCelsius) Celsius() float64 { return float64(c) / 100 }

// Percent returns the humidity in percent, 0 to 100 once clipped.
func (p CentiPercent) Percent() float64 { return float64(p) / 100 }

// String prints two decimals and the unit: "23.45 °C".
func (c CentiCelsius) String() string {
	return strconv.FormatFloat(c.Celsius(), 'f', 2, 64) + " °C"
}

// String prints two decimals and the unit: "84.10 %".
func (p CentiPercent) String() string {
	return strconv.FormatFloat(p.Percent(), 'f', 2, 64) + " %"
}

// Quantities is the set of values that a sample or reading holds.
type Quantities uint8

// The quantities a probe can deliver.
const (
	HasTemperature Quantities = 1 << iota
	HasHumidity
	HasLight
)

// A Sample is what a driver decoded from one probe: as measured, neither
// calibrated nor clipped.
type Sample struct {
	Has         Quantities
	Temperature CentiCelsius
	Humidity    CentiPercent
	LightLux    uint32
	// Doubt is the driver's own about values that it hands over all the same,
	// and Again says that they are those of the sample before, for want of newer
	// ones: they confirm nothing. The judge moves both to the reading.
	Doubt Reason
	Again bool
}

// Quality says how far a reading can be trusted. The zero value is Bad, so a
// reading that nobody judged is never taken for a good one.
type Quality uint8

// The qualities, from worst to best.
const (
	Bad     Quality = iota // not a measurement: never used as a value
	Suspect                // a value with a doubt, named by the reading's Reason
	Good
)

// String returns "bad", "suspect" or "good".
func (q Quality) String() string {
	if q > Good {
		q = Bad
	}
	return [...]string{"bad", "suspect", "good"}[q]
}

// A Reading is one judged and calibrated measurement of one probe.
type Reading struct {
	Probe   ProbeID
	At      Instant
	Quality Quality
	Reason  Reason // which doubt or fault; NoReason when Good
	Again   bool   // no new measurement: it confirms none of those before
	// Has names the quantities below that hold a value; a Bad reading has none
	// in the calibrated fields, whatever Raw keeps.
	Has         Quantities
	Temperature CentiCelsius // calibrated
	Humidity    CentiPercent // calibrated and clipped to 0–100 %
	LightLux    uint32
	Raw         Sample // as the driver gave it, for the record
	// How far the calibrated values can be trusted, about 95 %; zero where
	// nobody stated it.
	Uncertainty Stated
}

// A Contact is what one contact says: a fact, or the figure of a battery.
type Contact struct {
	ID string
	At Instant
	// Known is false where it cannot be read or has said nothing for too long: then
	// nothing follows from it. Waiting says that it may not have been heard yet.
	Known, Waiting bool
	Active         bool
	Value          float64 // of a battery, in the unit of its section
	Why            string  // it is not known
}

// An Instant is one moment as the board saw it. The board has no clock that
// survives a power cut, so durations come from Mono and only day and night
// come from Wall.
type Instant struct {
	// Mono is dewline's own running time. It never goes back, goes on across
	// restarts (the store remembers where it stopped), counts the time in which
	// the board sleeps but not that in which dewline is off, and is unaffected
	// by clock steps.
	Mono time.Duration `json:"mono"`
	// Wall is the board's idea of the time of day, which may be wrong.
	Wall time.Time `json:"wall"`
	// Synced says whether Wall had been set from outside since boot.
	Synced bool `json:"synced"`
}

// Same reports whether both are one and the same. It is ==, of which every reading
// asks several times, without a call.
func (i *Instant) Same(o *Instant) bool {
	return i.Mono == o.Mono && i.Synced == o.Synced && i.Wall == o.Wall
}

// Sub returns the running time from earlier to i.
func (i Instant) Sub(earlier Instant) time.Duration { return i.Mono - earlier.Mono }

// Add returns i moved by d on both clocks.
func (i Instant) Add(d time.Duration) Instant {
	return Instant{Mono: i.Mono + d, Wall: i.Wall.Add(d), Synced: i.Synced}
}

// IsZero reports whether i was never set.
func (i Instant) IsZero() bool { return i.Mono == 0 && i.Wall.IsZero() }
