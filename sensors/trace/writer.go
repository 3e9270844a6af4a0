package trace

import (
	"bufio"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"dewline/sensors"
)

// A Writer writes dewline's own form.
type Writer struct {
	dst *bufio.Writer // which remembers the first fault of all writes
	buf []byte
}

// NewWriter returns a Writer; the header goes out with the rows or, if there are
// none, by Flush.
func NewWriter(w io.Writer) *Writer {
	dst := bufio.NewWriterSize(w, MaxLine)
	_, _ = dst.WriteString(Header + "\n")
	return &Writer{dst: dst}
}

// Write appends one row. Times are written in UTC, with a fraction only where
// there is one. Row.Line plays no part.
func (w *Writer) Write(row Row) error {
	if err := checkName(string(row.Probe)); err != nil {
		return fmt.Errorf("write trace: %w", err)
	}
	b := row.Time.UTC().AppendFormat(w.buf[:0], time.RFC3339Nano)
	b = append(b, ',')
	b = appendName(b, string(row.Probe))
	b = append(b, ',')
	if row.Has&sensors.HasTemperature != 0 {
		b = strconv.AppendFloat(b, row.Temperature.Celsius(), 'f', 2, 64)
	}
	b = append(b, ',')
	if row.Has&sensors.HasHumidity != 0 {
		b = strconv.AppendFloat(b, row.Humidity.Percent(), 'f', 2, 64)
	}
	w.buf = append(b, '\n')
	if _, err := w.dst.Write(w.buf); err != nil {
		return fmt.Errorf("write trace: %w", err)
	}
	return nil
}

// Flush writes what is buffered.
func (w *Writer) Flush() error {
	if err := w.dst.Flush(); err != nil {
		return fmt.Errorf("write trace: %w", err)
	}
	return nil
}

// appendName writes a probe's name, quoted where it has to be.
func appendName(b []byte, name string) []byte {
	if !strings.ContainsAny(name, `,"`) {
		return append(b, name...)
	}
	b = append(b, '"')
	b = append(b, strings.ReplaceAll(name, `"`, `""`)...)
	return append(b, '"')
}
