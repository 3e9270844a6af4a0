package alarm

import (
	"math"
	"time"

	"dewline/sensors"
)

// Why a state moved without the process or a person.
const (
	WhyRealarm   = "still active after being acknowledged"
	WhyShelfOver = "shelf over"
	WhyWorse     = "more urgent than what was put away"
	WhyInService = "back in service"
	WhyReturned  = "returned to normal"
	WhyConfig    = "configuration"
)

// Step moves the record to now with one look at the process. Samples that are
// older than the last good one are ignored; the state moves at most once.
func (r *Record) Step(s Spec, now sensors.Instant, in Input) Change {
	if r.Rest(now.Mono, in) {
		return Change{From: r.State, To: r.State}
	}
	r.observe(&s, now, in)
	why := r.expire(&s, now)
	return r.settle(&s, now, why)
}

// Rest takes a step that changes nothing, and reports whether it was one: that of a
// normal alarm whose process stays on the normal side, which is nearly every step of
// nearly every alarm, or of one that is normal or rings, at which nobody looked.
func (r *Record) Rest(mono time.Duration, in Input) bool {
	switch {
	case (in == Back || in == Between) && r.State == Norm && r.Seen == in && !r.Active && r.OnFor <= 0:
		r.SeenAt = max(r.SeenAt, mono)
		return true
	case in == Missing && r.Shelf == nil && r.Out == nil:
		return r.State == Norm && !r.Active || r.State == Unack && r.Active && !r.Suppress
	}
	return false
}

// Follow advances the delays and the process condition of a limit that has no states of
// its own, and reports whether the condition is there.
func (r *Record) Follow(s *Spec, now sensors.Instant, in Input) bool {
	if !r.Rest(now.Mono, in) {
		r.observe(s, now, in)
	}
	return r.Active
}

// observe advances the delays and the process condition. A span between two
// looks counts as the first of them found it.
func (r *Record) observe(s *Spec, now sensors.Instant, in Input) {
	elapsed := now.Mono - r.SeenAt
	if in == Missing || r.Seen != Missing && elapsed < 0 {
		return
	}
	if s.MaxGap > 0 && elapsed > s.MaxGap || r.Seen == Missing {
		elapsed = 0
	}
	if r.Active {
		r.end(s, now, in, elapsed)
	} else {
		r.begin(s, now, in, elapsed)
	}
	r.Seen, r.SeenAt = in, now.Mono
}

// end waits for what is active to be over.
func (r *Record) end(s *Spec, now sensors.Instant, in Input, elapsed time.Duration) {
	r.OffFor = s.evidence(r.OffFor, elapsed, s.OffDelay, r.Seen == Back, in == Back)
	switch {
	case in == Beyond:
		r.OffFor = 0
	case in == Back && r.OffFor >= s.OffDelay:
		r.Active, r.OnFor, r.EndedAt = false, 0, now.Mono
	}
}

// begin waits for what is not active to have lasted.
func (r *Record) begin(s *Spec, now sensors.Instant, in Input, elapsed time.Duration) {
	r.OnFor = s.evidence(r.OnFor, elapsed, s.OnDelay, r.Seen == Beyond, in == Beyond)
	if in != Beyond {
		return
	}
	if r.Seen != Beyond && r.OnFor <= s.OnDelay/begun {
		r.Since = now
	}
	if r.OnFor >= s.OnDelay && !s.Hold {
		r.Active, r.OffFor, r.Answered, r.Held = true, 0, false, s.Latched
	}
}

// evidence is for how long a condition has held: without a look that says otherwise,
// or by the weight of all looks where the delay is a window.
func (s *Spec) evidence(so, elapsed, delay time.Duration, was, is bool) time.Duration {
	switch {
	case s.Window:
		return weigh(so, elapsed, delay, was)
	case was && is:
		return so + elapsed
	}
	return 0
}

// Parts of a delay: with less evidence than that an alarm has not begun, or counts
// what was seen no more.
const (
	begun     = 4
	forgotten = 32
)

// weigh adds a span to the evidence that a condition holds. A delay is the half-life
// of what was seen, and over when the condition held for half of the time by that
// weight: after the delay itself where it held throughout, after 1.6 delays where it
// holds for three quarters of the time, never where it holds for less than half. The
// evidence is the time for which the condition would have had to hold throughout.
func weigh(so, elapsed, delay time.Duration, holds bool) time.Duration {
	if holds || elapsed == 0 {
		return so + elapsed
	}
	if so <= delay/forgotten {
		return 0
	}
	parts := func(d time.Duration) float64 { return float64(d) / float64(delay) }
	share := (1 - math.Exp2(-parts(so))) * math.Exp2(-parts(elapsed))
	so = time.Duration(-math.Log2(1-share) * float64(delay))
	if so <= delay/forgotten {
		return 0
	}
	return so
}

// expire ends shelves and times out of service.
func (r *Record) expire(s *Spec, now sensors.Instant) (why string) {
	if o := r.Out; o != nil {
		if now.Mono >= o.Mono || now.Synced && !now.Wall.Before(o.Until) {
			r.Out, why = nil, WhyInService
		}
	}
	if r.outgrown(s) {
		r.Shelf, why = nil, WhyWorse
	}
	if r.Shelf != nil && r.unshelve(min(r.Shelf.Until, now.Mono+s.MaxShelf), now) {
		why = WhyShelfOver
	}
	return why
}

// outgrown reports whether the alarm wakes by now and was put on its shelf for less.
func (r *Record) outgrown(s *Spec) bool {
	return r.Shelf != nil && r.Shelf.Mild && s.MaxShelf <= MaxShelf(Wake)
}

// unshelve reports whether the shelf, of at most until, is over, and keeps its
// end otherwise.
func (r *Record) unshelve(until time.Duration, now sensors.Instant) (over bool) {
	if w := r.Shelf.Wall; now.Synced && !w.IsZero() {
		// Both clocks drift apart by less than a second while dewline runs.
		if left := now.Mono + w.Sub(now.Wall); left < until-time.Second {
			until = left
		}
	}
	began := r.Shelf.Began || r.Active
	ended := r.Shelf.OneShot && r.Shelf.Began && !r.Active
	if ended || now.Mono >= until {
		r.Shelf = nil
		return true
	}
	if until != r.Shelf.Until || began != r.Shelf.Began {
		// A new one, as snapshots of the record may share the old one.
		r.Shelf = &Shelf{Until: until, Wall: r.Shelf.Wall, OneShot: r.Shelf.OneShot, Began: began, Mild: r.Shelf.Mild}
	}
	return false
}

// settle derives the state from the condition and the persons' decisions.
func (r *Record) settle(s *Spec, now sensors.Instant, why string) Change {
	from, to := r.State, Norm
	switch {
	case r.Out != nil:
		to = OutOfService
	case r.Shelf != nil:
		to = Shelved
	case r.Suppress && r.Active:
		to = Suppressed
	case from.PutAway():
		to = r.exposed()
	default:
		var w string
		if to, w = r.next(s, now); w != "" {
			why = w
		}
	}
	return r.move(to, why)
}

// exposed is the state after being put away: by the process as it is now, but
// a latch that nobody reset is still there.
func (r *Record) exposed() State {
	switch {
	case r.Active:
		return Unack
	case r.Held && r.Answered:
		return LatchAck
	case r.Held:
		return LatchUnack
	default:
		return Norm
	}
}

// next is the state that follows one that is not put away.
func (r *Record) next(s *Spec, now sensors.Instant) (to State, why string) {
	switch r.State {
	case Unack:
		if r.Active {
			return Unack, ""
		}
		return r.returned(s), ""
	case Acked:
		switch {
		case r.Active && !r.ending(s, now) && s.RealarmAfter > 0 && now.Mono-r.AckedAt >= s.RealarmAfter:
			return Unack, WhyRealarm
		case r.Active:
			return Acked, ""
		case r.Held:
			return LatchAck, ""
		default:
			return Norm, ""
		}
	case RTNUN:
		if !r.Active && s.KeepReturned != 0 && now.Mono-r.EndedAt >= s.KeepReturned {
			return Norm, WhyReturned
		}
	}
	if r.Active {
		return Unack, ""
	}
	return r.State, ""
}

// ending reports whether the condition is gone and only the off-delay runs: that
// is no reason to ring again.
func (r *Record) ending(s *Spec, now sensors.Instant) bool {
	return r.Seen == Back && now.Mono-r.SeenAt < s.OffDelay
}

// returned is where an unacknowledged alarm goes when its condition ends.
func (r *Record) returned(s *Spec) State {
	switch {
	case r.Held:
		return LatchUnack
	case s.KeepReturned < 0:
		return Norm
	default:
		return RTNUN
	}
}

// move sets the state; leaving NORM is a new onset.
func (r *Record) move(to State, why string) Change {
	c := Change{From: r.State, To: to, Why: why}
	if !c.Changed() {
		return Change{From: to, To: to}
	}
	if c.From == Norm {
		r.Seq++
	}
	if to == Unack {
		r.Answered = false
	}
	if to == Norm {
		r.Answered, r.Held, r.Unknown = false, false, false
	}
	r.State = to
	return c
}

// Acknowledge notes that a person knows of the alarm. It returns false, and
// does nothing, in a state that has nothing to acknowledge.
func (r *Record) Acknowledge(now sensors.Instant) (Change, bool) {
	to := r.State
	switch r.State {
	case Unack:
		to = Acked
	case RTNUN:
		to = Norm
	case LatchUnack:
		to = LatchAck
	default:
		return Change{From: to, To: to}, false
	}
	c := r.move(to, "")
	r.AckedAt, r.Answered = now.Mono, to != Norm
	return c, true
}

// Reset lets go of a latched alarm whose condition has ended, and counts as
// acknowledging it. It returns false in any other state: an active alarm
// cannot be reset.
func (r *Record) Reset() (Change, bool) {
	if r.State != LatchUnack && r.State != LatchAck {
		return Change{From: r.State, To: r.State}, false
	}
	return r.move(Norm, ""), true
}

// PutOnShelf shelves the alarm for d, or for one active period but at most d.
// It returns false for more than the cap, for nothing, and out of service.
func (r *Record) PutOnShelf(s Spec, now sensors.Instant, d time.Duration, oneShot bool) (Change, bool) {
	if d <= 0 || d > s.MaxShelf || r.Out != nil {
		return Change{From: r.State, To: r.State}, false
	}
	r.Shelf = &Shelf{Until: now.Mono + d, OneShot: oneShot, Began: oneShot && r.Active, Mild: s.MaxShelf > MaxShelf(Wake)}
	if now.Synced {
		r.Shelf.Wall = now.Wall.Add(d)
	}
	return r.settle(&s, now, ""), true
}

// TakeFromShelf ends a shelf; false where there is none.
func (r *Record) TakeFromShelf(s Spec, now sensors.Instant) (Change, bool) {
	if r.Shelf == nil {
		return Change{From: r.State, To: r.State}, false
	}
	r.Shelf = nil
	return r.settle(&s, now, ""), true
}

// TakeOut takes the alarm out of service until the end that out names.
func (r *Record) TakeOut(s Spec, now sensors.Instant, out Out) Change {
	r.Out, r.Shelf = &out, nil
	return r.settle(&s, now, "")
}

// Return puts the alarm back into service; false where it was not out.
func (r *Record) Return(s Spec, now sensors.Instant) (Change, bool) {
	if r.Out == nil {
		return Change{From: r.State, To: r.State}, false
	}
	r.Out = nil
	return r.settle(&s, now, ""), true
}

// Interrupt starts the delays afresh, because nobody looked for so long that
// what was seen before says nothing of now. The state stays.
func (r *Record) Interrupt(now sensors.Instant) {
	r.Seen, r.SeenAt, r.OnFor, r.OffFor = Missing, now.Mono, 0, 0
}

// Worsen makes an alarm that was acknowledged, or shelved, for less than what it is now
// unacknowledged.
func (r *Record) Worsen(s *Spec, now sensors.Instant) Change {
	switch {
	case r.State == Acked:
		return r.move(Unack, "more urgent than what was acknowledged")
	case r.outgrown(s) && r.Out == nil:
		r.Shelf = nil
		return r.settle(s, now, WhyWorse)
	}
	return Change{From: r.State, To: r.State}
}

// Drop ends the alarm because its subject is no longer configured. Its onset
// count stays, so that a later alarm of that name is a new one.
func (r *Record) Drop() Change {
	c := r.move(Norm, WhyConfig)
	*r = Record{State: Norm, Seq: r.Seq, Since: r.Since, EndedAt: r.EndedAt}
	return c
}

// Recover makes a record that was read back safe to go on from at now: time
// stamps ahead of now, of a store that lost its newest part, are pulled back,
// and what put the alarm away but is not recorded no longer does. Time that
// has passed is left to the next step.
func (r *Record) Recover(s Spec, now sensors.Instant) Change {
	r.SeenAt = min(r.SeenAt, now.Mono)
	r.AckedAt = min(r.AckedAt, now.Mono)
	r.EndedAt = min(r.EndedAt, now.Mono)
	if r.State == Shelved && r.Shelf == nil || r.State == OutOfService && r.Out == nil {
		return r.settle(&s, now, WhyShelfOver)
	}
	return Change{From: r.State, To: r.State}
}
