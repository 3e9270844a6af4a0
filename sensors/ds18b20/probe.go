// Package ds18b20 reads DS18B20 and related 1-Wire thermometers through the files of
// the kernel's w1_therm driver. Every 1-Wire bus that the kernel has shows its
// probes in one directory. It converts when the file is read, 750 ms at 12 bits.
package ds18b20

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"strings"

	"dewline/configs"
	"dewline/sensors"
	"dewline/sensors/i2c"
	"dewline/sensors/kernfile"
)

// A Probe is one thermometer. It is for one goroutine.
type Probe struct {
	name string
	dir  string
	file kernfile.Reader
}

// Family is the DS18B20's row: -55 to 125 °C in steps of 1/16, 85 °C at power-on
// (data sheet 19-7487, page 6).
func Family() sensors.Family {
	return sensors.Family{
		Name: "ds18b20", Needs: []string{"path"},
		Measures: func(configs.Probe) configs.Measures { return configs.Measures{Temperature: true} },
		Limits: sensors.Limits{
			Coldest: -5500, Hottest: 12500, PowerOn: 8500, Coarse: 4,
			Accuracy: sensors.Accuracy{Celsius: 0.5, CelsiusYear: 0.1},
		},
		Open: func(p configs.Probe, _ i2c.Bus) (sensors.Sampler, error) {
			return &Probe{name: "probe " + p.ID + ": 1-Wire", dir: p.Path}, nil
		},
		Wire: master, Find: find,
	}
}

// master names the 1-Wire bus that a device's directory belongs to, so that two
// buses convert side by side: the kernel's directory links into its master's.
func master(p configs.Probe) string {
	if real, err := filepath.EvalSymlinks(p.Path); err == nil {
		return "1-wire " + filepath.Base(filepath.Dir(real))
	}
	return "1-wire"
}

// find lists those on every 1-Wire bus; their family code is part of the name.
func find(sys string) ([]sensors.Finding, error) {
	dirs, err := filepath.Glob(filepath.Join(sys, "bus/w1/devices", "28-*"))
	if err != nil {
		return nil, fmt.Errorf("look for 1-Wire probes: %w", err)
	}
	var found []sensors.Finding
	for _, d := range dirs {
		found = append(found, sensors.Finding{Family: "ds18b20", Path: d, Certainty: sensors.Identified,
			Detail: "serial number " + strings.TrimPrefix(filepath.Base(d), "28-")})
	}
	return found, nil
}

// Sample runs one conversion and returns the temperature. The error is a
// sensors.FaultError.
func (p *Probe) Sample(ctx context.Context) (sensors.Sample, error) {
	t, err := p.read(ctx)
	if err != nil {
		return sensors.Sample{}, sensors.Located(p.name, err)
	}
	return sensors.Sample{Has: sensors.HasTemperature, Temperature: t}, nil
}

// read prefers w1_slave, which shows the scratchpad, to temperature, which
// some bridges alone offer.
func (p *Probe) read(ctx context.Context) (sensors.CentiCelsius, error) {
	text, err := p.file.Read(ctx, filepath.Join(p.dir, "w1_slave"))
	if err == nil {
		return DecodeSlave(text)
	}
	if !errors.Is(err, fs.ErrNotExist) {
		return 0, err
	}
	text, err = p.file.Read(ctx, filepath.Join(p.dir, "temperature"))
	if err != nil {
		return 0, err
	}
	return DecodeTemperature(text)
}
