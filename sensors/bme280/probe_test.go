package bme280

import (
	"context"
	"strings"
	"testing"
	"testing/synctest"

	"periph.io/x/conn/v3/i2c/i2ctest"
	"periph.io/x/conn/v3/physic"

	"dewline/configs"
	"dewline/sensors"
	"dewline/sensors/i2c"
)

// open opens a probe on bus.
func open(t *testing.T, bus i2c.Bus) *Probe {
	t.Helper()
	s, err := Family().Open(configs.Probe{ID: "litter-1", Family: "bme280", Address: 0x76}, bus)
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
			op.Addr = 0x76
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
		p := play(t, setup, forced, []i2ctest.IO{wr(0xF7, data(adc, damp)...), wr(0xFA, with(adc, damp)...)})
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
			wants(t, play(t, c.ops), c.reason)
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
		wants(t, play(t, full(), []i2ctest.IO{wr(0xF7, data(adc, half)...), wr(0xF2, 0x01), wr(0xFA, with(adc, half)...)}), sensors.NoReason)
	})
}

func TestAFaultSetsTheChipUpAfresh(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		good := []i2ctest.IO{wr(0xF7, data(adc, damp)...), wr(0xFA, with(adc, damp)...)}
		p := play(t, full(), []i2ctest.IO{wr(0xF7, make([]byte, 8)...)}, full(), good, forced, good)
		wants(t, p, sensors.AllZero)
		wants(t, p, sensors.NoReason)
		wants(t, p, sensors.NoReason)
		if got := p.Events(); got != (sensors.Events{Restarts: 1}) {
			t.Errorf("%+v, want one restart", got)
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
		s := fromEnv(c.env)
		if s.Temperature != c.temp || s.Humidity != c.hum {
			t.Errorf("%v: %v %v", c.env, s.Temperature, s.Humidity)
		}
	}
}
func TestAnEndedContextSendsNothing(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := play(t).Sample(ctx); sensors.ReasonOf(err) != sensors.TimedOut {
		t.Error(err)
	}
}
