package trace

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

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

// A Mapping tells where a foreign CSV keeps what: a line is one moment, and
// each probe has its own columns. Lines may carry one field more than the
// header, an index in front, as statistics programs write it. Empty fields,
// NA and NaN are missing values.
type Mapping struct {
	TimeColumn string
	TimeLayout string // as in package time; empty for RFC 3339, whose zone may be missing
	Comma      byte   // 0 means ','
	Probes     []Columns
}

// Columns are the columns of one probe, in °C and %RH; an empty name means
// that there is none.
type Columns struct {
	Probe       sensors.ProbeID
	Temperature string
	Humidity    string
}

// DetectMapping builds a Mapping from a header's column names: a "date" or
// "timestamp" with "Temperature" and "Humidity" (one probe, "room"), or with
// numbered pairs T1, RH_1 and so on (probes "t1" and so on). It reports
// whether it knew the layout.
func DetectMapping(header []string) (Mapping, bool) {
	at := slices.IndexFunc(header, func(h string) bool {
		return strings.EqualFold(h, "date") || strings.EqualFold(h, "timestamp")
	})
	if at < 0 {
		return Mapping{}, false
	}
	m := Mapping{TimeColumn: header[at]}
	if slices.Contains(header, "Temperature") && slices.Contains(header, "Humidity") {
		m.Probes = []Columns{{Probe: "room", Temperature: "Temperature", Humidity: "Humidity"}}
		return m, true
	}
	for _, name := range header {
		n, err := strconv.ParseUint(strings.TrimPrefix(name, "T"), 10, 16)
		if err != nil || name[0] != 'T' {
			continue
		}
		c := Columns{Probe: sensors.ProbeID(fmt.Sprintf("t%d", n)), Temperature: name}
		if rh := fmt.Sprintf("RH_%d", n); slices.Contains(header, rh) {
			c.Humidity = rh
		}
		m.Probes = append(m.Probes, c)
	}
	return m, len(m.Probes) > 0
}

// none is the index of a column that is not there.
const none = -1

// A layout is the header made into column numbers.
type layout struct {
	columns int
	time    int
	probe   int // none in a mapped file
	probes  []indexed
}

// indexed is one probe's pair of columns.
type indexed struct {
	id                    sensors.ProbeID
	temperature, humidity int
}

// ownLayout finds dewline's own columns, in any order and among others.
func ownLayout(header []string) (layout, error) {
	l := layout{
		columns: len(header), time: slices.Index(header, colTime), probe: slices.Index(header, colProbe),
		probes: []indexed{{
			temperature: slices.Index(header, colTemperature),
			humidity:    slices.Index(header, colHumidity),
		}},
	}
	if l.time < 0 || l.probe < 0 || l.probes[0].temperature < 0 && l.probes[0].humidity < 0 {
		return l, fmt.Errorf("the header is %q, and should be %q", strings.Join(header, ","), Header)
	}
	return l, nil
}

// layout finds the mapping's columns in a header and names all that are
// missing.
func (m *Mapping) layout(header []string) (layout, error) {
	var faults []error
	find := func(name, what string) int {
		if name == "" {
			return none
		}
		i := slices.Index(header, name)
		if i < 0 {
			faults = append(faults, fmt.Errorf("no column %q for %s", name, what))
		}
		return i
	}
	l := layout{columns: len(header), time: find(m.TimeColumn, "the time"), probe: none}
	if m.TimeColumn == "" {
		faults = append(faults, errors.New("the mapping names no time column"))
	}
	if len(m.Probes) == 0 {
		faults = append(faults, errors.New("the mapping names no probe"))
	}
	for _, c := range m.Probes {
		if c.Temperature == "" && c.Humidity == "" {
			faults = append(faults, fmt.Errorf("probe %s has neither column", c.Probe))
		}
		l.probes = append(l.probes, indexed{
			id:          c.Probe,
			temperature: find(c.Temperature, "the temperature of probe "+string(c.Probe)),
			humidity:    find(c.Humidity, "the humidity of probe "+string(c.Probe)),
		})
	}
	return l, errors.Join(faults...)
}

// missing reports whether a field of a foreign file holds no value.
func missing(b []byte) bool {
	switch string(b) {
	case "", "NA", "NaN", "nan", "null":
		return true
	}
	return false
}
