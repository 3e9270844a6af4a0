package sht

import (
	"context"
	"fmt"
	"hash/fnv"
	"io"
	"math"
	"time"

	"dewline/sensors"
	"dewline/sensors/i2c"
)

// resetAfter is how many faults in a row lead to a soft reset.
const resetAfter = 3

// A Probe is one chip. It is for one goroutine.
type Probe struct {
	dialect dialect
	chip    i2c.Device

	known  bool   // set up since the last fault
	serial uint64 // of the chip last seen, 32 bits, or 48 for HDC302x; 0 before
	faults int    // in a row
	pulse  pulser
	// cleared says that the chip's mark of a restart was off: one that is on at
	// first, or after a reset of ours, tells of no restart by itself.
	cleared bool
	events  sensors.Events
}

// Sample measures once, 10 to 17 ms. The error is a sensors.FaultError, sensors.Heating
// from a heater pulse on until the chip has cooled. A due pulse begins after the
// measurement; SHT3x and HDC302x then take a second longer, as they must be told to stop.
func (p *Probe) Sample(ctx context.Context) (sensors.Sample, error) {
	s, err := p.sample(ctx)
	if err != nil {
		if sensors.ReasonOf(err) != sensors.Heating {
			p.known = false
			p.faults++
		}
		return sensors.Sample{}, sensors.Located(p.chip.Name, err)
	}
	p.faults = 0
	p.maybePulse(ctx, s)
	return s, nil
}

func (p *Probe) sample(ctx context.Context) (sensors.Sample, error) {
	if err := p.stopHeater(ctx); err != nil {
		return sensors.Sample{}, err
	}
	if err := p.setUp(ctx); err != nil {
		return sensors.Sample{}, err
	}
	if err := p.checkStatus(ctx); err != nil {
		return sensors.Sample{}, err
	}
	if left := p.pulse.coolsFor(time.Now()); left > 0 {
		return sensors.Sample{}, sensors.Faultf(sensors.Heating, "cooling down after its heater ran, %v to go", left.Round(time.Second))
	}
	w, err := ask(ctx, p.chip, p.dialect.measure, p.dialect.convert, 2)
	if err != nil {
		return sensors.Sample{}, fmt.Errorf("measure: %w", err)
	}
	return sensors.Sample{
		Has:         sensors.HasTemperature | sensors.HasHumidity,
		Temperature: sensors.CentiCelsius(scaled(w[0], -45, 175)),
		Humidity:    sensors.CentiPercent(scaled(w[1], p.dialect.humOffset, p.dialect.humSpan)),
	}, nil
}

// setUp identifies the chip after every fault, and resets it when they do not end.
func (p *Probe) setUp(ctx context.Context) error {
	if p.known {
		return nil
	}
	if p.faults >= resetAfter {
		if err := p.chip.Send(ctx, p.dialect.reset...); err != nil {
			return fmt.Errorf("reset: %w", err)
		}
		p.faults = 0
		p.events.Restarts++
		p.cleared = false
		if err := i2c.Wait(ctx, p.dialect.resetTime); err != nil {
			return err
		}
	}
	serial, err := p.identify(ctx)
	switch {
	case err == nil:
		if p.serial != 0 && serial != p.serial {
			p.events.Replaced++
			p.cleared = false
		}
		p.serial = serial
	case !p.dialect.mute:
		return fmt.Errorf("read the serial number: %w", err)
	}
	p.known = true
	return nil
}

func (p *Probe) identify(ctx context.Context) (uint64, error) {
	var serial uint64
	for _, c := range p.dialect.identity {
		w, err := ask(ctx, p.chip, c, time.Millisecond, p.dialect.idWords)
		if err != nil {
			return 0, err
		}
		for _, v := range w[:p.dialect.idWords] {
			serial = serial<<16 | uint64(v)
		}
	}
	return serial, nil
}

// checkStatus looks for a restart and for a heater that is on unasked: left on
// by a crash, or by a glitch on the bus.
func (p *Probe) checkStatus(ctx context.Context) error {
	if len(p.dialect.status) == 0 {
		return nil
	}
	w, err := ask(ctx, p.chip, p.dialect.status, time.Millisecond, 1)
	if err != nil {
		return fmt.Errorf("read the status: %w", err)
	}
	if w[0]&statusHeater != 0 {
		p.pulse.on = true
		return p.stopHeater(ctx)
	}
	if w[0]&statusReset != 0 {
		if err := p.chip.Send(ctx, p.dialect.clear...); err != nil {
			return fmt.Errorf("clear the status: %w", err)
		}
		if p.cleared {
			p.events.Restarts++
		}
	}
	p.cleared = true
	return nil
}

// ask sends a command, waits, and reads n words.
func ask(ctx context.Context, chip i2c.Device, c command, wait time.Duration, n int) ([3]uint16, error) {
	var frame [9]byte
	if err := chip.Ask(ctx, c, wait, frame[:3*n]); err != nil {
		return [3]uint16{}, err
	}
	return words(frame[:3*n])
}

// Events returns what the poller counts of it.
func (p *Probe) Events() sensors.Events { return p.events }

// words checks a frame of 16-bit words, each followed by its CRC, and returns
// the words. Frames of one to three words occur.
func words(frame []byte) ([3]uint16, error) {
	var out [3]uint16
	n := len(frame)
	if i2c.All(frame, 0) {
		return out, sensors.Faultf(sensors.AllZero, "frame of %d zeros", n)
	}
	// A chip that stops in mid-frame leaves the line high, so the rest reads
	// 0xFF. One true frame in 65,536 ends like that and is lost with the others.
	if frame[n-2] == 0xFF && frame[n-1] == 0xFF {
		return out, sensors.Faultf(sensors.BadCRC, "frame % x breaks off", frame)
	}
	for i := 0; i+2 < n; i += 3 {
		if got, want := frame[i+2], i2c.CRC8(frame[i], frame[i+1]); got != want {
			return out, sensors.Faultf(sensors.BadCRC, "frame % x: word %d has CRC %#02x, want %#02x", frame, i/3, got, want)
		}
		out[i/3] = uint16(frame[i])<<8 | uint16(frame[i+1])
	}
	return out, nil
}

// scaled returns offset + span·word/65535 in hundredths of the quantity's
// unit, rounded to the nearest.
func scaled(word uint16, offset, span float64) int32 {
	return int32(math.Round(100 * (offset + span*float64(word)/65535)))
}

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
