// Package iio reads probes that the kernel has a driver for: directories of
// the industrial I/O subsystem (/sys/bus/iio/devices/iio:deviceN) and of hwmon
// (/sys/class/hwmon/hwmonN).
//
// Units are the kernel's interface: thousandths of °C and of percent (Linux
// Documentation/ABI/testing/sysfs-bus-iio and hwmon/sysfs-interface.rst).
package iio

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"dewline/configs"
	"dewline/sensors"
	"dewline/sensors/i2c"
	"dewline/sensors/kernfile"
)

// A Probe is one directory. It is for one goroutine.
type Probe struct {
	name string
	dir  string
	file kernfile.Reader
}

// Family is the row of whatever the kernel has a driver for, with the widest
// limits.
func Family() sensors.Family {
	return sensors.Family{
		Name: "iio", Needs: []string{"path"}, Measures: sensors.Both, Limits: sensors.WidestLimits(),
		Open: func(p configs.Probe, _ i2c.Bus) (sensors.Sampler, error) {
			return &Probe{name: "probe " + p.ID + ": " + p.Path, dir: p.Path}, nil
		},
		Wire: func(p configs.Probe) string { return p.Path }, Find: find,
	}
}

// find lists IIO and hwmon directories that show a humidity, and IIO ones that
// show a temperature. hwmon ones with a temperature alone are the board's own
// processor and power supplies.
func find(sys string) ([]sensors.Finding, error) {
	var found []sensors.Finding
	for _, kind := range []struct {
		pattern string
		files   []string
	}{
		{"bus/iio/devices/iio:device*", []string{"in_humidityrelative_*", "in_temp_*"}},
		{"class/hwmon/hwmon*", []string{"humidity1_input"}},
	} {
		dirs, err := filepath.Glob(filepath.Join(sys, kind.pattern))
		if err != nil {
			return found, fmt.Errorf("look for kernel drivers: %w", err)
		}
		for _, d := range dirs {
			if hasAny(d, kind.files) {
				found = append(found, sensors.Finding{Family: "iio", Path: d, Certainty: sensors.Identified,
					Detail: "kernel driver " + kernfile.Line(filepath.Join(d, "name"))})
			}
		}
	}
	return found, nil
}

func hasAny(dir string, patterns []string) bool {
	return slices.ContainsFunc(patterns, func(p string) bool {
		hits, err := filepath.Glob(filepath.Join(dir, p))
		return err == nil && len(hits) > 0
	})
}

// Sample reads what the directory offers of temperature and humidity; one of
// them is enough. A humidity that cannot be read hides no temperature; whoever
// expects one sees that it is missing. The error is a sensors.FaultError.
func (p *Probe) Sample(ctx context.Context) (sensors.Sample, error) {
	s, err := p.sample(ctx)
	return s, sensors.Located(p.name, err)
}

func (p *Probe) sample(ctx context.Context) (sensors.Sample, error) {
	var s sensors.Sample
	if err := p.checkFaultFile(ctx); err != nil {
		return s, err
	}
	t, foundT, err := p.quantity(ctx, "in_temp", "temp1")
	if err != nil {
		return s, err
	}
	if foundT {
		s.Has |= sensors.HasTemperature
		if s.Temperature, err = inRange(t); err != nil {
			return sensors.Sample{}, err
		}
	}
	h, foundH, err := p.quantity(ctx, "in_humidityrelative", "humidity1")
	if foundH {
		s.Has |= sensors.HasHumidity
		s.Humidity = clamped(h)
	}
	if foundT {
		return s, nil
	}
	if err == nil && s.Has == 0 {
		err = sensors.Faultf(sensors.BusError, "neither temperature nor humidity is here: is the driver loaded, and the directory still the probe's? dewline probes lists them")
	}
	return s, err
}

// checkFaultFile looks at hwmon's temp1_fault, 1 while the probe is broken.
func (p *Probe) checkFaultFile(ctx context.Context) error {
	text, err := p.file.Read(ctx, filepath.Join(p.dir, "temp1_fault"))
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return err
	case text != "0":
		return sensors.Faultf(sensors.BusError, "the kernel reports the probe as broken (temp1_fault is %q)", text)
	}
	return nil
}

// quantity returns a quantity in thousandths, from iio_input, from iio_raw
// with its scale and offset, or from hwmon_input, whichever is there first.
func (p *Probe) quantity(ctx context.Context, iio, hwmon string) (milli float64, found bool, err error) {
	for _, name := range []string{iio + "_input", iio + "_raw", hwmon + "_input"} {
		milli, err = p.number(ctx, name)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err == nil && name == iio+"_raw" {
			milli, err = p.scaled(ctx, iio, milli)
		}
		return milli, err == nil, err
	}
	return 0, false, nil
}

// scaled applies (raw + offset) · scale; either file may be missing.
func (p *Probe) scaled(ctx context.Context, iio string, raw float64) (float64, error) {
	offset, err := p.number(ctx, iio+"_offset")
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return 0, err
	}
	scale, err := p.number(ctx, iio+"_scale")
	if errors.Is(err, fs.ErrNotExist) {
		scale, err = 1, nil
	}
	return (raw + offset) * scale, err
}

func (p *Probe) number(ctx context.Context, name string) (float64, error) {
	text, err := p.file.Read(ctx, filepath.Join(p.dir, name))
	if err != nil {
		return 0, err
	}
	v, err := Decode(text)
	if err != nil {
		return 0, fmt.Errorf("%s: %w", name, err)
	}
	return v, nil
}

// Decode decodes the text of one attribute: a decimal number as the kernel
// prints it, at most 40 characters, without exponent, sign words or spaces.
func Decode(text string) (float64, error) {
	const longest = 40
	if len(text) == 0 || len(text) > longest {
		return 0, sensors.Faultf(sensors.Malformed, "text of %d bytes where a number should be", len(text))
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || strings.Trim(text, "0123456789.-") != "" {
		return 0, sensors.Faultf(sensors.Malformed, "%q is not a number", text)
	}
	return v, nil
}

// inRange turns thousandths into hundredths and refuses what no probe for
// enclosures measures.
func inRange(milli float64) (sensors.CentiCelsius, error) {
	const low, high = -60_00, 150_00
	centi := math.Round(milli / 10)
	if !(centi >= low && centi <= high) {
		return 0, sensors.Faultf(sensors.OutOfRange, "%g m°C is outside what a probe can measure", milli)
	}
	return sensors.CentiCelsius(centi), nil
}

// clamped turns thousandths into hundredths and keeps an impossible humidity
// impossible, but small: the judge drops it and keeps the temperature beside it.
func clamped(milli float64) sensors.CentiPercent {
	return sensors.CentiPercent(math.Round(min(max(milli, -100_000), 1_000_000) / 10))
}
