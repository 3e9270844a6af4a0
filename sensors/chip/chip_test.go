package chip

import (
	"context"
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/i2c/i2ctest"
	"periph.io/x/conn/v3/physic"

	"dewline/configs"
	"dewline/sensors"
	"dewline/sensors/i2cbus"
	"dewline/sensors/simbus"
)

// play opens a probe over a playback, which must be used up at the end.
func play(t *testing.T, family string, address int, groups ...[]i2ctest.IO) *Probe {
	t.Helper()
	pb := &i2ctest.Playback{DontPanic: true}
	for _, g := range groups {
		for _, op := range g {
			op.Addr = uint16(address)
			pb.Ops = append(pb.Ops, op)
		}
	}
	t.Cleanup(func() {
		if err := pb.Close(); err != nil {
			t.Error(err)
		}
	})
	p, err := Open(configs.Probe{ID: "litter-1", Family: family, Address: address}, pb)
	if err != nil {
		t.Fatal(err)
	}
	return p
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

// BME280. Calibration words T1 to T3 and the worked example adc_T = 519888
// giving 25.08 °C are from Bosch's BMP280 data sheet, section 3.12, which has
// the same temperature core.
var (
	calA = []byte{
		0x70, 0x6B, 0x43, 0x67, 0x18, 0xFC, // 27504, 26435, -1000
		0x7D, 0x8E, 0x43, 0xD6, 0xD0, 0x0B, 0x27, 0x0B, 0x8C, 0x00, 0xF9, 0xFF, 0x8C, 0x3C, 0xF8, 0xC6, 0x70, 0x17,
		0x00, 0x4B, // padding, H1
	}
	calB   = []byte{0x69, 0x01, 0x00, 0x13, 0x29, 0x03, 0x1E} // H2 361, H3 0, H4 313, H5 50, H6 30
	adc    = []byte{0x7E, 0xED, 0x00}                         // 519888
	damp   = []byte{0x80, 0x12}
	setup  = []i2ctest.IO{wr(0xD0, 0x60), wr(0x88, calA...), wr(0x88, with(calA)...), wr(0xE1, calB...), wr(0xE1, with(calB)...), w(0xF4, 0x20, 0xF2, 0x01, 0xF5, 0xA0, 0xF4, 0x20)}
	forced = []i2ctest.IO{w(0xF4, 0x21), wr(0xF3, 0x00)}
)

// with returns b and the byte behind it that the second read takes along.
func with(b ...[]byte) (all []byte) {
	for _, x := range b {
		all = append(all, x...)
	}
	return append(all, 0)
}

func data(temp, hum []byte) []byte { return append(append([]byte{0x80, 0, 0}, temp...), hum...) }

func TestBME280Bytes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := play(t, "bme280", 0x76, setup, forced, []i2ctest.IO{wr(0xF7, data(adc, damp)...), wr(0xFA, with(adc, damp)...)})
		if s := wants(t, p, sensors.NoReason); s.Temperature != 25_08 || s.Has != sensors.HasTemperature|sensors.HasHumidity {
			t.Errorf("%+v, want 25.08 °C", s)
		}
	})
}

func TestBME280Faults(t *testing.T) {
	frame := wr(0xF7, data(adc, damp)...)
	for _, c := range []struct {
		name   string
		ops    []i2ctest.IO
		reason sensors.Reason
	}{
		{"another chip", []i2ctest.IO{wr(0xD0, 0x58)}, sensors.Malformed},
		{"calibration of zeros", []i2ctest.IO{wr(0xD0, 0x60), wr(0x88, make([]byte, 26)...)}, sensors.AllZero},
		{"calibration that changes", []i2ctest.IO{wr(0xD0, 0x60), wr(0x88, calA...), wr(0x88, make([]byte, 27)...)}, sensors.BadCRC},
		{"zeros", append(full(), wr(0xF7, make([]byte, 8)...)), sensors.AllZero},
		{"breaks off", append(full(), wr(0xF7, 0x80, 0, 0, 0x7E, 0xFF, 0xFF, 0xFF, 0xFF)), sensors.BadCRC},
		{"a bit flips", append(full(), frame, wr(0xFA, with(adc, []byte{0x81, 0x12})...)), sensors.BadCRC},
		{"restarted", append(full(), wr(0xF7, data(adc, []byte{0x80, 0})...), wr(0xF2, 0)), sensors.PowerOnValue},
	} {
		synctest.Test(t, func(t *testing.T) {
			t.Log(c.name)
			wants(t, play(t, "bme280", 0x76, c.ops), c.reason)
		})
	}
}

// full is the traffic of the first sample up to the data.
func full() []i2ctest.IO { return append(append([]i2ctest.IO(nil), setup...), forced...) }

// The middle of both scales is a legal value as long as the chip remembers its
// settings.
func TestBME280MiddleOfTheScaleIsLegal(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		half := []byte{0x80, 0x00}
		wants(t, play(t, "bme280", 0x76, full(), []i2ctest.IO{wr(0xF7, data(adc, half)...), wr(0xF2, 0x01), wr(0xFA, with(adc, half)...)}), sensors.NoReason)
	})
}

func TestAFaultSetsTheChipUpAfresh(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		good := []i2ctest.IO{wr(0xF7, data(adc, damp)...), wr(0xFA, with(adc, damp)...)}
		p := play(t, "bme280", 0x76, full(), []i2ctest.IO{wr(0xF7, make([]byte, 8)...)}, full(), good, forced, good)
		wants(t, p, sensors.AllZero)
		wants(t, p, sensors.NoReason)
		wants(t, p, sensors.NoReason)
		if got := p.Events(); got != (sensors.Events{Restarts: 1}) {
			t.Errorf("%+v, want one restart", got)
		}
	})
}

// AHT20. The frame is 0xAAAAA of 2^20 for humidity and 0x60000 for temperature:
// 66.67 % and 25.00 °C by the formulas of the data sheet v1.1, section 6. The
// checksums are from the bitwise definition there.
func TestAHT20Bytes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start, busy := w(0xAC, 0x33, 0x00), r(0x98, 0, 0, 0, 0, 0, 0)
		p := play(t, "aht20", 0x38, []i2ctest.IO{wr(0x71, 0x18), start, busy, busy, r(ahtGood()...), start, r(ahtGood()...)})
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
			wants(t, play(t, "aht20", 0x38, c.ops), c.reason)
		})
	}
}

// BH1750: 0x8390 counts are 28067 lx by the worked example of ROHM's data sheet
// (measurement sequence, "high byte 10000011, low byte 10010000").
func TestBH1750(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		once := []i2ctest.IO{w(0x01), w(0x20)}
		twice := func(b ...byte) []i2ctest.IO { return append(once[:2:2], r(b...), r(b...)) }
		p := play(t, "bh1750", 0x23,
			twice(0x83, 0x90),
			append(once[:2:2], r(0x83, 0x90), r(0x83, 0x91)),
			twice(0xFF, 0xFF),
			twice(0, 0), twice(0, 0), // dark, refused the first time
			twice(0, 0), twice(0, 0), // and believed the second
			twice(0x01, 0xFF), twice(0x02, 0xFF), // like two that break off
			twice(0x01, 0xFF), twice(0x01, 0xFF))
		if s := wants(t, p, sensors.NoReason); s.LightLux != 28067 || s.Has != sensors.HasLight {
			t.Errorf("%+v, want 28067 lx", s)
		}
		wants(t, p, sensors.BadCRC)
		wants(t, p, sensors.OutOfRange)
		wants(t, p, sensors.AllZero)
		if s := wants(t, p, sensors.NoReason); s.LightLux != 0 {
			t.Errorf("%+v, want darkness", s)
		}
		wants(t, p, sensors.BadCRC)
		if s := wants(t, p, sensors.NoReason); s.LightLux != 426 { // 511/1.2
			t.Errorf("%+v, want 426 lx", s)
		}
		if got := p.Events(); got != (sensors.Events{}) { // the lamps go off every night
			t.Errorf("%+v", got)
		}
	})
}

func TestOpenRefuses(t *testing.T) {
	for _, p := range []configs.Probe{
		{Family: "sht4x", Address: 0x44}, {Family: "bme280", Address: 0x44}, {Family: "aht20", Address: 0x39}, {Family: "bh1750"},
	} {
		if _, err := Open(p, &i2ctest.Playback{}); err == nil {
			t.Errorf("%+v was accepted", p)
		}
	}
}

func TestAnEndedContextSendsNothing(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	for family, addr := range map[string]int{"bme280": 0x76, "aht20": 0x38, "bh1750": 0x23} {
		if _, err := play(t, family, addr).Sample(ctx); sensors.ReasonOf(err) != sensors.TimedOut {
			t.Errorf("%s: %v", family, err)
		}
	}
}

// TestTheBusErrorIsNotFlattened: periph's drivers turn errors into text at
// times, and a keeper who sees "no device answered" looks at the plug.
func TestTheBusErrorIsNotFlattened(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		for family, addr := range map[string]int{"bme280": 0x76, "aht20": 0x38, "bh1750": 0x23} {
			p, err := Open(configs.Probe{ID: "p", Family: family, Address: addr}, simbus.New("sim"))
			if err != nil {
				t.Fatal(err)
			}
			if _, err := p.Sample(t.Context()); !errors.Is(err, i2cbus.ErrNoAnswer) || sensors.ReasonOf(err) != sensors.BusError {
				t.Errorf("%s: %v", family, err)
			}
		}
	})
}

// A budget that ends in mid-conversion ends the sample, even inside a driver
// that knows no context.
func TestABudgetEndsInsideADriver(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := simbus.New("sim")
		bus.Attach(0x38, &simbus.AHT20{Climate: &simbus.Climate{Celsius: 24, Percent: 80}, Stuck: true})
		p, err := Open(configs.Probe{ID: "p", Family: "aht20", Address: 0x38}, bus)
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithTimeout(t.Context(), 120*time.Millisecond)
		defer cancel()
		start := time.Now()
		_, err = p.Sample(ctx)
		if took := time.Since(start); sensors.ReasonOf(err) != sensors.TimedOut || took > 130*time.Millisecond {
			t.Errorf("%v after %v", err, took)
		}
	})
}

func TestFromEnvRounds(t *testing.T) {
	for _, c := range []struct {
		env  physic.Env
		temp sensors.CentiCelsius
		hum  sensors.CentiPercent
	}{
		// 79.996 % and -0.046 °C, which physic would print as 79.9 and -46 m.
		{physic.Env{Temperature: physic.ZeroCelsius - 46*physic.MilliKelvin, Humidity: 7_999_600}, -5, 80_00},
		{physic.Env{Temperature: physic.ZeroCelsius + 25_004*physic.MilliKelvin, Humidity: 7_999_400}, 25_00, 79_99},
	} {
		s, err := fromEnv(c.env)
		if err != nil || s.Temperature != c.temp || s.Humidity != c.hum {
			t.Errorf("%v: %v %v %v", c.env, s.Temperature, s.Humidity, err)
		}
	}
	if _, err := fromEnv(physic.Env{}); sensors.ReasonOf(err) != sensors.OutOfRange { // absolute zero
		t.Errorf("err = %v", err)
	}
}
