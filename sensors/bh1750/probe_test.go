package bh1750

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
	s, err := Family().Open(configs.Probe{ID: "litter-1", Family: "bh1750", Address: 0x23}, bus)
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
			op.Addr = 0x23
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

func w(b ...byte) i2ctest.IO { return i2ctest.IO{W: b} }
func r(b ...byte) i2ctest.IO { return i2ctest.IO{R: b} }

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

// BH1750: 0x8390 counts are 28067 lx by the worked example of ROHM's data sheet
// (measurement sequence, "high byte 10000011, low byte 10010000").
func TestBH1750(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		once := []i2ctest.IO{w(0x01), w(0x20)}
		twice := func(b ...byte) []i2ctest.IO { return append(once[:2:2], r(b...), r(b...)) }
		p := play(t, twice(0x83, 0x90),
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
	})
}

func TestAnEndedContextSendsNothing(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := play(t).Sample(ctx); sensors.ReasonOf(err) != sensors.TimedOut {
		t.Error(err)
	}
}
