package sht

import (
	"context"
	"errors"
	"math"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/i2c/i2ctest"

	"dewline/configs"
	"dewline/sensors"
	"dewline/sensors/i2c"
)

// TestConversionEnds: the data sheets' formulas at the ends of the scale (SHT4x
// v6 section 4.6, SHT3x-DIS v7 section 4.13) and at 0x6666, two fifths of it.
func TestConversionEnds(t *testing.T) {
	for _, c := range []struct {
		family   string
		word     uint16
		temp     sensors.CentiCelsius
		humidity sensors.CentiPercent
	}{
		{"sht4x", 0x0000, -45_00, -6_00}, {"sht4x", 0xFFFF, 130_00, 119_00}, {"sht4x", 0x6666, 25_00, 44_00},
		{"sht3x", 0x0000, -45_00, 0}, {"sht3x", 0xFFFF, 130_00, 100_00}, {"sht3x", 0x6666, 25_00, 40_00},
		{"hdc302x", 0x6666, 25_00, 40_00},
	} {
		f := open(t, configs.Probe{Family: c.family}, nil).dialect
		if got := sensors.CentiCelsius(scaled(c.word, -45, 175)); got != c.temp {
			t.Errorf("%s %#04x: %v, want %v", c.family, c.word, got, c.temp)
		}
		if got := sensors.CentiPercent(scaled(c.word, f.humOffset, f.humSpan)); got != c.humidity {
			t.Errorf("%s %#04x: %v, want %v", c.family, c.word, got, c.humidity)
		}
	}
	// Every code against exact integer arithmetic: rounding, never truncation.
	for code := range 1 << 16 {
		exact := (17500*int64(code)*2+65535)/(2*65535) - 4500
		if got := int64(scaled(uint16(code), -45, 175)); got != exact {
			t.Fatalf("code %d: %d, want %d", code, got, exact)
		}
	}
}

func TestFrameFaults(t *testing.T) {
	for _, c := range []struct {
		name   string
		frame  []byte
		reason sensors.Reason
	}{
		{"right", []byte{0x66, 0x66, 0x93, 0xBE, 0xEF, 0x92}, sensors.NoReason},
		{"zeros", make([]byte, 6), sensors.AllZero},
		{"first word", []byte{0x66, 0x67, 0x93, 0xBE, 0xEF, 0x92}, sensors.BadCRC},
		{"second checksum", []byte{0x66, 0x66, 0x93, 0xBE, 0xEF, 0x93}, sensors.BadCRC},
		{"line never driven", []byte{0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF}, sensors.BadCRC},
		{"broken off after the first word", []byte{0x66, 0x66, 0x93, 0xFF, 0xFF, 0xFF}, sensors.BadCRC},
	} {
		if _, err := words(c.frame); sensors.ReasonOf(err) != c.reason {
			t.Errorf("%s: %v", c.name, err)
		}
	}
	// However a frame breaks off, and whatever it held, it is refused.
	for hi := range 256 {
		for _, cut := range []int{1, 2, 3, 4, 5} {
			frame := []byte{byte(hi), 0x5A, i2c.CRC8(byte(hi), 0x5A), byte(hi), 0xA5, i2c.CRC8(byte(hi), 0xA5)}
			for i := cut; i < len(frame); i++ {
				frame[i] = 0xFF
			}
			if _, err := words(frame); err == nil && i2c.CRC8(byte(hi), 0xA5) != 0xFF {
				t.Fatalf("% x, cut at %d, was accepted", frame, cut)
			}
		}
	}
}

// Byte tests: what goes over the wire, to the byte.

const addr = 0x44

func w(b ...byte) i2ctest.IO { return i2ctest.IO{Addr: addr, W: b} }
func r(b ...byte) i2ctest.IO { return i2ctest.IO{Addr: addr, R: b} }

// Serial numbers of the fixtures, with their checksums.
var (
	serial4 = []i2ctest.IO{w(0x89), r(0xBE, 0xEF, 0x92, 0xAB, 0xCD, 0x6F)}
	serial3 = []i2ctest.IO{w(0x36, 0x82), r(0xBE, 0xEF, 0x92, 0xAB, 0xCD, 0x6F)}
	calm    = []i2ctest.IO{w(0xF3, 0x2D), r(0x00, 0x00, 0x81)}
	frame   = r(0x66, 0x66, 0x93, 0xBE, 0xEF, 0x92)
)

func ops(groups ...[]i2ctest.IO) (all []i2ctest.IO) {
	for _, g := range groups {
		all = append(all, g...)
	}
	return all
}

// play opens a probe over a playback; the playback must be used up at the end.
func play(t *testing.T, p configs.Probe, script []i2ctest.IO) *Probe {
	t.Helper()
	pb := &i2ctest.Playback{Ops: script, DontPanic: true}
	t.Cleanup(func() {
		if err := pb.Close(); err != nil {
			t.Error(err)
		}
	})
	p.ID, p.Address = "litter-1", addr
	return open(t, p, pb)
}

// open opens a probe of one of the families.
func open(t *testing.T, p configs.Probe, bus i2c.Bus) *Probe {
	t.Helper()
	for _, f := range []sensors.Family{SHT4x(), SHT3x(), HDC302x()} {
		if f.Name == p.Family {
			s, err := f.Open(p, bus)
			if err != nil {
				t.Fatal(err)
			}
			return s.(*Probe)
		}
	}
	t.Fatalf("no family %q", p.Family)
	return nil
}

func TestSHT4xBytes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		measure := []i2ctest.IO{w(0xFD), frame}
		p := play(t, configs.Probe{Family: "sht4x"}, ops(serial4, measure, measure))
		for range 2 { // the serial number is asked once
			s, err := p.Sample(t.Context())
			if err != nil || s.Temperature != 25_00 || s.Has != sensors.HasTemperature|sensors.HasHumidity {
				t.Fatalf("%+v, %v", s, err)
			}
			// -6 + 125·0xBEEF/65535 = 87.23 %.
			if math.Abs(s.Humidity.Percent()-87.23) > 0.01 {
				t.Errorf("humidity %v", s.Humidity)
			}
		}
		if p.serial != 0xBEEFABCD {
			t.Errorf("serial %x", p.serial)
		}
	})
}

func TestHumidityAbove100StaysVisible(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := play(t, configs.Probe{Family: "sht4x"}, ops(serial4, []i2ctest.IO{w(0xFD), r(0x66, 0x66, 0x93, 0xF0, 0x00, i2c.CRC8(0xF0, 0))}))
		s, err := p.Sample(t.Context())
		if err != nil || s.Humidity != 111_19 { // -6 + 125·61440/65535
			t.Errorf("%v, %v", s.Humidity, err)
		}
	})
}

func TestSHT3xBytes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		measure := []i2ctest.IO{w(0x24, 0x00), frame}
		reset := []i2ctest.IO{w(0xF3, 0x2D), r(0x00, 0x10, i2c.CRC8(0x00, 0x10)), w(0x30, 0x41)}
		p := play(t, configs.Probe{Family: "sht3x"}, ops(serial3, reset, measure, calm, measure, reset, measure))
		for i := range 3 { // switched on with the board, and a brown-out
			if got := p.Events(); got != (sensors.Events{}) {
				t.Errorf("before sample %d: %+v", i, got)
			}
			s, err := p.Sample(t.Context())
			if err != nil || s.Temperature != 25_00 || s.Humidity != 74_58 { // 100·0xBEEF/65535
				t.Fatalf("%+v, %v", s, err)
			}
		}
		if got := p.Events(); got != (sensors.Events{Restarts: 1}) {
			t.Errorf("%+v", got)
		}
	})
}

func TestAnSHT3xWithoutASerialNumberIsRead(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := play(t, configs.Probe{Family: "sht3x"}, ops(
			[]i2ctest.IO{w(0x36, 0x82), r(0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF)}, calm, []i2ctest.IO{w(0x24, 0x00), frame}))
		if _, err := p.Sample(t.Context()); err != nil || p.serial != 0 {
			t.Errorf("%v, serial %x", err, p.serial)
		}
	})
}

func TestHDC302xBytes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := play(t, configs.Probe{Family: "hdc302x"}, ops([]i2ctest.IO{
			w(0x36, 0x83), r(0xBE, 0xEF, 0x92), w(0x36, 0x84), r(0xAB, 0xCD, 0x6F), w(0x36, 0x85), r(0xAB, 0xAB, 0x72)},
			calm, []i2ctest.IO{w(0x24, 0x00), frame}))
		s, err := p.Sample(t.Context())
		if err != nil || s.Humidity != 74_58 || p.serial != 0xBEEF_ABCD_ABAB {
			t.Errorf("%+v, %v, serial %x", s, err, p.serial)
		}
	})
}

func TestAHeaterFoundOnIsSwitchedOffAndCooledDown(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		hot := []i2ctest.IO{w(0xF3, 0x2D), r(0x20, 0x00, i2c.CRC8(0x20, 0x00)), w(0x30, 0x66)}
		p := play(t, configs.Probe{Family: "sht3x"}, ops(serial3, hot, calm, calm, []i2ctest.IO{w(0x24, 0x00), frame}))
		for _, step := range []struct {
			wait   time.Duration
			reason sensors.Reason
		}{{0, sensors.Heating}, {coolDown - time.Second, sensors.Heating}, {time.Second, sensors.NoReason}} {
			time.Sleep(step.wait)
			if _, err := p.Sample(t.Context()); sensors.ReasonOf(err) != step.reason {
				t.Fatalf("after %v: %v, want %v", step.wait, err, step.reason)
			}
		}
	})
}

// An SHT3x marks a reset that it was told to make like any other (data sheet v7,
// section 4.11, bit 4 of the status).
func TestAResetOfOursIsCountedOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bad := []i2ctest.IO{w(0x24, 0x00), r(0x66, 0x66, 0x94, 0xBE, 0xEF, 0x92)}
		marked := []i2ctest.IO{w(0xF3, 0x2D), r(0x00, 0x10, i2c.CRC8(0x00, 0x10)), w(0x30, 0x41)}
		p := play(t, configs.Probe{Family: "sht3x"}, ops(serial3, calm, bad, serial3, calm, bad, serial3, calm, bad,
			[]i2ctest.IO{w(0x30, 0xA2)}, serial3, marked, []i2ctest.IO{w(0x24, 0x00), frame}))
		for range 3 {
			if _, err := p.Sample(t.Context()); sensors.ReasonOf(err) != sensors.BadCRC {
				t.Fatalf("err = %v", err)
			}
		}
		if _, err := p.Sample(t.Context()); err != nil || p.Events() != (sensors.Events{Restarts: 1}) {
			t.Errorf("%+v, %v", p.Events(), err)
		}
	})
}

func TestFaultsInARowLeadToAResetAndANewIdentity(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bad := []i2ctest.IO{w(0xFD), r(0x66, 0x66, 0x94, 0xBE, 0xEF, 0x92)}
		other := []i2ctest.IO{w(0x89), r(0xAB, 0xAB, 0x72, 0xAB, 0xCD, 0x6F)}
		p := play(t, configs.Probe{Family: "sht4x"}, ops(serial4, bad, serial4, bad, serial4, bad,
			[]i2ctest.IO{w(0x94)}, other, []i2ctest.IO{w(0xFD), frame}))
		for range 3 {
			_, err := p.Sample(t.Context())
			if sensors.ReasonOf(err) != sensors.BadCRC || !strings.Contains(err.Error(), "probe litter-1: sht4x 0x44 on playback") {
				t.Fatalf("err = %v", err)
			}
		}
		if _, err := p.Sample(t.Context()); err != nil {
			t.Fatal(err)
		}
		if got := p.Events(); got != (sensors.Events{Restarts: 1, Replaced: 1}) {
			t.Errorf("%+v", got)
		}
	})
}

func TestAnEndedContextSendsNothing(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err := play(t, configs.Probe{Family: "sht4x"}, nil).Sample(ctx)
	if sensors.ReasonOf(err) != sensors.TimedOut || !errors.Is(err, context.Canceled) {
		t.Errorf("err = %v", err)
	}
}

// FuzzWords: no frame makes the decoder panic, and what it accepts has right
// checksums by the model's own bit order.
func FuzzWords(f *testing.F) {
	f.Add([]byte{0x66, 0x66, 0x93, 0xBE, 0xEF, 0x92})
	f.Add(make([]byte, 3))
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) != 3 && len(b) != 6 && len(b) != 9 {
			return
		}
		got, err := words(b)
		if err != nil {
			if sensors.ReasonOf(err) != sensors.BadCRC && sensors.ReasonOf(err) != sensors.AllZero {
				t.Errorf("% x: %v", b, err)
			}
			return
		}
		for i := 0; i < len(b); i += 3 {
			if i2c.CRC8(b[i:i+3]...) != 0 { // a word and its checksum divide evenly
				t.Errorf("% x was accepted", b)
			}
			if got[i/3] != uint16(b[i])<<8|uint16(b[i+1]) {
				t.Errorf("% x gave %x", b, got)
			}
		}
	})
}
