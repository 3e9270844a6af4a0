package alert

import (
	"slices"

	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// drift takes over values and forecasts of what is open.
func (b *book) drift(alarms []rules.AlarmView, enclosures []rules.EnclosureView) {
	at := make(map[string]*rules.EnclosureView, len(enclosures))
	for i := range enclosures {
		at[enclosures[i].ID] = &enclosures[i]
	}
	var moved []*incident
	for i := range alarms {
		v := &alarms[i]
		in := b.byKey[v.Key]
		if in == nil || in.Ended {
			continue
		}
		m := in.member(v.Key)
		if m.Seq != v.Seq || !m.Active() || v.Unknown {
			continue
		}
		t := transitionOf(b.now, v)
		if v.HasValue {
			m.measure(&t)
		}
		if v.HasLimit { // the band of day or night
			m.Limit, m.HasLimit = v.Limit, true
		}
		m.Detail.Evidence = v.Detail.Evidence
		m.Detail.FirstAction, m.Detail.Steps, m.Detail.Air = v.Detail.FirstAction, v.Detail.Steps, v.Detail.Air // as it stands now
		if e := at[v.Key.Subject]; e != nil && heat(v.Key.Alarm) {
			warm(&m.Detail, e)
		}
		if !slices.Contains(moved, in) {
			moved = append(moved, in)
		}
	}
	for _, in := range moved {
		was := in.touched
		in.refresh()
		in.touched = was
	}
}

// warm takes over how warm an enclosure is and what is ahead of it.
func warm(d *alarm.Detail, e *rules.EnclosureView) {
	d.TimeToLethal, d.LampsOffGain = e.ToLethal, e.LampsOffGain
	if e.Temperature.Known {
		d.Temperature, d.Lethal = e.Temperature.Value, e.Lethal
		if e.Temperature.Value >= e.Lethal { // it is here
			d.TimeToLethal, d.LampsOffGain = nil, nil
		}
	}
	if d.HasRate = e.RatePerHour != nil; d.HasRate {
		d.RatePerHour = *e.RatePerHour
	}
}

// transitionOf states an alarm's present condition as a transition.
func transitionOf(now sensors.Instant, v *rules.AlarmView) rules.Transition {
	return rules.Transition{
		At: now, Key: v.Key, Seq: v.Seq, From: v.State, To: v.State, Priority: v.Priority,
		Cause: v.Cause, Value: v.Value, HasValue: v.HasValue, Limit: v.Limit, HasLimit: v.HasLimit,
		Unit: v.Unit, Since: v.Since, By: v.AckedBy, Text: v.Text, Detail: v.Detail,
	}
}
