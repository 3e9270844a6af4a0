package room

import (
	"dewline/sensors"
	"time"
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
