package room

import (
	"time"

	"dewline/rules/alarm"
	"dewline/rules/event"
	"dewline/sensors"
)

// Due is why the judges look.
type Due uint16

// The reasons, in the order in which they come. A judge is asked at those that
// its row in the table names.
const (
	Blind      Due = 1 << iota // a stretch is over in which nobody looked; see Absence
	Calibrated                 // a probe was; see Calibration
	Arrived                    // a reading has come; see Reading
	Quick                      // and its enclosure is looked at: mist and door
	Slow                       // the same for what needs no more than a look a minute
	Ticked                     // time has passed
	Schedule                   // a minute has passed: schedules first
	Minute                     // then probes and what is between them
	Learn                      // then what only learns
	Hour                       // an hour has passed
	Touched                    // a contact has said something
)

// NumDue is how many reasons there are.
const NumDue = 11

// A Finding is one look at the condition of one alarm.
type Finding struct {
	Alarm *Alarm
	In    alarm.Input
	Gap   time.Duration // longest time between two looks that a delay counts; 0 for any
	// AtOnce leaves out both delays; Slow takes the on-delay so many times.
	AtOnce bool
	Slow   time.Duration
	// Urgent needs no on-delay and wakes until the alarm is over.
	Urgent bool
	// Mild is for the week; an alarm that is open becomes one for today without it.
	Mild bool
}

// Lives are the lifecycles, which take findings.
type Lives interface {
	Find(Finding)
	// Raise makes an alarm more urgent until it is over.
	Raise(*Alarm, alarm.Priority)
	// Tell keeps a fact for the log.
	Tell(sensors.Instant, event.Body)
}

// Out is where a judge says what it found.
type Out struct{ Lives }

// Apply tells of one look.
func (o *Out) Apply(a *Alarm, in alarm.Input, gap time.Duration) {
	o.Find(Finding{Alarm: a, In: in, Gap: gap})
}

// Hold tells of a condition that is known as such, without a value.
func (o *Out) Hold(a *Alarm, active bool) {
	in := alarm.Back
	if active {
		in = alarm.Beyond
	}
	o.Apply(a, in, 0)
}
