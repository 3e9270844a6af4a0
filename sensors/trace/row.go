package trace

import (
	"fmt"
	"time"

	"dewline/sensors"
)

// A Row is one probe at one moment. Has says which fields held a value; a row
// without any is a gap that the record tells of.
type Row struct {
	Time        time.Time
	Probe       sensors.ProbeID
	Has         sensors.Quantities
	Temperature sensors.CentiCelsius
	Humidity    sensors.CentiPercent
	Line        int // of the file, from 1
}

// Sample returns the row's values as a driver would have given them.
func (r Row) Sample() sensors.Sample {
	return sensors.Sample{Has: r.Has, Temperature: r.Temperature, Humidity: r.Humidity}
}

// A LineError is one line that could not be used, or one probe's part of it.
// Next may be called again and goes on behind it.
type LineError struct {
	Name string // of the file
	Line int
	Err  error
}

// Error returns "name:line: what is wrong".
func (e *LineError) Error() string { return fmt.Sprintf("%s:%d: %v", e.Name, e.Line, e.Err) }

// Unwrap returns what is wrong with the line.
func (e *LineError) Unwrap() error { return e.Err }
