package alarm

import (
	"time"

	"dewline/sensors"
)

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
