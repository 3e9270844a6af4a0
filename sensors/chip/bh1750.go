package chip

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"time"

	"periph.io/x/conn/v3/i2c"

	"dewline/sensors"
	"dewline/sensors/i2cbus"
)

// Commands of the BH1750FVI (ROHM data sheet 2011.11 rev D, instruction set).
const (
	bhPowerOn = 0x01
	bhOnce    = 0x20 // one measurement at 1 lx, then power down
	bhConvert = 180 * time.Millisecond
	bhPerLux  = 1.2 // counts per lux
)

// bh1750 is a light probe. It has no checksum, no status and no register that
// survives to tell of a restart.
type bh1750 struct {
	bus  i2c.Bus
	addr uint16
	dark bool // the sample before counted zero
}

// sense takes a count that a fault may have made only from two measurements in
// a row: zero is also what a chip shows that restarted, and a low byte of 0xFF
// is also what an answer that breaks off ends in. Darkness must besides last
// into the next sample; lamps going off cost one reading.
func (d *bh1750) sense(ctx context.Context) (sensors.Sample, error) {
	count, err := d.measure(ctx)
	if err == nil && doubtful(count) {
		first := count
		count, err = d.measure(ctx)
		if err == nil && doubtful(count) && count != first {
			err = sensors.Faultf(sensors.BadCRC, "counted %d and then %d, both like answers of a fault", first, count)
		}
	}
	if err != nil {
		return sensors.Sample{}, err
	}
	wasDark := d.dark
	d.dark = count == 0
	if d.dark && !wasDark {
		return sensors.Sample{}, sensors.Faultf(sensors.AllZero, "no light at all; believed if the next sample says so too")
	}
	lux := math.Round(float64(count) / bhPerLux)
	return sensors.Sample{Has: sensors.HasLight, LightLux: uint32(lux)}, nil
}

func doubtful(count uint16) bool { return count == 0 || count&0xFF == 0xFF }

// measure returns the count of one measurement.
func (d *bh1750) measure(ctx context.Context) (uint16, error) {
	for _, c := range []byte{bhPowerOn, bhOnce} {
		if err := d.bus.Tx(d.addr, []byte{c}, nil); err != nil {
			return 0, fmt.Errorf("start the measurement: %w", err)
		}
	}
	if err := i2cbus.Wait(ctx, bhConvert); err != nil {
		return 0, err
	}
	var frame, again [2]byte
	for _, b := range [][]byte{frame[:], again[:]} {
		if err := d.bus.Tx(d.addr, nil, b); err != nil {
			return 0, fmt.Errorf("read the measurement: %w", err)
		}
	}
	// The result stands still until the next command, so two reads must agree.
	if !bytes.Equal(frame[:], again[:]) {
		return 0, sensors.Faultf(sensors.BadCRC, "read % x and then % x", frame, again)
	}
	if frame == [2]byte{0xFF, 0xFF} {
		return 0, sensors.Faultf(sensors.OutOfRange, "brighter than the chip can tell, or nothing drives the line")
	}
	return uint16(frame[0])<<8 | uint16(frame[1]), nil
}
