// Package w1 reads DS18B20 and related 1-Wire thermometers through the files of
// the kernel's w1_therm driver. Every 1-Wire bus that the kernel has shows its
// probes in one directory, so several buses need nothing special here.
//
// The kernel converts when the file is read, 750 ms at 12 bits. Judging values
// over time is not done here.
package w1

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"

	"dewline/configs"
	"dewline/sensors"
	"dewline/sensors/kernfile"
)

// A Probe is one thermometer. It is for one goroutine.
type Probe struct {
	name string
	dir  string
	file kernfile.Reader
}

// Open returns the probe whose directory p.Path names, such as
// /sys/bus/w1/devices/28-0316a2794de1. It reads nothing: a probe that is not
// connected yet fails in Sample.
func Open(p configs.Probe) (*Probe, error) {
	if p.Path == "" {
		return nil, fmt.Errorf("probe %s: a 1-Wire probe needs the path of its directory", p.ID)
	}
	return &Probe{name: "probe " + p.ID + ": 1-Wire", dir: p.Path}, nil
}

// Sample runs one conversion and returns the temperature. The error is a
// sensors.FaultError.
func (p *Probe) Sample(ctx context.Context) (sensors.Sample, error) {
	t, err := p.read(ctx)
	if err != nil {
		return sensors.Sample{}, sensors.Fault(sensors.ReasonOf(err), fmt.Errorf("%s: %w", p.name, err))
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
