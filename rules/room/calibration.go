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
	return due(p.St.HasHum, p.St.Seen, p.St.HumDone, v.Cfg.Rules.HumidityDue.D())
}

// TemperatureDue is HumidityDue for the temperature.
func (v *View) TemperatureDue(p *Probe) (time.Time, bool) {
	return due(p.St.HasTemp, p.St.Seen, p.St.TempDone, v.Cfg.Rules.TemperatureDue.D())
}

func due(has bool, seen, done time.Time, every time.Duration) (time.Time, bool) {
	if !has || every <= 0 {
		return time.Time{}, false
	}
	if done.After(seen) {
		seen = done
	}
	return seen.Add(every), true
}
