package bme280

import (
	"bytes"
	"context"
	"time"

	"periph.io/x/devices/v3/bmxx80"

	"dewline/sensors"
	"dewline/sensors/i2c"
)

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
