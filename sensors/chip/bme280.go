package chip

import (
	"bytes"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/devices/v3/bmxx80"

	"dewline/sensors"
)

// Registers of the BME280 (data sheet BST-BME280-DS002, section 5.3).
const (
	bmeID      = 0xD0
	bmeCalA    = 0x88
	bmeCalB    = 0xE1
	bmeCtrlHum = 0xF2
	bmeStatus  = 0xF3
	bmeData    = 0xF7 // pressure 3 bytes, temperature 3, humidity 2
	bmeTemp    = 0xFA
	bmeChip    = 0x60
)

// busyLimit is how long a conversion may last: 9.3 ms for temperature and
// humidity at once each (data sheet appendix B), and some.
const busyLimit = 50 * time.Millisecond

func newBME280(b i2c.Bus, addr uint16) (senser, error) {
	// Pressure is not used, and leaving it out keeps the chip cooler.
	d, err := bmxx80.NewI2C(b, addr, &bmxx80.Opts{Temperature: bmxx80.O1x, Humidity: bmxx80.O1x})
	if err != nil {
		return nil, err
	}
	return periphDevice{d}, nil
}

// checkBME280 makes up for what the BME280 lacks, a checksum, and for what the
// driver lacks, an end to waiting.
func checkBME280(g *guard, addr uint16, w, r []byte) error {
	if len(w) != 1 || len(r) == 0 {
		return nil
	}
	switch w[0] {
	case bmeID:
		if r[0] != bmeChip {
			return sensors.Faultf(sensors.Malformed, "chip id %#02x is not that of a BME280 (%#02x)", r[0], bmeChip)
		}
	case bmeStatus:
		return awaitIdle(g, addr, r)
	case bmeCalA, bmeCalB:
		return checkCalibration(g, addr, w, r)
	case bmeData:
		return checkData(g, addr, r)
	}
	return nil
}

// awaitIdle polls the status until the conversion has ended, so that the
// driver, which would ask for ever, sees only an idle chip or an error.
func awaitIdle(g *guard, addr uint16, status []byte) error {
	const measuring = 1 << 3
	for waited := time.Duration(0); status[0]&measuring != 0; waited += time.Millisecond {
		if waited >= busyLimit {
			return sensors.Faultf(sensors.StuckBusy, "still busy after %v", busyLimit)
		}
		if err := g.wait(time.Millisecond); err != nil {
			return err
		}
		if err := g.raw(addr, []byte{bmeStatus}, status); err != nil {
			return err
		}
	}
	return nil
}

// checkCalibration reads the calibration again, a byte longer: a wrong value
// here would make every later reading wrong.
func checkCalibration(g *guard, addr uint16, w, r []byte) error {
	if allEqual(r, 0) {
		return sensors.Faultf(sensors.AllZero, "calibration of zeros")
	}
	return sameAgain(g, addr, w[0], r)
}

// checkData refuses frames that no measurement gives, and reads temperature
// and humidity again: after a forced measurement they stand still.
func checkData(g *guard, addr uint16, r []byte) error {
	if len(r) != 8 {
		return sensors.Faultf(sensors.Malformed, "frame of %d bytes", len(r))
	}
	switch {
	case allEqual(r, 0):
		return sensors.Faultf(sensors.AllZero, "frame of zeros")
	case r[6] == 0xFF && r[7] == 0xFF:
		return sensors.Faultf(sensors.BadCRC, "frame % x breaks off", r)
	case r[3] == 0x80 && r[4] == 0 && r[5] == 0, r[6] == 0x80 && r[7] == 0:
		if err := checkSettings(g, addr); err != nil {
			return err
		}
	}
	return sameAgain(g, addr, bmeTemp, r[bmeTemp-bmeData:])
}

// checkSettings tells a true middle of the scale from what a register shows
// when its quantity was not measured, because the chip restarted and forgot its
// settings (data sheet sections 5.4.3 and 5.4.8).
func checkSettings(g *guard, addr uint16) error {
	var hum [1]byte
	if err := g.raw(addr, []byte{bmeCtrlHum}, hum[:]); err != nil {
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
func sameAgain(g *guard, addr uint16, reg byte, want []byte) error {
	times := 1
	if want[len(want)-1] == 0xFF {
		times = 2
	}
	again := make([]byte, len(want)+1)
	for range times {
		if err := g.raw(addr, []byte{reg}, again); err != nil {
			return err
		}
		if !bytes.Equal(want, again[:len(want)]) {
			return sensors.Faultf(sensors.BadCRC, "register %#02x read % x and then % x", reg, want, again[:len(want)])
		}
	}
	return nil
}
