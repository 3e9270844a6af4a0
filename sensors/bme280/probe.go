// Package bme280 reads Bosch's BME280 through periph's bmxx80 driver.
//
// Only its Sense is used, and the result is looked at only after a nil error.
// Between driver and bus sits a guard that gives every transfer the sample's
// context and its reason, and that checks what the driver does not: frames, which
// have no checksum, are read twice, a busy chip is waited for within a limit, and
// values that a chip shows after a brown-out are refused.
package bme280

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"time"

	"periph.io/x/conn/v3/physic"
	"periph.io/x/devices/v3/bmxx80"

	"dewline/configs"
	"dewline/sensors"
	"dewline/sensors/i2c"
)

// Family is the BME280's row: -40 to 85 °C, ±3 %RH at 20 to 80 %; nothing is
// promised wet (data sheet BST-BME280-DS002).
func Family() sensors.Family {
	return sensors.Family{
		Name: "bme280", Addresses: []int{0x76, 0x77}, Measures: sensors.Both,
		Limits: sensors.Limits{
			Coldest: -4000, Hottest: 8500, Wettest: 10000, Coarse: 1,
			Accuracy: sensors.Accuracy{Celsius: 1.0, CelsiusYear: 0.1, Percent: 3.0, PercentAt100: 5.0, PercentYear: 0.5, Hysteresis: 1.0},
		},
		Open: func(p configs.Probe, bus i2c.Bus) (sensors.Sampler, error) {
			return &Probe{guard: guard{chip: i2c.At(p, bus)}}, nil
		},
		Identify: identify,
	}
}

// identify reads the identity register.
func identify(ctx context.Context, bus i2c.Bus, addr uint16) (string, sensors.Certainty) {
	var id [1]byte
	if (i2c.Device{Bus: bus, Addr: addr}).Tx(ctx, []byte{regID}, id[:]) != nil || id[0] != chipID {
		return "", ""
	}
	return "chip id 60", sensors.Identified
}

// A Probe is one chip. It is for one goroutine.
type Probe struct {
	guard  guard
	device *bmxx80.Dev // nil until set up, and again after a fault
	setUps uint64
}

// Sample measures once, about 10 ms. The values are as the chip gave them. The
// error is a sensors.FaultError, after which the next Sample sets the chip up
// afresh.
func (p *Probe) Sample(ctx context.Context) (sensors.Sample, error) {
	p.guard.begin(ctx)
	s, err := p.sample()
	if err != nil {
		p.device = nil
		err = p.guard.outcome(err)
	}
	return s, sensors.Located(p.guard.chip.Name, err)
}

func (p *Probe) sample() (sensors.Sample, error) {
	if p.device == nil {
		// Pressure is not used, and leaving it out keeps the chip cooler.
		d, err := bmxx80.NewI2C(&p.guard, p.guard.chip.Addr, &bmxx80.Opts{Temperature: bmxx80.O1x, Humidity: bmxx80.O1x})
		if err != nil {
			return sensors.Sample{}, fmt.Errorf("set up: %w", err)
		}
		p.device = d
		p.setUps++
	}
	var e physic.Env
	if err := p.device.Sense(&e); err != nil {
		return sensors.Sample{}, err
	}
	return fromEnv(e), nil
}

// Events returns what the poller counts of it: a set-up after faults counts as
// a restart.
func (p *Probe) Events() sensors.Events { return sensors.Events{Restarts: max(p.setUps, 1) - 1} }

// guard is the bus that periph's driver sees. It keeps the first fault, because
// the driver flattens some of the errors it gets into text.
type guard struct {
	chip  i2c.Device
	ctx   context.Context // of the present sample
	fault error
}

// begin starts one sample.
func (g *guard) begin(ctx context.Context) { g.ctx, g.fault = ctx, nil }

func (g *guard) String() string { return g.chip.Bus.String() }

func (g *guard) SetSpeed(f physic.Frequency) error { return g.chip.Bus.SetSpeed(f) }

// Tx passes one transfer on and checks its answer; the driver has one address.
func (g *guard) Tx(_ uint16, w, r []byte) error {
	err := g.chip.Tx(g.ctx, w, r)
	if err == nil {
		err = check(g.ctx, g.chip, w, r)
	}
	if err != nil && g.fault == nil {
		g.fault = err
	}
	return err
}

// outcome is what a sample failed with: the guard's own view where it has one.
func (g *guard) outcome(err error) error {
	if err != nil && g.fault != nil {
		return g.fault
	}
	return err
}

// fromEnv converts what periph's driver measured. physic truncates when it
// prints; this rounds.
func fromEnv(e physic.Env) sensors.Sample {
	centi := func(v, whole int64) int32 { return int32(math.Round(float64(v*100) / float64(whole))) }
	return sensors.Sample{
		Has:         sensors.HasTemperature | sensors.HasHumidity,
		Temperature: sensors.CentiCelsius(centi(int64(e.Temperature-physic.ZeroCelsius), int64(physic.Kelvin))),
		Humidity:    sensors.CentiPercent(centi(int64(e.Humidity), int64(physic.PercentRH))),
	}
}

// Registers of the BME280 (data sheet BST-BME280-DS002, section 5.3).
const (
	regID      = 0xD0
	regCalA    = 0x88
	regCalB    = 0xE1
	regCtrlHum = 0xF2
	regStatus  = 0xF3
	regData    = 0xF7 // pressure 3 bytes, temperature 3, humidity 2
	regTemp    = 0xFA
	chipID     = 0x60
)

// busyLimit is how long a conversion may last: 9.3 ms for temperature and
// humidity at once each (data sheet appendix B), and some.
const busyLimit = 50 * time.Millisecond

// check makes up for what the BME280 lacks, a checksum, and for what the
// driver lacks, an end to waiting.
func check(ctx context.Context, chip i2c.Device, w, r []byte) error {
	if len(w) != 1 || len(r) == 0 {
		return nil
	}
	switch w[0] {
	case regID:
		if r[0] != chipID {
			return sensors.Faultf(sensors.Malformed, "chip id %#02x is not that of a BME280 (%#02x)", r[0], chipID)
		}
	case regStatus:
		return awaitIdle(ctx, chip, r)
	case regCalA, regCalB:
		return checkCalibration(ctx, chip, w, r)
	case regData:
		return checkData(ctx, chip, r)
	}
	return nil
}

// awaitIdle polls the status until the conversion has ended, so that the
// driver, which would ask for ever, sees only an idle chip or an error.
func awaitIdle(ctx context.Context, chip i2c.Device, status []byte) error {
	const measuring = 1 << 3
	for waited := time.Duration(0); status[0]&measuring != 0; waited += time.Millisecond {
		if waited >= busyLimit {
			return sensors.Faultf(sensors.StuckBusy, "still busy after %v", busyLimit)
		}
		if err := i2c.Wait(ctx, time.Millisecond); err != nil {
			return err
		}
		if err := chip.Tx(ctx, []byte{regStatus}, status); err != nil {
			return err
		}
	}
	return nil
}

// checkCalibration reads the calibration again, a byte longer: a wrong value
// here would make every later reading wrong.
func checkCalibration(ctx context.Context, chip i2c.Device, w, r []byte) error {
	if i2c.All(r, 0) {
		return sensors.Faultf(sensors.AllZero, "calibration of zeros")
	}
	return sameAgain(ctx, chip, w[0], r)
}

// checkData refuses frames that no measurement gives, and reads temperature
// and humidity again: after a forced measurement they stand still.
func checkData(ctx context.Context, chip i2c.Device, r []byte) error {
	if len(r) != 8 {
		return sensors.Faultf(sensors.Malformed, "frame of %d bytes", len(r))
	}
	switch {
	case i2c.All(r, 0):
		return sensors.Faultf(sensors.AllZero, "frame of zeros")
	case r[6] == 0xFF && r[7] == 0xFF:
		return sensors.Faultf(sensors.BadCRC, "frame % x breaks off", r)
	case r[3] == 0x80 && r[4] == 0 && r[5] == 0, r[6] == 0x80 && r[7] == 0:
		if err := checkSettings(ctx, chip); err != nil {
			return err
		}
	}
	return sameAgain(ctx, chip, regTemp, r[regTemp-regData:])
}

// checkSettings tells a true middle of the scale from what a register shows
// when its quantity was not measured, because the chip restarted and forgot its
// settings (data sheet sections 5.4.3 and 5.4.8).
func checkSettings(ctx context.Context, chip i2c.Device) error {
	var hum [1]byte
	if err := chip.Tx(ctx, []byte{regCtrlHum}, hum[:]); err != nil {
		return err
	}
	if hum[0] != byte(bmxx80.O1x) {
		return sensors.Faultf(sensors.PowerOnValue, "the chip has restarted: its humidity setting is %#02x, not %#02x", hum[0], byte(bmxx80.O1x))
	}
	return nil
}

// sameAgain reads register reg again and compares: one byte more than want, so
// that an answer which breaks off does not break off alike, and once more if
// want ends as such an answer does.
func sameAgain(ctx context.Context, chip i2c.Device, reg byte, want []byte) error {
	times := 1
	if want[len(want)-1] == 0xFF {
		times = 2
	}
	again := make([]byte, len(want)+1)
	for range times {
		if err := chip.Tx(ctx, []byte{reg}, again); err != nil {
			return err
		}
		if !bytes.Equal(want, again[:len(want)]) {
			return sensors.Faultf(sensors.BadCRC, "register %#02x read % x and then % x", reg, want, again[:len(want)])
		}
	}
	return nil
}
