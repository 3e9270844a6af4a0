package core

import (
	"encoding/json"
	"fmt"

	"dewline/alert"
	"dewline/rules"
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
		if ev.What == "drill-over" {
			e.add(p.drillOver(ev.At))
		}
	}
	return e
}

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
