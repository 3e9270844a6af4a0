package chip

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/devices/v3/aht20"

	"dewline/sensors"
)

const (
	ahtBusy      = 1 << 7
	ahtFrame     = 7
	ahtBusyLimit = 150 * time.Millisecond // after the 80 ms that a conversion takes
)

func newAHT20(b i2c.Bus) (senser, error) {
	d, err := aht20.NewI2C(b, &aht20.DefaultOpts)
	if err != nil {
		return nil, err
	}
	return ahtDevice{periphDevice{d}}, nil
}

// checkAHT20 waits for a busy chip itself: the driver would check the checksum
// of a frame that is not finished and call it corrupt.
func checkAHT20(g *guard, addr uint16, _, r []byte) error {
	if len(r) != ahtFrame {
		return nil
	}
	for waited := time.Duration(0); r[0]&ahtBusy != 0; waited += 10 * time.Millisecond {
		if allEqual(r, 0xFF) {
			return sensors.Faultf(sensors.BadCRC, "frame % x: nothing drives the line", r)
		}
		if waited >= ahtBusyLimit {
			return sensors.Faultf(sensors.StuckBusy, "still busy after %v", ahtBusyLimit)
		}
		if err := g.wait(10 * time.Millisecond); err != nil {
			return err
		}
		if err := g.raw(addr, nil, r); err != nil {
			return err
		}
	}
	switch {
	case allEqual(r[1:6], 0):
		// 0 % at -50 °C: the chip answered without having measured.
		return sensors.Faultf(sensors.AllZero, "frame % x holds no measurement", r)
	case r[5] == 0xFF && r[6] == 0xFF:
		return whole(g, addr, r)
	}
	return nil
}

// whole tells a true frame that happens to end in two bytes of 0xFF from one
// that broke off: the chip repeats a true one.
func whole(g *guard, addr uint16, r []byte) error {
	var again [ahtFrame]byte
	if err := g.raw(addr, nil, again[:]); err != nil {
		return err
	}
	if !bytes.Equal(r, again[:]) {
		return sensors.Faultf(sensors.BadCRC, "frame % x breaks off", r)
	}
	return nil
}

// ahtDevice turns the driver's typed errors into reasons.
type ahtDevice struct{ periphDevice }

func (d ahtDevice) sense(ctx context.Context) (sensors.Sample, error) {
	s, err := d.periphDevice.sense(ctx)
	if err == nil {
		return s, nil
	}
	var (
		corrupt *aht20.DataCorruptionError
		late    *aht20.ReadTimeoutError
		fresh   *aht20.NotInitializedError
	)
	switch {
	case errors.As(err, &corrupt):
		return sensors.Sample{}, sensors.Fault(sensors.BadCRC, err)
	case errors.As(err, &late):
		return sensors.Sample{}, sensors.Fault(sensors.StuckBusy, err)
	case errors.As(err, &fresh):
		return sensors.Sample{}, sensors.Fault(sensors.PowerOnValue, fmt.Errorf("the chip has restarted: %w", err))
	}
	return sensors.Sample{}, err
}
