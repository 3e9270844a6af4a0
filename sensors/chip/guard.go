package chip

import (
	"context"
	"fmt"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"

	"dewline/sensors"
	"dewline/sensors/i2cbus"
)

// guard is the bus that a periph driver sees. It keeps the first fault, because
// some drivers flatten the errors they get into text.
type guard struct {
	bus   i2c.Bus
	ctx   context.Context
	check func(g *guard, addr uint16, w, r []byte) error // after each good transfer
	fault error
}

// begin starts one sample.
func (g *guard) begin(ctx context.Context) { g.ctx, g.fault = ctx, nil }

func (g *guard) String() string { return g.bus.String() }

func (g *guard) SetSpeed(f physic.Frequency) error { return g.bus.SetSpeed(f) }

// Tx passes one transfer on and checks its answer.
func (g *guard) Tx(addr uint16, w, r []byte) error {
	err := g.raw(addr, w, r)
	if err == nil && g.check != nil {
		err = g.check(g, addr, w, r)
	}
	if err != nil && g.fault == nil {
		g.fault = err
	}
	return err
}

func (g *guard) raw(addr uint16, w, r []byte) error {
	if err := g.ctx.Err(); err != nil {
		return sensors.Fault(sensors.TimedOut, err)
	}
	return g.bus.Tx(addr, w, r)
}

// outcome is what a sample failed with: the guard's own view where it has one.
func (g *guard) outcome(err error) error {
	if err != nil && g.fault != nil {
		return g.fault
	}
	return err
}

func (g *guard) wait(d time.Duration) error { return i2cbus.Wait(g.ctx, d) }

// fromEnv converts what a periph driver measured. physic truncates when it
// prints; this rounds.
func fromEnv(e physic.Env) (sensors.Sample, error) {
	const centi = int64(physic.Kelvin) / 100
	t := int64(e.Temperature - physic.ZeroCelsius)
	h := int64(e.Humidity)
	s := sensors.Sample{
		Has:         sensors.HasTemperature | sensors.HasHumidity,
		Temperature: sensors.CentiCelsius(divRound(t, centi)),
		Humidity:    sensors.CentiPercent(divRound(h, int64(physic.PercentRH)/100)),
	}
	if s.Temperature < -40_00 || s.Temperature > 125_00 {
		return sensors.Sample{}, sensors.Faultf(sensors.OutOfRange, "%v is outside what the chip can measure", s.Temperature)
	}
	return s, nil
}

func divRound(n, d int64) int64 {
	if n < 0 {
		return -divRound(-n, d)
	}
	return (n + d/2) / d
}

func allEqual(b []byte, v byte) bool {
	for _, x := range b {
		if x != v {
			return false
		}
	}
	return true
}

func name(id, family string, addr int, bus fmt.Stringer) string {
	return fmt.Sprintf("probe %s: %s %#x on %s", id, family, addr, bus)
}
