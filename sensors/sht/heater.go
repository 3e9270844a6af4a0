package sht

import (
	"context"
	"fmt"
	"time"

	"dewline/sensors"
)

const (
	// The SHT4x allows its heater a tenth of the time (data sheet v6, section
	// 4.9, from memory); these pulses keep far below.
	shortestPulsePeriod = 10 * time.Minute
	// coolDown is common practice, no source: a second at 110 mW is gone from
	// the reading after some tens of seconds.
	coolDown = 60 * time.Second
	// Creep comes from days above 80 % (SHT3x-DIS data sheet v7, section 1).
	pulseAboveHumidity = sensors.CentiPercent(80_00)
	// No pulse when it is warm: a probe that cools down is blind, and heat
	// outranks creep. Common practice, no source.
	pulseBelowTemperature = sensors.CentiCelsius(27_00)
)

// pulser is the state of a probe's heater.
type pulser struct {
	every time.Duration // 0 for never
	last  time.Time     // when the last pulse began; zero before the first
	on    bool          // the heater may be on and must be switched off
	hot   bool          // the heater ran, and offAt says when it stopped
	offAt time.Time
}

// coolsFor returns how long readings stay inhibited.
func (u *pulser) coolsFor(now time.Time) time.Duration {
	if !u.hot {
		return 0
	}
	left := coolDown - now.Sub(u.offAt)
	if left <= 0 {
		u.hot = false
	}
	return left
}

// maybePulse runs the heater if that is due and s allows it. Its errors are
// not the sample's: they show in the next Sample, which finds the heater on.
func (p *Probe) maybePulse(ctx context.Context, s sensors.Sample) {
	u, h := &p.pulse, p.family.heater
	now := time.Now()
	if u.every == 0 || s.Humidity < pulseAboveHumidity || s.Temperature >= pulseBelowTemperature {
		return
	}
	if !u.last.IsZero() && now.Sub(u.last) < u.every {
		return
	}
	if end, ok := ctx.Deadline(); ok && end.Sub(now) < h.run {
		return // a budget too short for a pulse is tried again next time
	}
	u.last = now
	if h.setup != nil && p.send(ctx, h.setup) != nil {
		return
	}
	start := h.self
	if start == nil {
		start = h.on
	}
	// From here on the heater counts as on, even if the write failed: the chip
	// may have heard it.
	u.on = true
	if p.send(ctx, start) == nil {
		p.stats.HeaterPulses++
		_ = sleep(ctx, h.run) // cut short by the context, it is off sooner
	}
	_ = p.stopHeater(ctx)
}

// stopHeater makes sure that the heater is off and starts the cool-down; until
// it succeeds every reading is inhibited.
func (p *Probe) stopHeater(ctx context.Context) error {
	u := &p.pulse
	if !u.on {
		return nil
	}
	u.hot, u.offAt = true, time.Now()
	off := p.family.heater.off
	if off == nil {
		// This heater stops by itself; the frame of hot air it leaves behind is
		// replaced by the next measurement.
		u.on = false
		return nil
	}
	if err := p.send(ctx, off); err != nil {
		return sensors.Fault(sensors.Heating, fmt.Errorf("switch the heater off: %w", err))
	}
	u.on = false
	return nil
}
