package rules

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"dewline/rules/alarm"
	"dewline/rules/room"
	"dewline/sensors"
)

// longestOut is the longest that a subject may be out of service at a time: no
// silence is for ever.
const longestOut = 180 * 24 * time.Hour

// Act carries out a person's decision, or refuses it with one of the errors of
// this package wrapped and changes nothing.
func (e *Engine) Act(now sensors.Instant, a Action) ([]Transition, error) {
	e.lives.out = e.lives.out[:0]
	if a.By == "" {
		return nil, fmt.Errorf("%s %s: %w", a.Kind, a.Key.Subject, ErrNobody)
	}
	slots, err := e.lives.targets(a)
	if err != nil {
		return nil, err
	}
	e.advance(now)
	switch a.Kind {
	case TakeOut:
		return e.lives.takeOut(now, a, slots)
	case ReturnToService:
		err = e.lives.actOn(now, a, slots, func(s *room.Alarm) (alarm.Change, bool) { return s.Rec.Life.Return(e.lives.spec(s, 0), now) })
	case Acknowledge:
		err = e.lives.actOn(now, a, slots, func(s *room.Alarm) (alarm.Change, bool) {
			c, ok := s.Rec.Life.Acknowledge(now)
			if ok {
				s.Rec.AckedBy = a.By
			}
			return c, ok
		})
	case Reset:
		err = e.lives.actOn(now, a, slots, func(s *room.Alarm) (alarm.Change, bool) { return s.Rec.Life.Reset() })
	case Unshelve:
		err = e.lives.actOn(now, a, slots, func(s *room.Alarm) (alarm.Change, bool) { return s.Rec.Life.TakeFromShelf(e.lives.spec(s, 0), now) })
	case Shelve:
		err = e.lives.shelve(now, a, slots)
	default:
		err = fmt.Errorf("%q: %w", a.Kind, ErrNoAction)
	}
	if err != nil {
		return nil, err
	}
	return e.lives.out, nil
}

func (ls *lives) targets(a Action) ([]*room.Alarm, error) {
	if a.Kind == TakeOut || a.Kind == ReturnToService {
		a.Key.Alarm, a.Seq = "", 0
	}
	var all, match []*room.Alarm
	ls.each(func(s *room.Alarm) {
		if s.Rec.Key.Subject != a.Key.Subject {
			return
		}
		all = append(all, s)
		if a.Key.Alarm == "" || s.Rec.Key.Alarm == a.Key.Alarm {
			match = append(match, s)
		}
	})
	switch {
	case len(all) == 0:
		return nil, fmt.Errorf("%s %q: %w", a.Kind, a.Key.Subject, ErrNoSubject)
	case len(match) == 0:
		return nil, fmt.Errorf("%s %s of %s: %w", a.Kind, a.Key.Alarm, a.Key.Subject, ErrNoAlarm)
	case a.Seq != 0 && a.Key.Alarm != "" && match[0].Rec.Life.Seq != a.Seq:
		return nil, fmt.Errorf("%s %s of %s, onset %d: %w", a.Kind, a.Key.Alarm, a.Key.Subject, a.Seq, ErrOldOnset)
	case a.Seen != nil && a.Key.Alarm != "" && match[0].Rec.Priority > *a.Seen:
		return nil, fmt.Errorf("%s %s of %s: %w", a.Kind, a.Key.Alarm, a.Key.Subject, ErrGrew)
	}
	return match, nil
}

// actOn acts on every target whose state allows it, and refuses where there is
// none.
func (ls *lives) actOn(now sensors.Instant, a Action, slots []*room.Alarm, act func(*room.Alarm) (alarm.Change, bool)) error {
	done := false
	for _, s := range slots {
		c, ok := act(s)
		if !ok {
			continue
		}
		done = true
		ls.emit(s, now, c, a.By, a.Why)
	}
	if done {
		return nil
	}
	why := ErrNotNow
	if a.Kind != ReturnToService && !slices.ContainsFunc(slots, (*room.Alarm).Open) {
		why = ErrNoAlarm
	}
	return fmt.Errorf("%s %s of %s: %w", a.Kind, orAll(a.Key.Alarm), a.Key.Subject, why)
}

func orAll(id alarm.ID) string {
	if id == "" {
		return "every alarm"
	}
	return string(id)
}

// shelve refuses the whole action where one of the alarms may not be shelved
// for so long, so that nobody believes that more is quiet than is.
func (ls *lives) shelve(now sensors.Instant, a Action, slots []*room.Alarm) error {
	if a.For <= 0 {
		return fmt.Errorf("shelve %s of %s: %w", orAll(a.Key.Alarm), a.Key.Subject, ErrNoEnd)
	}
	for _, s := range slots {
		switch most := ls.spec(s, 0).MaxShelf; {
		case most == 0:
			return fmt.Errorf("shelve %s of %s: %w", orAll(a.Key.Alarm), a.Key.Subject, ErrNoShelf)
		case a.For > most:
			return fmt.Errorf("shelve %s of %s for %s: %w: at most %s", s.Rec.Key.Alarm, a.Key.Subject, a.For, ErrTooLong, most)
		}
	}
	return ls.actOn(now, a, slots, func(s *room.Alarm) (alarm.Change, bool) {
		return s.Rec.Life.PutOnShelf(ls.spec(s, 0), now, a.For, a.OneShot)
	})
}

// takeOut takes every alarm of the subject out of service until a named end, but
// that of lethal heat only where nobody lives there.
func (ls *lives) takeOut(now sensors.Instant, a Action, slots []*room.Alarm) ([]Transition, error) {
	length := a.For
	if !a.Until.IsZero() {
		length = a.Until.Sub(now.Wall)
	}
	switch {
	case length <= 0:
		return nil, fmt.Errorf("take %s out of service: %w, in the future", a.Key.Subject, ErrNoEnd)
	case length > longestOut:
		return nil, fmt.Errorf("take %s out of service for %s: %w: at most %s", a.Key.Subject, length, ErrTooLong, longestOut)
	}
	out := alarm.Out{Until: now.Wall.Add(length), Mono: now.Mono + length}
	for _, s := range slots {
		if s.Kind == alarm.KindLethal && !a.Empty {
			if c, ok := s.Rec.Life.Return(ls.spec(s, 0), now); ok { // it was declared empty before
				ls.emit(s, now, c, a.By, a.Why)
			}
			continue
		}
		ls.emit(s, now, s.Rec.Life.TakeOut(ls.spec(s, 0), now, out), a.By, a.Why)
	}
	return ls.out, nil
}

// SetCalibration tells when a probe was last calibrated; without it the due
// date counts from when the probe was first seen.
func (e *Engine) SetCalibration(now sensors.Instant, c room.Calibration) []Transition {
	e.lives.out = e.lives.out[:0]
	if _, ok := e.v.ByID[c.Probe]; !ok {
		return nil
	}
	e.advance(now)
	e.v.Calibration = c
	e.run(room.Calibrated)
	return e.lives.out
}

// ActionKind is what a person does to an alarm.
type ActionKind string

// The actions.
const (
	Acknowledge     ActionKind = "acknowledge"
	Shelve          ActionKind = "shelve"
	Unshelve        ActionKind = "unshelve"
	Reset           ActionKind = "reset" // let go of a latched alarm
	TakeOut         ActionKind = "out-of-service"
	ReturnToService ActionKind = "in-service"
)

// An Action is one decision of one person.
type Action struct {
	Kind ActionKind `json:"kind"`
	// Key names the alarm. An empty Alarm means every alarm of the subject;
	// TakeOut and ReturnToService always act on the whole subject.
	Key alarm.Key `json:"key"`
	// Seq, unless zero, is the onset that the person saw: an answer to an
	// earlier one is refused and changes nothing.
	Seq uint64 `json:"seq,omitempty"`
	// Seen, unless nil, is how urgent the alarm was then: what has grown more urgent is
	// not answered by who saw it milder.
	Seen *alarm.Priority `json:"seen,omitempty"`
	By   string          `json:"by"`
	Why  string          `json:"why,omitempty"`
	// For is how long to shelve or to take out of service.
	For time.Duration `json:"for,omitempty"`
	// Until is the end of being out of service; For is used where it is zero.
	Until   time.Time `json:"until"`
	OneShot bool      `json:"one_shot,omitempty"` // shelve for one active period, at most For
	// Empty says of an enclosure that is taken out of service that nobody lives in
	// it. Without that its lethal heat is told all the same.
	Empty bool `json:"empty,omitempty"`
}

// Why an action was refused. Nothing has changed then.
var (
	ErrNoAlarm   = errors.New("no such alarm is open")
	ErrOldOnset  = errors.New("that onset of the alarm is over")
	ErrGrew      = errors.New("the alarm has grown more urgent; look at it again")
	ErrNotNow    = errors.New("the alarm does not wait for that")
	ErrTooLong   = errors.New("longer than allowed")
	ErrNoShelf   = errors.New("lethal heat cannot be shelved; acknowledge it, or take the enclosure out of service as empty")
	ErrNoEnd     = errors.New("an end is needed")
	ErrNoAction  = errors.New("unknown action")
	ErrNobody    = errors.New("an action needs a name")
	ErrNoSubject = errors.New("no such enclosure or probe")
)

// A Condition is something that dewline observes about itself, or that another
// part of dewline found out. It holds until Set again with Active false.
type Condition struct {
	Key      alarm.Key // of one of the alarms from DeliveryStalled to SentinelSilent
	Active   bool
	Priority alarm.Priority
	Value    float64
	HasValue bool
	Limit    float64
	HasLimit bool
	Unit     string     // of Value and Limit, as in a Transition
	Is       alarm.Fact // the one of the alarm's own id where it is zero
	Evidence []alarm.Fact
	Steps    []alarm.Step // in place of the usual ones
}

// Set raises, updates or ends an alarm about dewline itself. Alarms that the
// engine judges by itself cannot be set: then nothing happens.
func (e *Engine) Set(now sensors.Instant, c Condition) []Transition {
	e.lives.out = e.lives.out[:0]
	k, ok := alarm.KindOf(c.Key.Alarm)
	if !ok || k.Row().Of != alarm.OfDewline {
		return nil
	}
	e.advance(now)
	s := e.lives.selfAlarm(k, c.Key.Subject)
	if !c.Active {
		if s.Open() {
			e.out.Hold(s, false)
		}
		return e.lives.out
	}
	news := s.Open() && (s.Rec.Given == nil || s.Rec.Given.Is != c.Is || !slices.Equal(s.Rec.Given.Evidence, c.Evidence))
	s.Rec.Given = &room.Given{Is: c.Is, Evidence: c.Evidence, Steps: c.Steps}
	s.Rec.Value, s.Rec.HasValue, s.Rec.Limit, s.Rec.HasLimit = c.Value, c.HasValue, c.Limit, c.HasLimit
	s.Rec.Unit = c.Unit
	if !s.Rec.Life.Active {
		s.Rec.Priority = min(c.Priority, alarm.Wake)
	}
	e.out.Hold(s, true)
	switch {
	case c.Priority > s.Rec.Priority:
		e.out.Raise(s, c.Priority)
	case news && len(e.lives.out) == 0:
		e.lives.update(s, now, "news")
	}
	return e.lives.out
}
