// Package sensors holds what a probe delivers and how it is read: the Reading
// and its quality, the poller in which one goroutine owns one bus, the judge
// of single-probe plausibility, and the calibration arithmetic. Each probe
// family has its own sub-package.
//
// It knows nothing of enclosures' species, bands or alarms (package rules),
// keeps nothing on disk (package store) and never drives an output.
//
// Temperatures are hundredths of a degree Celsius and humidities hundredths of
// a percent, as integers; see CentiCelsius and CentiPercent.
package sensors
