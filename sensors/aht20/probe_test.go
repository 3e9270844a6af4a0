package aht20

import (
	"context"
	"strings"
	"testing"
	"testing/synctest"

	"periph.io/x/conn/v3/i2c/i2ctest"

	"dewline/configs"
	"dewline/sensors"
	"dewline/sensors/i2c"
)

// open opens a probe on bus.
func open(t *testing.T, bus i2c.Bus) *Probe {
	t.Helper()
	s, err := Family().Open(configs.Probe{ID: "litter-1", Family: "aht20", Address: 0x38}, bus)
	if err != nil {
		t.Fatal(err)
	}
	return s.(*Probe)
}

// play opens a probe over a playback, which must be used up at the end.
func play(t *testing.T, groups ...[]i2ctest.IO) *Probe {
	t.Helper()
	pb := &i2ctest.Playback{DontPanic: true}
	for _, g := range groups {
		for _, op := range g {
			op.Addr = 0x38
			pb.Ops = append(pb.Ops, op)
		}
	}
	t.Cleanup(func() {
		if err := pb.Close(); err != nil {
			t.Error(err)
		}
	})
	return open(t, pb)
}

func w(b ...byte) i2ctest.IO            { return i2ctest.IO{W: b} }
func r(b ...byte) i2ctest.IO            { return i2ctest.IO{R: b} }
func wr(reg byte, b ...byte) i2ctest.IO { return i2ctest.IO{W: []byte{reg}, R: b} }

func wants(t *testing.T, p *Probe, reason sensors.Reason) sensors.Sample {
	t.Helper()
	s, err := p.Sample(t.Context())
	if sensors.ReasonOf(err) != reason {
		t.Errorf("got %+v, %v; want reason %q", s, err, reason)
	}
	if err != nil && (s != sensors.Sample{} || !strings.Contains(err.Error(), "probe litter-1")) {
		t.Errorf("a failed sample holds %+v, or does not say where: %v", s, err)
	}
	return s
}

// AHT20. The frame is 0xAAAAA of 2^20 for humidity and 0x60000 for temperature:
// 66.67 % and 25.00 °C by the formulas of the data sheet v1.1, section 6. The
// checksums are from the bitwise definition there.
func TestAHT20Bytes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start, busy := w(0xAC, 0x33, 0x00), r(0x98, 0, 0, 0, 0, 0, 0)
		p := play(t, []i2ctest.IO{wr(0x71, 0x18), start, busy, busy, r(ahtGood()...), start, r(ahtGood()...)})
		for range 2 {
			if s := wants(t, p, sensors.NoReason); s.Temperature != 25_00 || s.Humidity != 66_67 {
				t.Errorf("%+v, want 25.00 °C and 66.67 %%", s)
			}
		}
	})
}

func ahtGood() []byte {
	b := []byte{0x1C, 0xAA, 0xAA, 0xA6, 0x00, 0x00}
	return append(b, aosong(b))
}

// aosong is the data sheet's checksum, bit by bit: 1 + x⁴ + x⁵ + x⁸ from 0xFF.
func aosong(b []byte) byte {
	crc := byte(0xFF)
	for _, v := range b {
		for bit := 7; bit >= 0; bit-- {
			carry := crc>>7 ^ v>>bit&1
			crc = crc<<1 ^ carry*0x31
		}
	}
	return crc
}

func TestAHT20Faults(t *testing.T) {
	start := w(0xAC, 0x33, 0x00)
	ready := []i2ctest.IO{wr(0x71, 0x18), start}
	flipped := ahtGood()
	flipped[2] ^= 4
	fresh := []byte{0x10, 0xAA, 0xAA, 0xA6, 0x00, 0x00}
	zeros := []byte{0x18, 0, 0, 0, 0, 0}
	stuck := append([]i2ctest.IO(nil), ready...)
	for range 16 {
		stuck = append(stuck, r(0x98, 0, 0, 0, 0, 0, 0))
	}
	for _, c := range []struct {
		name   string
		ops    []i2ctest.IO
		reason sensors.Reason
	}{
		{"flip", append(ready[:2:2], r(flipped...)), sensors.BadCRC},
		{"never measured", append(ready[:2:2], r(append(zeros, aosong(zeros))...)), sensors.AllZero},
		{"restarted", append(ready[:2:2], r(append(fresh, aosong(fresh))...)), sensors.PowerOnValue},
		{"nothing drives the line", append(ready[:2:2], r(0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF)), sensors.BadCRC},
		{"busy for ever", stuck, sensors.StuckBusy},
		{"breaks off", append(ready[:2:2], r(0x18, 1, 2, 3, 4, 0xFF, 0xFF), r(0x18, 1, 2, 3, 4, 5, 6)), sensors.BadCRC},
	} {
		synctest.Test(t, func(t *testing.T) {
			t.Log(c.name)
			wants(t, play(t, c.ops), c.reason)
		})
	}
}

func TestAnEndedContextSendsNothing(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := play(t).Sample(ctx); sensors.ReasonOf(err) != sensors.TimedOut {
		t.Error(err)
	}
}
