package trace

import (
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
		return l, nil
	}
	if l, ok := foreignLayout(header); ok {
		return l, nil
	}
	return l, fmt.Errorf("the header is %q, and should be %q", strings.Join(header, ","), Header)
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
