package trace

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"dewline/sensors"
)

// Column names of dewline's own form.
const (
	colTime        = "time"
	colProbe       = "probe"
	colTemperature = "temperature_c"
	colHumidity    = "humidity_pct"
)

// Header is the first line of dewline's own form.
const Header = colTime + "," + colProbe + "," + colTemperature + "," + colHumidity

// none is the index of a column that is not there.
const none = -1

// A layout is the header made into column numbers. A foreign file has a row for
// each moment and columns for each probe; its lines may carry one field more than
// the header, an index in front, as statistics programs write it.
type layout struct {
	columns int
	time    int
	probe   int // none in a foreign file
	probes  []indexed
}

// indexed is one probe's pair of columns, in °C and %RH.
type indexed struct {
	id                    sensors.ProbeID
	temperature, humidity int
}

// foreign reports whether the file is not of dewline's own form.
func (l *layout) foreign() bool { return l.probe < 0 }

// usual reports whether the columns are those of Header, in its order.
func (l *layout) usual() bool {
	return l.columns == 4 && l.time == 0 && l.probe == 1 && l.probes[0].temperature == 2 && l.probes[0].humidity == 3
}

// layoutOf finds dewline's own columns, in any order and among others, or those of
// a layout that foreignLayout knows.
func layoutOf(header []string) (layout, error) {
	l := layout{
		columns: len(header), time: slices.Index(header, colTime), probe: slices.Index(header, colProbe),
		probes: []indexed{{
			temperature: slices.Index(header, colTemperature),
			humidity:    slices.Index(header, colHumidity),
		}},
	}
	if l.time >= 0 && l.probe >= 0 && (l.probes[0].temperature >= 0 || l.probes[0].humidity >= 0) {
		return l, l.unread(header)
	}
	if l, ok := foreignLayout(header); ok {
		return l, nil
	}
	return l, headerError(strings.Join(header, ","))
}

// unread refuses a header without a quantity and with a column that seems to be it in another
// unit: nothing would be judged by it, and nobody would know.
func (l *layout) unread(header []string) error {
	for _, q := range []struct {
		column       int
		begins, want string
	}{{l.probes[0].temperature, "temp", colTemperature}, {l.probes[0].humidity, "hum", colHumidity}} {
		like := slices.IndexFunc(header, func(h string) bool { return strings.HasPrefix(strings.ToLower(h), q.begins) })
		if q.column < 0 && like >= 0 {
			return fmt.Errorf("the column %q is not read: give its values in the unit of %q, and it that name", header[like], q.want)
		}
	}
	return nil
}

// longestShown is how much of a strange header is shown, in bytes.
const longestShown = 200

// headerError says what a header is that no layout fits.
func headerError(header string) error {
	switch {
	case strings.HasPrefix(header, "\x1f\x8b"):
		return errors.New("the file is packed by gzip; unpack it first: gunzip -c FILE | dewline ... --trace -")
	case strings.HasPrefix(header, "\xff\xfe"), strings.HasPrefix(header, "\xfe\xff"), strings.HasPrefix(header, "t\x00"), strings.HasPrefix(header, "\x00t"):
		return errors.New("the file is UTF-16; save it as UTF-8")
	case !utf8.ValidString(header), strings.Contains(header, "\x00"):
		return fmt.Errorf("the file is no text; a trace begins with the header %q", Header)
	case len(header) > longestShown:
		header = strings.ToValidUTF8(header[:longestShown], "") + "…"
	}
	why := ""
	for _, mark := range []struct{ char, name string }{{";", "semicolons"}, {"\t", "tabs"}} {
		if strings.Count(header, mark.char) >= 2 && !strings.Contains(header, ",") {
			why = ": put commas in place of the " + mark.name + ", and points in the numbers"
		}
	}
	return fmt.Errorf("the header is %q, and should be %q%s", header, Header, why)
}

// foreignLayout knows a "date" or "timestamp" with "Temperature" and "Humidity" (one
// probe, "room"), or with numbered pairs T1, RH_1 and so on (probes "t1" and so on).
func foreignLayout(header []string) (layout, bool) {
	l := layout{columns: len(header), probe: none, time: slices.IndexFunc(header, func(h string) bool {
		return strings.EqualFold(h, "date") || strings.EqualFold(h, "timestamp")
	})}
	if l.time < 0 {
		return l, false
	}
	if t, rh := slices.Index(header, "Temperature"), slices.Index(header, "Humidity"); t >= 0 && rh >= 0 {
		l.probes = []indexed{{"room", t, rh}}
		return l, true
	}
	for i, name := range header {
		n, err := strconv.ParseUint(strings.TrimPrefix(name, "T"), 10, 16)
		if err != nil || name[0] != 'T' {
			continue
		}
		l.probes = append(l.probes, indexed{sensors.ProbeID(fmt.Sprintf("t%d", n)), i, slices.Index(header, fmt.Sprintf("RH_%d", n))})
	}
	return l, len(l.probes) > 0
}

// missing reports whether a field of a foreign file holds no value.
func missing(b []byte) bool {
	switch string(b) {
	case "", "NA", "NaN", "nan", "null":
		return true
	}
	return false
}

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

var (
	errOpenQuote  = errors.New("a quoted field does not end on its line")
	errAfterQuote = errors.New("text between a closing quote and the next comma")
)

// split cuts a line into fields, which stay parts of the line: quotes are
// taken off in place.
func split(fields [][]byte, line []byte) ([][]byte, error) {
	for {
		if len(line) > 0 && line[0] == '"' {
			field, rest, more, err := quoted(line)
			if err != nil {
				return fields, err
			}
			fields, line = append(fields, field), rest
			if !more {
				return fields, nil
			}
			continue
		}
		i := 0 // fields are short: a call for each costs more than looking
		for i < len(line) && line[i] != ',' {
			i++
		}
		if i == len(line) {
			return append(fields, line), nil
		}
		fields, line = append(fields, line[:i]), line[i+1:]
	}
}

// quoted takes one quoted field off the line's front; more says that a comma
// followed it. A doubled quote stands for one.
func quoted(line []byte) (field, rest []byte, more bool, err error) {
	n := 0
	for i := 1; i < len(line); i++ {
		if line[i] != '"' {
			line[n] = line[i]
			n++
			continue
		}
		if i+1 == len(line) {
			return line[:n], nil, false, nil
		}
		switch line[i+1] {
		case '"':
			line[n] = '"'
			n++
			i++
		case ',':
			return line[:n], line[i+2:], true, nil
		default:
			return nil, nil, false, errAfterQuote
		}
	}
	return nil, nil, false, errOpenQuote
}
