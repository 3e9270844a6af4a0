package bme280

import (
	"context"

	"periph.io/x/conn/v3/physic"

	"dewline/sensors"
	"dewline/sensors/i2c"
)

// guard is the bus that periph's driver sees. It keeps the first fault, because
// the driver flattens some of the errors it gets into text.
type guard struct {
	chip  i2c.Device
	ctx   context.Context // of the present sample
	fault error
}

// begin starts one sample.
func (g *guard) begin(ctx context.Context) { g.ctx, g.fault = ctx, nil }

func (g *guard) String() string { return g.chip.Bus.String() }

func (g *guard) SetSpeed(f physic.Frequency) error { return g.chip.Bus.SetSpeed(f) }

// Tx passes one transfer on and checks its answer; the driver has one address.
func (g *guard) Tx(_ uint16, w, r []byte) error {
	err := g.chip.Tx(g.ctx, w, r)
	if err == nil {
		err = check(g.ctx, g.chip, w, r)
	}
	if err != nil && g.fault == nil {
		g.fault = err
	}
	return err
}

// outcome is what a sample failed with: the guard's own view where it has one.
func (g *guard) outcome(err error) error {
	if err != nil && g.fault != nil {
		return g.fault
	}
	return err
}

// fromEnv converts what periph's driver measured. physic truncates when it
// prints; this rounds.
func fromEnv(e physic.Env) sensors.Sample {
	const centi = int64(physic.Kelvin) / 100
	t := int64(e.Temperature - physic.ZeroCelsius)
	h := int64(e.Humidity)
	return sensors.Sample{
		Has:         sensors.HasTemperature | sensors.HasHumidity,
		Temperature: sensors.CentiCelsius(divRound(t, centi)),
		Humidity:    sensors.CentiPercent(divRound(h, int64(physic.PercentRH)/100)),
	}
}

func divRound(n, d int64) int64 {
	if n < 0 {
		return -divRound(-n, d)
	}
	return (n + d/2) / d
}
