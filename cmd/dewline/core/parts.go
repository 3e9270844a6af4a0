package core

import (
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"dewline/alert"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/rules/event"
	"dewline/rules/room"
	"dewline/sensors"
	"dewline/store"
)

// Effects are what one input asks of the world. Docs and Events belong to one
// transaction; Send goes out whether or not that succeeds.
type Effects struct {
	Transitions []rules.Transition
	Docs        []store.Doc
	Events      []event.Event
	Later       []event.Event // may wait for the next batch
	Send        []alert.Delivery
}

// Empty reports whether nothing is to be done.
func (e *Effects) Empty() bool {
	return len(e.Transitions) == 0 && len(e.Docs) == 0 && len(e.Events) == 0 && len(e.Later) == 0 && len(e.Send) == 0
}

// Parts are the rules and the desk, joined: what the one finds goes to the other.
type parts struct {
	engine *rules.Engine
	desk   *alert.Desk
}

// Set raises or ends an alarm about dewline itself.
func (p *parts) Set(now sensors.Instant, cond rules.Condition) Effects {
	return p.after(now, p.engine.Set(now, cond))
}

func self(a alarm.ID) alarm.Key { return alarm.Key{Alarm: a, Subject: rules.Self} }

// active reports whether an alarm about dewline itself is.
func (p *parts) active(k alarm.Key) bool {
	v, open := p.engine.Alarm(k)
	return open && v.Active
}

// turn is Set for a condition that is looked at again and again.
func (p *parts) turn(now sensors.Instant, cond rules.Condition) Effects {
	if cond.Active == p.active(cond.Key) {
		return Effects{}
	}
	return p.Set(now, cond)
}

func (p *parts) after(now sensors.Instant, ts []rules.Transition) Effects {
	e := Effects{Later: p.engine.Facts()}
	if len(ts) == 0 {
		return e
	}
	// The engine reuses its slice at the next call.
	e.Transitions = append(e.Transitions, ts...)
	for _, t := range ts {
		r, ok := p.engine.Record(t.Key)
		if !ok {
			continue
		}
		if d, err := alarmDoc(r); err == nil {
			e.Docs = append(e.Docs, d)
		}
		if t.From != t.To {
			e.Events = append(e.Events, alarmEvent(&t))
		}
	}
	e.add(p.desked(p.desk.Transitions(now, e.Transitions)))
	return e
}

func (p *parts) desked(fx alert.Effects) Effects {
	e := Effects{Docs: fx.Docs, Send: fx.Send}
	for _, ev := range fx.Events {
		e.Events = append(e.Events, noticeEvent(&ev))
		if ev.What == event.NoticeDrillOver {
			e.add(p.drillOver(ev.At))
		}
	}
	return e
}

// drillOver returns what is kept of a drill that has just ended: its result as
// a document of its own, and a line for people in the journal.
func (p *parts) drillOver(at sensors.Instant) Effects {
	d, ok := p.desk.LastDrill()
	if !ok || !d.Done {
		return Effects{}
	}
	value, err := json.Marshal(d)
	if err != nil {
		return Effects{} // plain finite figures cannot fail
	}
	return Effects{
		Docs:   []store.Doc{{Bucket: store.BucketDrills, Key: drillKey(d), Value: value}},
		Events: []event.Event{drillOverEvent(at, &d)},
	}
}

func drillKey(d alert.DrillResult) string { return fmt.Sprintf("%020d/%s", d.At.Mono, d.Person) }

func (e *Effects) add(b Effects) {
	e.Transitions = append(e.Transitions, b.Transitions...)
	e.Docs = append(e.Docs, b.Docs...)
	e.Events = append(e.Events, b.Events...)
	e.Later = append(e.Later, b.Later...)
	e.Send = append(e.Send, b.Send...)
}

func alarmDoc(r room.Record) (store.Doc, error) {
	b, err := json.Marshal(r)
	if err != nil {
		return store.Doc{}, fmt.Errorf("encode alarm %s of %s: %w", r.Key.Alarm, r.Key.Subject, err)
	}
	return store.Doc{Bucket: store.BucketAlarms, Key: string(r.Key.Alarm) + "/" + r.Key.Subject, Value: b}, nil
}

// What the daemon says of itself becomes alarms in this file.

// duplicate says that another board answers for this room on the broker, by its
// instance; empty ends that.
func (p *parts) duplicate(now sensors.Instant, instance string) Effects {
	return p.turn(now, rules.Condition{
		Key: self(alarm.DuplicateRoom), Active: instance != "", Priority: alarm.Today,
		Is: alarm.Fact{ID: alarm.FactID(alarm.DuplicateRoom), About: Short(instance)},
	})
}

// sentinelSilent says that a sentinel that watched this room is silent, or that it
// is not.
func (p *parts) sentinelSilent(now sensors.Instant, sentinel string, silent bool) Effects {
	return p.turn(now, rules.Condition{Key: alarm.Key{Alarm: alarm.SentinelSilent, Subject: sentinel}, Active: silent, Priority: alarm.Today})
}

// RecordIncomplete says that the record is not whole, and why; or that it is.
func (p *parts) RecordIncomplete(now sensors.Instant, ok bool, why alarm.Fact) Effects {
	return p.Set(now, rules.Condition{
		Key: self(alarm.RecordIncomplete), Active: !ok, Priority: alarm.Today, Is: why,
	})
}

// LeftOut says what parts do not work for want of a secret; none ends that.
func (p *parts) LeftOut(now sensors.Instant, what []alarm.Fact) Effects {
	return p.Set(now, rules.Condition{
		Key: alarm.Key{Alarm: alarm.ConfigRefused, Subject: alarm.Secrets}, Active: len(what) > 0, Priority: alarm.Today,
		Is: alarm.Fact{ID: alarm.FactLeftOut, Count: len(what)}, Evidence: what, Steps: []alarm.Step{alarm.PutSecret},
	})
}

// NotGranted says what the broker does not let the room hear; none ends that.
func (p *parts) NotGranted(now sensors.Instant, what []string, grave bool) Effects {
	priority := alarm.Note
	if grave {
		priority = alarm.Today
	}
	return p.Set(now, rules.Condition{
		Key: alarm.Key{Alarm: alarm.ConfigRefused, Subject: alarm.Broker}, Active: len(what) > 0, Priority: priority,
		Is: alarm.Fact{ID: alarm.FactNotGranted, Count: len(what)}, Evidence: firstLines(strings.Join(what, "\n"), 3), Steps: []alarm.Step{alarm.GrantTopics},
	})
}

// ConfigRefused says that the file is refused, and what is in force is an earlier
// one or, where that was in force already, the file itself.
func (p *parts) ConfigRefused(now sensors.Instant, why string) Effects {
	first := alarm.MendConfig
	if strings.HasSuffix(why, RestartHint) {
		first = alarm.RestartDewline
	}
	return p.Set(now, rules.Condition{
		Key: self(alarm.ConfigRefused), Active: why != "", Priority: alarm.Today,
		Evidence: firstLines(why, 3), Steps: []alarm.Step{first},
	})
}

// RestartHint ends the reason of a refusal that a restart cures.
const RestartHint = "systemctl restart dewline puts the changed file in force"

// firstLines are at most n lines of s, as facts.
func firstLines(s string, n int) (out []alarm.Fact) {
	lines := strings.Split(strings.TrimSpace(s), "\n")
	for _, line := range lines[:min(n, len(lines))] {
		out = append(out, alarm.Fact{ID: alarm.FactSaid, Note: line})
	}
	if more := len(lines) - n; more > 0 {
		out = append(out, alarm.Fact{ID: alarm.FactMore, Count: more})
	}
	return out
}

// A certificate that ends within CertificateNote is a note, and one that ends in
// days is told at once. Thirty days are what the common free authority advises
// for renewing its 90-day certificates: common practice, no source.
const (
	CertificateNote  = 30 * 24 * time.Hour
	certificateToday = 7 * 24 * time.Hour
)

// A Certificate is one that dewline depends on.
type Certificate struct {
	Subject string    // of certificate-due
	Ends    time.Time // zero while that is not known
}

// Certificates raises certificate-due for those that end within 30 days, as a
// note, and within 7 days, to be told at once. Without a clock nothing is known
// of it. An alarm about a certificate that is not among them ends.
func (p *parts) Certificates(now sensors.Instant, used []Certificate) Effects {
	var e Effects
	if !now.Synced {
		return e
	}
	needed := map[string]bool{}
	for _, cert := range used {
		needed[cert.Subject] = true
		if !cert.Ends.IsZero() {
			e.add(p.Set(now, certificateDue(now, cert)))
		}
	}
	for _, v := range p.engine.Open() {
		if v.Key.Alarm == alarm.CertificateDue && v.Active && !needed[v.Key.Subject] {
			e.add(p.Set(now, rules.Condition{Key: v.Key}))
		}
	}
	return e
}

func certificateDue(now sensors.Instant, cert Certificate) rules.Condition {
	left := cert.Ends.Sub(now.Wall)
	cond := rules.Condition{
		Key: alarm.Key{Alarm: alarm.CertificateDue, Subject: cert.Subject}, Active: left < CertificateNote, Priority: alarm.Note,
		Value: max(left, 0).Hours() / 24, HasValue: true, Limit: CertificateNote.Hours() / 24, HasLimit: true, Unit: "d",
		Is: alarm.Fact{ID: alarm.FactCertEnds, About: cert.Subject, At: alarm.LocalTime(cert.Ends.UTC().Format(alarm.LocalLayout))},
	}
	if left < certificateToday {
		cond.Priority = alarm.Today
	}
	if left <= 0 {
		cond.Is.ID = alarm.FactCertEnded
	}
	return cond
}
