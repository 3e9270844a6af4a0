package export

import (
	"bufio"
	"io"
	"strconv"
	"strings"
	"time"

	"dewline/sensors"
	"dewline/sensors/trace"
)

// csv writes dewline's own form, in the order of time.
func (j *job) csv(w io.Writer) error {
	out := trace.NewWriter(w)
	for r, err := range j.merged() {
		if err != nil {
			return err
		}
		row := trace.Row{Time: r.At.Wall, Probe: r.Probe, Has: r.Has, Temperature: r.Temperature, Humidity: r.Humidity}
		if err := out.Write(row); err != nil {
			return err
		}
		j.count(r)
	}
	return out.Flush()
}

// A family is what OpenMetrics calls the samples of one name.
type family struct {
	name, unit, help string
	has              sensors.Quantities
	value            func(*sensors.Reading) float64
}

func families() []family {
	return []family{
		{"dewline_probe_temperature_celsius", "celsius", "Temperature of a probe.", sensors.HasTemperature,
			func(r *sensors.Reading) float64 { return r.Temperature.Celsius() }},
		{"dewline_probe_humidity_ratio", "ratio", "Relative humidity of a probe, 0 to 1.", sensors.HasHumidity,
			func(r *sensors.Reading) float64 { return float64(r.Humidity) / 10000 }},
	}
}

// openMetrics writes OpenMetrics text with time stamps, one family after the
// other, as promtool tsdb create-blocks-from openmetrics reads it.
func (j *job) openMetrics(w io.Writer) error {
	out := bufio.NewWriterSize(w, 64<<10)
	for i, f := range families() {
		_, _ = out.WriteString("# HELP " + f.name + " " + f.help + "\n# TYPE " + f.name + " gauge\n# UNIT " + f.name + " " + f.unit + "\n")
		for _, p := range j.probes {
			if err := j.series(out, &f, p, i == 0); err != nil {
				return err
			}
		}
	}
	_, _ = out.WriteString("# EOF\n")
	return out.Flush() // which remembers the first fault of all writes
}

// escaped writes a label's value as OpenMetrics 1.0 asks for, section "Escaping".
func escaped(s string) string {
	return strings.NewReplacer(`\`, `\\`, `"`, `\"`, "\n", `\n`).Replace(s)
}

// series counts readings only the first time, as each family has the same.
func (j *job) series(out *bufio.Writer, f *family, p sensors.ProbeID, first bool) error {
	head := f.name + `{probe="` + escaped(string(p)) + `"} `
	var line []byte
	var last time.Time
	damaged := j.Damaged
	for r, err := range j.of(p, j.from, j.to) {
		if err != nil {
			return err
		}
		if first {
			j.count(&r)
		}
		if r.Quality == sensors.Bad || r.Has&f.has == 0 {
			continue
		}
		if r.At.Wall.Equal(last) {
			j.Twice++
			continue
		}
		last = r.At.Wall
		line = append(line[:0], head...)
		line = strconv.AppendFloat(line, f.value(&r), 'f', -1, 64)
		line = append(line, ' ')
		line = strconv.AppendFloat(line, float64(last.UnixMilli())/1000, 'f', 3, 64)
		if _, err := out.Write(append(line, '\n')); err != nil {
			return err
		}
	}
	if !first {
		j.Damaged = damaged // the same places once more
	}
	return nil
}
