package alert

import (
	"encoding/json"
	"slices"

	"dewline/rules/alarm"
	"dewline/store"
)

// fillIn makes up for what a document of an earlier version lacks: who was
// told what.
func (in *incident) fillIn() {
	handed := 0
	for _, p := range in.Out {
		if p.Confirmed == 0 && p.Sent > 0 {
			p.Confirmed = p.Version - 1
			if p.State == taken {
				p.Confirmed = p.Version
			}
		}
		if handed = max(handed, p.Confirmed); p.Confirmed > 0 {
			in.reach(p.Person)
		}
	}
	kept := in.any(func(m *Member) bool { return m.Named != nil }) // else none has it
	for m := range in.Notice.each() {
		if m.Told && !kept && in.Said != nil {
			m.name(Naming{in.Notice.ID, in.Notice.Version}, in.Said.At)
			m.Heard = m.namedBy(in.Notice.ID, handed)
		}
	}
}

const (
	noticePrefix = "notice/"
	drillKey     = "drill/last"
)

// docOf is one piece of the Desk's state to keep on disk; no data removes it.
func docOf(key string, data []byte) store.Doc {
	return store.Doc{Bucket: store.BucketOutbox, Key: key, Value: data}
}

func docKey(noticeID string) string { return noticePrefix + noticeID }

func encode(in *incident) store.Doc {
	data, err := json.Marshal(in)
	if err != nil {
		// Only a value that JSON has no form for gets here, such as NaN from a
		// rule: keep the notice without its figures rather than not at all.
		c := *in
		c.Notice.Members = slices.Clone(in.Notice.Members)
		for m := range c.Notice.each() {
			m.Value, m.Peak, m.Limit, m.HasValue, m.HasLimit = 0, nil, 0, false, false
			m.Detail = alarm.Detail{FirstAction: m.Detail.FirstAction, Steps: m.Detail.Steps, Air: m.Detail.Air}
		}
		if c.Said != nil {
			s := *c.Said
			s.Minutes = 0
			c.Said = &s
		}
		data, _ = json.Marshal(&c)
	}
	return docOf(docKey(in.Notice.ID), data)
}
