package room

import (
	"time"

	"dewline/sensors"
)

// A Calibration is what the engine needs to know of a probe's corrections.
type Calibration struct {
	Probe       sensors.ProbeID
	Humidity    time.Time // last calibrated; zero for never
	Temperature time.Time
	// Uncertainty of humidity at the calibration, ± %; used for readings that
	// state none.
	Uncertainty float64
}

// HumidityDue is when the humidity is to be calibrated; false for never. The time
// counts from the last calibration, or from when the probe was first seen.
func (v *View) HumidityDue(p *Probe) (time.Time, bool) {
	every := v.Cfg.Rules.HumidityDue.D()
	if !p.St.HasHum || every <= 0 {
		return time.Time{}, false
	}
	return later(p.St.Seen, p.St.HumDone).Add(every), true
}

// TemperatureDue is HumidityDue for the temperature.
func (v *View) TemperatureDue(p *Probe) (time.Time, bool) {
	every := v.Cfg.Rules.TemperatureDue.D()
	if !p.St.HasTemp || every <= 0 {
		return time.Time{}, false
	}
	return later(p.St.Seen, p.St.TempDone).Add(every), true
}

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}
