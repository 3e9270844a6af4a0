package core

import (
	"strings"
	"time"

	"dewline/alert"
	"dewline/rules/event"
	"dewline/sensors"
)

// Somebody who floods dewline with what is refused must not wear out the
// card: so many lines at once, then one in refusedEvery, which counts the
// others.
const (
	refusedAtOnce = 20
	refusedEvery  = 10 * time.Second
	maxRefused    = 200 // bytes of each field
)

// refusals thins the journal lines about what was refused.
type refusals struct {
	used int           // lines that count against refusedAtOnce
	at   time.Duration // when used last went down
	more int           // lines left out since the last one
	last event.Event
}

func (r *refusals) pass(now sensors.Instant, e event.Event) []event.Event {
	if r.refill(now); r.used >= refusedAtOnce {
		r.more++
		r.last = e
		return nil
	}
	r.used++
	return []event.Event{r.counted(e)}
}

// flush returns the newest line that was left out, once there is room for it.
func (r *refusals) flush(now sensors.Instant) []event.Event {
	if r.more == 0 {
		return nil
	}
	if r.refill(now); r.used >= refusedAtOnce {
		return nil
	}
	r.used++
	r.more--
	return []event.Event{r.counted(r.last)}
}

// counted adds how many lines were left out before e.
func (r *refusals) counted(e event.Event) event.Event {
	if r.more > 0 {
		e.Body, r.more = event.Refused{More: r.more}, 0
	}
	return e
}

func (r *refusals) refill(now sensors.Instant) {
	if r.used == 0 {
		r.at = now.Mono
		return
	}
	n := int((now.Mono - r.at) / refusedEvery)
	r.used = max(r.used-n, 0)
	r.at += time.Duration(n) * refusedEvery
}

// Refuse puts into the journal what was refused before it came to a decision:
// for its form, its token or its link.
func (c *Core) Refuse(now sensors.Instant, cmd alert.Command, why string) Effects {
	e := refusedEvent(now, Short(cmd.By), Short(cmd.Alarm+"/"+cmd.Subject), Short(cmd.Action+": "+why))
	return Effects{Events: c.refused.pass(now, e)}
}

// Short cuts what a stranger sent down to what the journal keeps of it.
func Short(s string) string {
	if len(s) <= maxRefused {
		return s
	}
	const more = "…"
	return strings.ToValidUTF8(s[:maxRefused-len(more)], "") + more
}
