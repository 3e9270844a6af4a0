package alert

import (
	"slices"

	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// Refresh brings values and forecasts under the open notices up to date, so
// that a repeat tells what is true now and a ceiling that came much nearer is
// told at once. The rules say nothing of what only drifts; call it about once
// a minute while anything is open. It writes nothing for drift.
func (d *Desk) Refresh(now sensors.Instant, alarms []rules.AlarmView, enclosures []rules.EnclosureView) Effects {
	d.begin(now)
	at := make(map[string]*rules.EnclosureView, len(enclosures))
	for i := range enclosures {
		at[enclosures[i].ID] = &enclosures[i]
	}
	var moved []*incident
	for i := range alarms {
		v := &alarms[i]
		in := d.byKey[v.Key]
		if in == nil || in.Ended {
			continue
		}
		m := in.member(v.Key)
		if m.Seq != v.Seq || !m.Active() || v.Unknown {
			continue
		}
		t := transitionOf(now, v)
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
	return d.finish()
}

// heat reports whether an alarm is one of heat, which is told by what is left
// until the lethal limit.
func heat(a rules.AlarmID) bool { row, _ := alarm.Find(a); return row.Heat }

// warm takes over how warm an enclosure is and what is ahead of it.
func warm(d *rules.Detail, e *rules.EnclosureView) {
	d.TimeToCeiling, d.LampsOffGain = e.ToCeiling, e.LampsOffGain
	if e.Hottest.Known {
		d.Temperature, d.Ceiling = e.Hottest.Value, e.Ceiling
		if e.Hottest.Value >= e.Ceiling { // it is here
			d.TimeToCeiling, d.LampsOffGain = nil, nil
		}
	}
	if d.HasRate = e.RatePerHour != nil; d.HasRate {
		d.RatePerHour = *e.RatePerHour
	}
}
