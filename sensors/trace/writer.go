package trace

import (
	"bufio"
	"fmt"
	"io"
	"strings"
	"time"

	"dewline/sensors"
)

// A Writer writes dewline's own form.
type Writer struct {
	dst     *bufio.Writer
	started bool
	buf     []byte
	at      time.Time // the time that stamp spells
	stamp   []byte
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
	if len(w.stamp) == 0 || !row.Time.Equal(w.at) {
		w.at = row.Time
		w.stamp = row.Time.UTC().AppendFormat(w.stamp[:0], time.RFC3339Nano)
	}
	b := append(w.buf[:0], w.stamp...)
	b = append(b, ',')
	b = appendName(b, string(row.Probe))
	b = append(b, ',')
	if row.Has&sensors.HasTemperature != 0 {
		b = appendHundredths(b, int32(row.Temperature))
	}
	b = append(b, ',')
	if row.Has&sensors.HasHumidity != 0 {
		b = appendHundredths(b, int32(row.Humidity))
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
