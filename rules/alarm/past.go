package alarm

import (
	"time"

	"dewline/rules/event"
	"dewline/sensors"
)

// A Past is one onset of an alarm, as the log tells it.
type Past struct {
	Key      Key
	Seq      uint64
	Priority Priority        // the highest that it had
	From     sensors.Instant // since when the condition held, before any delay
	Raised   sensors.Instant // when it first rang; of old lines, From too
	Peak     *Peak           // the furthest of all its rises; nil where no line says
	To       sensors.Instant // zero while it lasts
	Answered sensors.Instant // zero for never
	By       string          // who answered
	Shelved  bool
	Waits    sensors.Instant // for an answer, since; zero for not
	Longest  time.Duration   // that it waited at a stretch, and waits no more
}

// A History joins the steps of alarms in the log into onsets. Its zero value is ready.
type History struct {
	// Middle says that the log is read from somewhere in it, so that an onset may
	// be met when it has gone on for a while.
	Middle bool
	Onsets []*Past // by their beginnings
	last   map[Key]*Past
}

// Take follows an event; only those of alarms say something.
func (h *History) Take(e *event.Event) {
	a, ok := e.Body.(event.Alarm)
	var from, to State
	if !ok || from.UnmarshalText([]byte(a.From)) != nil || to.UnmarshalText([]byte(a.To)) != nil {
		return // another hand wrote it
	}
	key := Key{Alarm: ID(a.Alarm), Subject: a.Subject}
	p := h.last[key]
	if p == nil || p.Seq != a.Onset {
		if !h.Middle && to != Unack && to != Acked {
			return // its beginning is not on record, or it never rang
		}
		if h.last == nil {
			h.last = map[Key]*Past{}
		}
		p = &Past{Key: key, Seq: a.Onset, From: e.At, Raised: e.At}
		if before := e.At.Wall.Sub(a.Since); !a.Since.IsZero() && before > 0 {
			p.From = sensors.Instant{Mono: e.At.Mono - before, Wall: a.Since, Synced: true}
		}
		h.last[key], h.Onsets = p, append(h.Onsets, p)
	}
	if f := a.Furthest; f != nil {
		row, _ := Find(key.Alarm)
		p.Peak = p.Peak.Further(&Peak{f.Value, f.Limit, f.Urgent, sensors.Instant{Wall: f.Time, Synced: !f.Time.IsZero()}}, row.Low)
	}
	p.step(e, a.Priority, from, to)
}

func (p *Past) step(e *event.Event, priority string, from, to State) {
	p.Priority = max(p.Priority, p.priorityOf(priority))
	answers := to == Acked || from == RTNUN && to == Norm || to == LatchAck
	if e.By != "" && p.Answered.IsZero() && answers {
		p.Answered, p.By = e.At, e.By
	}
	p.wait(e.At, to.Unanswered())
	p.Shelved = p.Shelved || to == Shelved
	switch to {
	case Norm, RTNUN, LatchUnack, LatchAck:
		if p.To.IsZero() {
			p.To = e.At
		}
	case Unack, Acked:
		p.To = sensors.Instant{} // it came back before anybody answered
	}
}

// priorityOf reads a priority; an old line may carry none.
func (p *Past) priorityOf(text string) Priority {
	var now Priority
	if now.UnmarshalText([]byte(text)) == nil {
		return now
	}
	if row, ok := Find(p.Key.Alarm); ok {
		return row.Priority
	}
	return Today
}

// wait notes that it waits for an answer, or no longer.
func (p *Past) wait(at sensors.Instant, waits bool) {
	switch {
	case waits && p.Waits.IsZero():
		p.Waits = at
	case !waits && !p.Waits.IsZero():
		p.Longest, p.Waits = max(p.Longest, at.Sub(p.Waits)), sensors.Instant{}
	}
}
