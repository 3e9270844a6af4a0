// Package trace reads and writes climate records as CSV: dewline's own form,
// `time,probe,temperature_c,humidity_pct`, and foreign files with a row per moment and a
// column per quantity. Rows are streamed and judged by nobody here.
package trace

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"dewline/sensors"
)

// MaxLine is the longest line that is read, in bytes.
const MaxLine = 1 << 16

// A Reader streams rows. It holds one line and the names of the probes met.
type Reader struct {
	src    *bufio.Reader
	name   string
	line   int
	layout layout
	usual  bool // the columns are those of Header, in its order
	when   moments
	fields [][]byte
	shift  int // 1 where the line has an index in front

	at      time.Time // of the line at hand, or of the last one before whose time could stand
	pending int       // probes of the line at hand that are still to come
	leap    time.Time // of the last line that lay too far ahead
	probes  map[string]*met
	before  *met // the probe of the row before
}

// met is a probe that the file named. Rows of a poll tend to come in the same
// order every time, so each remembers who came after it.
type met struct {
	id   sensors.ProbeID
	name []byte // the same, empty where a line may have to quote it
	last Row
	next *met
}

// NewReader reads the header. An error names what is wrong with it, and name stands in
// errors before the line number. Rows are given in the zone loc, which is that of times
// without one too.
func NewReader(src io.Reader, name string, loc *time.Location) (*Reader, error) {
	r := &Reader{src: bufio.NewReaderSize(src, MaxLine), name: name, when: moments{loc: loc}, probes: make(map[string]*met)}
	header, err := r.header()
	if err != nil {
		return nil, err
	}
	if r.layout, err = layoutOf(header); err != nil {
		return nil, r.fault(err)
	}
	r.usual = r.layout.usual()
	return r, nil
}

// header returns the names on the first line that is not empty.
func (r *Reader) header() ([]string, error) {
	line, err := r.readLine()
	if err == io.EOF {
		return nil, fmt.Errorf("%s: empty, where the header %q should stand", r.name, Header)
	}
	if err != nil {
		return nil, err
	}
	fields, err := split(nil, bytes.TrimPrefix(line, []byte("\ufeff")))
	if err != nil {
		return nil, r.fault(err)
	}
	names := make([]string, len(fields))
	for i, f := range fields {
		names[i] = strings.TrimSpace(string(f))
	}
	return names, nil
}

// Next returns the next row, io.EOF at the end, a *LineError for a line that
// could not be used (call again to go on), or the source's own error. A row that is there
// twice is given once.
func (r *Reader) Next() (row Row, err error) {
	for twice := true; twice && err == nil; {
		row, twice, err = r.one()
	}
	return row, err
}

// one returns the next row, and whether it is the last one of its probe once more.
func (r *Reader) one() (row Row, twice bool, err error) {
	if r.pending == 0 {
		if r.again(&row) {
			return row, false, nil
		}
		line, err := r.readLine()
		if err != nil {
			return row, false, err
		}
		if err = r.take(line); err != nil {
			return row, false, err
		}
	}
	p := &r.layout.probes[len(r.layout.probes)-r.pending]
	r.pending--
	m, err := r.identify(p.id)
	if err != nil {
		return row, false, r.fault(err)
	}
	row.Time, row.Probe, row.Line = r.at, m.id, r.line
	if err := r.values(&row, p); err != nil {
		return Row{}, false, r.fault(fmt.Errorf("probe %s: %w", m.id, err))
	}
	if m.last.Line > 0 && m.last.Time.Equal(r.at) {
		if twice = row.Sample() == m.last.Sample(); !twice {
			err = r.fault(fmt.Errorf("probe %s has another row of %s already, on line %d",
				m.id, r.at.Format(time.RFC3339), m.last.Line))
		}
		return Row{}, twice, err
	}
	m.last = row
	return row, false, nil
}

// again reads a line of the usual kind where it lies in the buffer: of the moment of the one
// before, of the probe that came next the last time, with two plain numbers. All others are
// for take.
func (r *Reader) again(row *Row) bool {
	if !r.usual || r.before == nil || r.before.next == nil || r.at != r.when.last {
		return false
	}
	m := r.before.next
	line, _ := r.src.Peek(r.src.Buffered())
	rest, ok := after(line, r.when.text)
	if !ok {
		return false
	}
	if rest, ok = after(rest, m.name); !ok || m.last.Time == r.at {
		return false
	}
	t, h, n := pair(rest)
	if n == 0 || t < coldest || t > hottest || h < driest || h > wettest {
		return false
	}
	_, _ = r.src.Discard(len(line) - len(rest) + n)
	r.line++
	row.Time, row.Probe, row.Line, row.Has = r.at, m.id, r.line, sensors.HasTemperature|sensors.HasHumidity
	row.Temperature, row.Humidity = sensors.CentiCelsius(t), sensors.CentiPercent(h)
	r.before, m.last = m, *row
	return true
}

// after takes a field that is known, and its comma, off the front of a line; an empty
// one is of another kind.
func after(line, field []byte) ([]byte, bool) {
	n := len(field)
	if n == 0 || len(line) <= n || line[n] != ',' || string(line[:n]) != string(field) {
		return nil, false
	}
	return line[n+1:], true
}

// pair reads two plain numbers that end a line of n bytes, 0 for what is not that.
func pair(b []byte) (first, second int32, n int) {
	first, i := plain(b)
	if i == 0 || i == len(b) || b[i] != ',' {
		return 0, 0, 0
	}
	second, n = plain(b[i+1:])
	if n == 0 {
		return 0, 0, 0
	}
	n += i + 1
	if n < len(b) && b[n] == '\r' {
		n++
	}
	if n == len(b) || b[n] != '\n' {
		return 0, 0, 0
	}
	return first, second, n + 1
}

// take brings in a line and its time.
func (r *Reader) take(line []byte) (err error) {
	r.fields, err = split(r.fields[:0], line)
	if err != nil {
		return r.fault(err)
	}
	r.shift = 0
	if r.layout.foreign() && len(r.fields) == r.layout.columns+1 {
		r.shift = 1
	}
	if len(r.fields)-r.shift != r.layout.columns {
		return r.fault(fmt.Errorf("%d fields, and the header has %d", len(r.fields), r.layout.columns))
	}
	if err := r.moment(r.field(r.layout.time)); err != nil {
		return r.fault(err)
	}
	r.pending = len(r.layout.probes)
	return nil
}

func (r *Reader) moment(b []byte) error {
	t, err := r.when.read(b)
	if err == nil {
		err = r.inOrder(t)
	}
	if err == nil {
		r.at = t
	}
	return err
}

// maxGap is the longest stretch without a line. A time further ahead is taken
// for a slip, which would make every line after it look late, unless the next
// line agrees with it to a day.
const maxGap = 366 * 24 * time.Hour

// inOrder refuses a time that no line may have here.
func (r *Reader) inOrder(t time.Time) error {
	if t == r.at || r.at.IsZero() {
		return nil
	}
	if t.Before(r.at) {
		return fmt.Errorf("time %s goes back: an earlier line is of %s",
			t.Format(time.RFC3339), r.at.Format(time.RFC3339))
	}
	if t.Sub(r.at) <= maxGap {
		return nil
	}
	agrees := !r.leap.IsZero() && t.Sub(r.leap).Abs() <= 24*time.Hour
	r.leap = t
	if agrees {
		return nil
	}
	return fmt.Errorf("time %s lies more than a year ahead of the line before, of %s",
		t.Format(time.RFC3339), r.at.Format(time.RFC3339))
}

// field returns a column of the line at hand without the spaces around it.
func (r *Reader) field(column int) []byte {
	b := r.fields[column+r.shift]
	if len(b) > 0 && b[0] > ' ' && b[len(b)-1] > ' ' {
		return b
	}
	return bytes.TrimSpace(b)
}

// identify finds the row's probe, by the name of its column or in the line.
func (r *Reader) identify(name sensors.ProbeID) (*met, error) {
	m, err := r.meet(name)
	if err != nil {
		return nil, err
	}
	if r.before != nil {
		r.before.next = m
	}
	r.before = m
	return m, nil
}

func (r *Reader) meet(name sensors.ProbeID) (*met, error) {
	field := []byte(nil)
	if !r.layout.foreign() {
		field = r.field(r.layout.probe)
		if r.before != nil && r.before.next != nil && string(field) == string(r.before.next.id) {
			return r.before.next, nil
		}
		if m := r.probes[string(field)]; m != nil {
			return m, nil
		}
		if err := checkName(string(field)); err != nil {
			return nil, err
		}
		name = sensors.ProbeID(field)
	}
	m := r.probes[string(name)]
	if m == nil {
		m = &met{id: name}
		if !strings.ContainsAny(string(name), `,"`) {
			m.name = []byte(name)
		}
		r.probes[string(name)] = m
	}
	return m, nil
}

// checkName refuses what cannot be the name of a probe.
func checkName(name string) error {
	if len(name) == 0 {
		return errors.New("no probe is named")
	}
	if strings.TrimSpace(name) != name {
		return fmt.Errorf("the probe's name %q begins or ends in a space", name)
	}
	if len(name) > 128 {
		return fmt.Errorf("the probe's name has %d bytes: are the columns right?", len(name))
	}
	if i := strings.IndexFunc(name, func(c rune) bool { return c < ' ' || c == 0x7f || c == 0xfffd }); i >= 0 {
		return fmt.Errorf("the probe's name %q holds what is no letter", name)
	}
	return nil
}

func (r *Reader) values(row *Row, p *indexed) error {
	t, hasT, err := r.value(p.temperature, coldest, hottest, "temperature")
	if err != nil {
		return err
	}
	h, hasH, err := r.value(p.humidity, driest, wettest, "humidity")
	if err != nil {
		return err
	}
	row.Temperature, row.Humidity = sensors.CentiCelsius(t), sensors.CentiPercent(h)
	if hasT {
		row.Has |= sensors.HasTemperature
	}
	if hasH {
		row.Has |= sensors.HasHumidity
	}
	return nil
}

// value reads a column in hundredths, false for one that is not there or empty.
func (r *Reader) value(column int, low, high int32, what string) (int32, bool, error) {
	if column < 0 {
		return 0, false, nil
	}
	b := r.field(column)
	if len(b) == 0 || r.layout.foreign() && missing(b) {
		return 0, false, nil
	}
	v, ok := hundredths(b)
	switch {
	case !ok:
		return 0, false, fmt.Errorf("%s %q is not a number such as 23.45", what, b)
	case v < low || v > high:
		return 0, false, fmt.Errorf("%s %s lies outside %d to %d: are the columns and units right?", what, b, low/100, high/100)
	}
	return v, true, nil
}

// readLine returns the next line that is not empty, without its end. What it
// returns is good until the next call.
func (r *Reader) readLine() ([]byte, error) {
	for {
		line, err := r.src.ReadSlice('\n')
		if len(line) > 0 {
			r.line++
		}
		switch {
		case err == bufio.ErrBufferFull:
			return nil, r.skipLong()
		case err == io.EOF && len(line) == 0:
			return nil, io.EOF
		case err != nil && err != io.EOF:
			return nil, fmt.Errorf("%s: read line %d: %w", r.name, r.line, err)
		}
		line = withoutLast(withoutLast(line, '\n'), '\r')
		if len(line) > 0 && (line[0] > ' ' || len(bytes.TrimSpace(line)) > 0) {
			return line, nil
		}
	}
}

// withoutLast takes a byte off the end of a line, where it is there.
func withoutLast(line []byte, b byte) []byte {
	if n := len(line); n > 0 && line[n-1] == b {
		return line[:n-1]
	}
	return line
}

// skipLong drops the rest of a line that is too long.
func (r *Reader) skipLong() error {
	for {
		_, err := r.src.ReadSlice('\n')
		if err == bufio.ErrBufferFull {
			continue
		}
		if err != nil && err != io.EOF {
			return fmt.Errorf("%s: read line %d: %w", r.name, r.line, err)
		}
		return r.fault(fmt.Errorf("longer than %d bytes", MaxLine))
	}
}

func (r *Reader) fault(err error) error { return &LineError{Name: r.name, Line: r.line, Err: err} }
