package night

import (
	"dewline/rules/alarm"
	"dewline/rules/room"
)

// mostOf the enclosures that lack their night drop make it the room's.
const mostOf = 0.75

// Cause is the room where most of its enclosures lack the night drop that they
// want, and else the enclosure.
func (Judge) Cause(v *room.View, a *room.Alarm) (alarm.Cause, []alarm.Fact) {
	lack, judged := 0, 0
	for i := range v.Enclosures {
		o := &v.Enclosures[i]
		report, ok := o.St.Night.Report()
		if !ok || !report.Complete || o.Species.DropMin <= 0 {
			continue
		}
		judged++
		if o.St.Night.Streak(float64(o.Species.DropMin)) > 0 {
			lack++
		}
	}
	if judged >= 3 && float64(lack) >= mostOf*float64(judged) {
		return alarm.Cause{Kind: alarm.CauseRoom}, nil
	}
	return alarm.Cause{Kind: alarm.CauseEnclosure, ID: v.Enclosures[a.Index].Cfg.ID}, nil
}
