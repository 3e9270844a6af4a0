package sht

import (
	"context"
	"fmt"
	"hash/fnv"
	"io"
	"time"

	"dewline/sensors"
	"dewline/sensors/i2c"
)

const (
	// The SHT4x allows its heater a tenth of the time (data sheet v6, section
	// 4.9, from memory); these pulses keep far below.
	shortestPulsePeriod = 10 * time.Minute
	longestPulsePeriod  = 30 * 24 * time.Hour // more rarely is never
	// coolDown is common practice, no source: a second at 110 mW is gone from
	// the reading after some tens of seconds.
	coolDown = 60 * time.Second
	// Creep comes from days above 80 % (SHT3x-DIS data sheet v7, section 1).
	pulseAboveHumidity = sensors.CentiPercent(80_00)
	// No pulse when it is warm: a probe that cools down is blind, and heat
	// outranks creep. Common practice, no source.
	pulseBelowTemperature = sensors.CentiCelsius(27_00)
)

type pulser struct {
	every time.Duration // 0 for never
	// phase spreads the first pulses of a room over the period, so that they
	// do not all fall into one round after a start.
	phase time.Duration
	due   time.Time // zero before the first sample
	on    bool      // the heater may be on and must be switched off
	hot   bool      // the heater ran, and offAt says when it stopped
	offAt time.Time
}

func newPulser(id string, every time.Duration) pulser {
	h := fnv.New32a()
	_, _ = io.WriteString(h, id) // a hash never fails
	return pulser{every: every, phase: time.Duration(float64(every) * float64(h.Sum32()) / (1 << 32))}
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

// isDue reports whether a pulse is due after s, and sets the time of the next. One that
// the climate forbids is tried again a seventh of a period later: never at the same time
// every day, and still spread out.
func (u *pulser) isDue(now time.Time, s sensors.Sample) bool {
	if u.every == 0 {
		return false
	}
	if u.due.IsZero() {
		u.due = now.Add(u.phase)
	}
	if now.Before(u.due) {
		return false
	}
	if s.Humidity < pulseAboveHumidity || s.Temperature >= pulseBelowTemperature {
		u.due = now.Add(u.every / 7)
		return false
	}
	u.due = now.Add(u.every)
	return true
}

// maybePulse runs the heater if that is due. Its errors are not the sample's:
// they show in the next Sample, which finds the heater on.
func (p *Probe) maybePulse(ctx context.Context, s sensors.Sample) {
	u, h, now := &p.pulse, p.dialect.heater, time.Now()
	if !u.isDue(now, s) {
		return
	}
	if h.self != nil {
		// This heater stops by itself. It leaves behind a frame of hot air,
		// which the next measurement replaces.
		u.hot, u.offAt = true, now.Add(h.run)
		if p.chip.Send(ctx, h.self...) == nil {
			p.events.HeaterPulses++
		}
		return
	}
	if end, ok := ctx.Deadline(); ok && end.Sub(now) < h.run {
		u.due = now // a budget too short for a pulse is tried again next time
		return
	}
	if h.setup != nil && p.chip.Send(ctx, h.setup...) != nil {
		return
	}
	// From here on the heater counts as on, even if the write failed: the chip
	// may have heard it.
	u.on = true
	if p.chip.Send(ctx, h.on...) == nil {
		p.events.HeaterPulses++
		_ = i2c.Wait(ctx, h.run) // cut short by the context, it is off sooner
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
	if err := p.chip.Send(ctx, p.dialect.heater.off...); err != nil {
		return sensors.Fault(sensors.Heating, fmt.Errorf("switch the heater off: %w", err))
	}
	u.on = false
	return nil
}
