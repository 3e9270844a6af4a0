// Package sounder drives what can be heard or seen in the room itself, without any
// network: a buzzer on a GPIO line, or a lamp that the kernel calls an LED. It is
// no way to a person: that it sounds does not say that anybody heard it.
package sounder

import (
	"context"
	"sync"
	"time"
)

// An Output is what sounds or shines.
type Output interface {
	// Set turns it on or off.
	Set(on bool) error
	// Close lets go of it.
	Close() error
}

const (
	// half of a period of the pulses; ISO 7731:2003 asks of an auditory danger
	// signal for 0.5 Hz to 5 Hz (from memory).
	half = 500 * time.Millisecond
	// lookEvery is how often a quiet output is looked at, and one that failed is
	// opened anew.
	lookEvery = time.Minute
	tryFor    = 3 * time.Second
)

// A Sounder pulses an output while it is told to sound. Its methods may be called
// from anywhere and do not wait for the output, which only Run touches.
type Sounder struct {
	tell    func(down error) // on a change only
	changed chan struct{}    // capacity 1

	mu    sync.Mutex // guards what follows
	open  func() (Output, error)
	fresh bool // open is another
	want  bool
	tried time.Time // a trial sounds until then
}

// New returns a Sounder without an output. tell learns whether the output works:
// nil, or why it does not.
func New(tell func(down error)) *Sounder {
	return &Sounder{tell: tell, changed: make(chan struct{}, 1)}
}

// Use takes another output, which open opens as often as it takes; nil for none.
func (s *Sounder) Use(open func() (Output, error)) {
	s.change(func() { s.open, s.fresh = open, true })
}

// Sound makes it sound until it is told not to.
func (s *Sounder) Sound(on bool) {
	s.mu.Lock()
	same := s.want == on
	s.mu.Unlock()
	if !same {
		s.change(func() { s.want = on })
	}
}

// Try sounds for a few seconds.
func (s *Sounder) Try() { s.change(func() { s.tried = time.Now().Add(tryFor) }) }

func (s *Sounder) change(f func()) {
	s.mu.Lock()
	f()
	s.mu.Unlock()
	select {
	case s.changed <- struct{}{}:
	default:
	}
}

// Run drives the output until ctx ends, and leaves it off.
func (s *Sounder) Run(ctx context.Context) {
	var p player
	defer p.close()
	for {
		wait := s.step(&p)
		timer := time.NewTimer(wait)
		select {
		case <-ctx.Done():
			timer.Stop()
			return
		case <-s.changed:
			timer.Stop()
		case <-timer.C:
		}
	}
}

// step does what is due now and returns how long nothing else is.
func (s *Sounder) step(p *player) time.Duration {
	s.mu.Lock()
	open, fresh := s.open, s.fresh
	s.fresh = false
	sounds := s.want || time.Now().Before(s.tried)
	s.mu.Unlock()
	if fresh {
		p.close()
		*p = player{}
	}
	if open == nil {
		return lookEvery
	}
	now := time.Now()
	if p.retry.After(now) {
		return p.retry.Sub(now)
	}
	err := p.play(open, sounds, now)
	if err != nil {
		p.close()
		p.retry = now.Add(lookEvery)
	}
	if !p.told || (err != nil) != p.down {
		p.told, p.down = true, err != nil
		s.tell(err)
	}
	switch {
	case err != nil:
		return lookEvery
	case sounds:
		return p.turn.Sub(now)
	}
	return lookEvery
}

// A player is an output in use by Run.
type player struct {
	out        Output
	on         bool
	turn       time.Time // when the pulse ends
	retry      time.Time // not before
	told, down bool
}

// play puts the output into the state of this moment, and so learns whether it works.
func (p *player) play(open func() (Output, error), sounds bool, now time.Time) error {
	if p.out == nil {
		out, err := open()
		if err != nil {
			return err
		}
		p.out, p.on, p.turn = out, false, time.Time{}
	}
	switch {
	case !sounds:
		p.on, p.turn = false, time.Time{}
	case !now.Before(p.turn):
		p.on, p.turn = !p.on, now.Add(half)
	}
	return p.out.Set(p.on)
}

// close leaves the output off and lets go of it.
func (p *player) close() {
	if p.out == nil {
		return
	}
	_ = p.out.Set(false) // told by play, where it lasts
	_ = p.out.Close()
	p.out = nil
}
