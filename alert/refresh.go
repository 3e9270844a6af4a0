package alert

import (
	"dewline/rules"
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
			m.Peak = further(m, &t)
			m.Value, m.HasValue = v.Value, true
		}
		if e := at[v.Key.Subject]; e != nil && aboutHeat(v.Key.Alarm) {
			m.Detail.TimeToCeiling, m.Detail.LampsOffGain = e.ToCeiling, e.LampsOffGain
			if m.Detail.HasRate = e.RatePerHour != nil; m.Detail.HasRate {
				m.Detail.RatePerHour = *e.RatePerHour
			}
		}
		was := in.touched
		in.refresh()
		in.touched = was
	}
	return d.finish()
}

// aboutHeat reports whether an alarm's rate is one of temperature, in °C per
// hour, whatever the unit of its value.
func aboutHeat(a rules.AlarmID) bool {
	switch a {
	case rules.LethalCeiling, rules.CeilingAhead, rules.Exposure, rules.AboveBand:
		return true
	}
	return false
}
