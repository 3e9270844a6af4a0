package trace

import (
	"io"
	"time"

	"dewline/sensors"
)

// A Row is one probe at one moment. Has says which fields held a value.
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

// Options say how to read.
type Options struct {
	// Name stands in errors before the line number; empty for "trace".
	Name string
	// Mapping reads a foreign layout; nil detects one of the presets from the
	// header and otherwise expects dewline's own.
	Mapping *Mapping
	// Location is the zone of times that carry none; nil means UTC.
	Location *time.Location
	// AllowDisorder takes rows whose time lies before the same probe's last
	// one, and equal times, instead of calling them errors.
	AllowDisorder bool
}

// A LineError is one line that could not be used. Next may be called again and
// goes on with the line after it.
type LineError struct {
	Name string
	Line int
	Err  error
}

func (e *LineError) Error() string { return "" }
func (e *LineError) Unwrap() error { return e.Err }

// A Reader streams rows.
type Reader struct{}

// NewReader reads the header. An error names what is wrong with it.
func NewReader(r io.Reader, o Options) (*Reader, error) { return nil, nil }

// Next returns the next row, io.EOF at the end, a *LineError for a line that
// could not be used (call again to go on), or the source's own error. The Row
// owns its values; it stays valid.
func (r *Reader) Next() (Row, error) { return Row{}, io.EOF }

// A Mapping tells where a foreign CSV keeps what.
type Mapping struct {
	TimeColumn string
	TimeLayout string // as in package time; empty for RFC 3339
	Probes     []Columns
}

// Columns are the columns of one probe; an empty name means that there is
// none.
type Columns struct {
	Probe       sensors.ProbeID
	Temperature string
	Humidity    string
}

// DetectMapping builds a Mapping from a header's column names: "date" with
// "Temperature" and "Humidity", or with pairs T1, RH_1 and so on. It reports
// whether it knew the layout.
func DetectMapping(header []string) (Mapping, bool) { return Mapping{}, false }

// A Writer writes dewline's own form.
type Writer struct{}

// NewWriter returns a Writer; the header is written with the first row.
func NewWriter(w io.Writer) *Writer { return nil }

// Write appends one row. Times are written in UTC with the least digits that
// keep them.
func (w *Writer) Write(row Row) error { return nil }

// Flush writes what is buffered.
func (w *Writer) Flush() error { return nil }
