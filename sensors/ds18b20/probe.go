// Package ds18b20 reads DS18B20 and related 1-Wire thermometers through the files of
// the kernel's w1_therm driver. Every 1-Wire bus that the kernel has shows its
// probes in one directory. It converts when the file is read, 750 ms at 12 bits.
package ds18b20

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"strconv"
	"strings"

	"periph.io/x/conn/v3/onewire"

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

const (
	scratchpad = 9 // bytes, the last of them the checksum
	// powerOn is what the temperature register holds after power-up, and
	// reservedPowerOn what byte 6 holds then. A true 85.0 °C leaves 0x10 there
	// (DS18B20 data sheet 19-7487, page 6, for the value; byte 6 is common
	// practice).
	powerOn         = 85_000
	reservedPowerOn = 0x0C
	lowest, highest = -55_000, 125_000 // milli-°C
)

// DecodeSlave decodes the two lines of a w1_slave file:
//
//	91 01 4b 46 7f ff 0c 10 25 : crc=25 YES
//	91 01 4b 46 7f ff 0c 10 25 t=25062
//
// The kernel's verdict, its checksum and ours must agree, and so must the
// scratchpad and the printed value.
func DecodeSlave(text string) (sensors.CentiCelsius, error) {
	first, second, twoLines := strings.Cut(strings.TrimSpace(text), "\n")
	dump, verdict, judged := strings.Cut(first, ":")
	_, value, printed := strings.Cut(second, "t=")
	pad, err := hex.DecodeString(strings.Join(strings.Fields(dump), ""))
	if !twoLines || !judged || err != nil || len(pad) != scratchpad {
		return 0, malformed(text)
	}
	if err := checkPad(pad, verdict); err != nil {
		return 0, err
	}
	if !printed {
		return 0, malformed(text)
	}
	milli, err := parseMilli(value)
	if err != nil {
		return 0, err
	}
	if milli == powerOn && pad[6] == reservedPowerOn {
		return 0, sensors.Faultf(sensors.PowerOnValue, "85 °C is what the chip shows after power-up, before any conversion: does its supply dip?")
	}
	if err := agrees(pad, milli); err != nil {
		return 0, err
	}
	return centi(milli)
}

func checkPad(pad []byte, verdict string) error {
	if i2c.All(pad, 0) { // its checksum is right: zero
		return sensors.Faultf(sensors.AllZero, "scratchpad of zeros: the line is held low, by a short circuit or without power")
	}
	if !strings.HasSuffix(strings.TrimSpace(verdict), "YES") {
		return sensors.Faultf(sensors.BadCRC, "the kernel found a wrong checksum in % x: is the pull-up resistor there, and the cable short and dry?", pad)
	}
	if got := onewire.CalcCRC(pad[:scratchpad-1]); got != pad[scratchpad-1] {
		return sensors.Faultf(sensors.BadCRC, "scratchpad % x has checksum %#02x, want %#02x", pad, pad[scratchpad-1], got)
	}
	return nil
}

// agrees compares the printed value with the register of a DS18B20, sixteenths
// of a degree. Families with other registers (DS18S20: half degrees) do not
// come near by chance, so they are told by their configuration byte, 0xFF.
func agrees(pad []byte, milli int) error {
	if pad[4] == 0xFF {
		return nil
	}
	register := int(int16(uint16(pad[1])<<8|uint16(pad[0]))) * 1000 / 16
	if d := register - milli; d < -63 || d > 63 {
		return sensors.Faultf(sensors.Malformed, "the register says %d m°C and the kernel %d", register, milli)
	}
	return nil
}

// DecodeTemperature decodes a temperature file, thousandths of a degree. It
// holds no checksum and no scratchpad, so 85.000 °C is always refused: it is
// far likelier to be the power-on value.
func DecodeTemperature(text string) (sensors.CentiCelsius, error) {
	milli, err := parseMilli(text)
	if err != nil {
		return 0, err
	}
	if milli == powerOn {
		return 0, sensors.Faultf(sensors.PowerOnValue, "85 °C is what the chip shows after power-up, before any conversion")
	}
	return centi(milli)
}

func parseMilli(s string) (int, error) {
	milli, err := strconv.ParseInt(strings.TrimSpace(s), 10, 32)
	if err != nil {
		return 0, malformed(s)
	}
	return int(milli), nil
}

func centi(milli int) (sensors.CentiCelsius, error) {
	if milli < lowest || milli > highest {
		return 0, sensors.Faultf(sensors.OutOfRange, "%d m°C is outside what the chip can measure", milli)
	}
	return sensors.CelsiusOf(float64(milli) / 1000), nil
}

func malformed(text string) error {
	const shown = 120
	if len(text) > shown {
		text = text[:shown]
	}
	return sensors.Faultf(sensors.Malformed, "not the text of a 1-Wire thermometer: %q; does the path name its directory?", text)
}
