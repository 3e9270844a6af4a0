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
	dst     *bufio.Writer
	started bool
	buf     []byte
}

// NewWriter returns a Writer; the header is written with the first row or, if
// there is none, by Flush.
func NewWriter(w io.Writer) *Writer { return &Writer{dst: bufio.NewWriterSize(w, MaxLine)} }

// Write appends one row. Times are written in UTC, with a fraction only where
// there is one. Row.Line plays no part.
func (w *Writer) Write(row Row) error {
	if err := checkName(string(row.Probe)); err != nil {
		return fmt.Errorf("write trace: %w", err)
	}
	if err := w.begin(); err != nil {
		return err
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

// begin writes the header once.
func (w *Writer) begin() error {
	if w.started {
		return nil
	}
	w.started = true
	if _, err := w.dst.WriteString(Header + "\n"); err != nil {
		return fmt.Errorf("write trace: %w", err)
	}
	return nil
}

// Flush writes what is buffered.
func (w *Writer) Flush() error {
	if err := w.begin(); err != nil {
		return err
	}
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
