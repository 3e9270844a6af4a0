package lamps

import (
	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/rules/room"
)

// part sums up how the enclosures on each timer (without a shelf: -1), and those of each shelf
// on it, followed the last switch.
func (l look) part() map[[2]int]climate.Contrast {
	sums := map[[2]int]climate.Contrast{}
	for i := range l.v.Enclosures {
		o := &l.v.Enclosures[i]
		if lacks, step, known := l.lacks(o); known {
			all, shelf := sums[[2]int{o.Lamps, -1}], sums[[2]int{o.Lamps, o.Shelf}]
			all.Add(0, lacks)
			shelf.Add(-step, lacks)
			sums[[2]int{o.Lamps, -1}], sums[[2]int{o.Lamps, o.Shelf}] = all, shelf
		}
	}
	return sums
}

// lacks is what an enclosure tells of the last switch beside others on its timer.
func (l look) lacks(o *room.Enclosure) (lacks, step float64, known bool) {
	if w := &o.St.Lamps; o.Lamps < 0 || w.Wrong || w.Since.Next < looks || l.mute(o) {
		return 0, 0, false
	}
	return o.St.Lamps.Lacks()
}

// apartTold reports whether an enclosure, or its shelf, did not follow the switch that others
// on its timer followed: whatever the room does, it does to all.
func (l look) apartTold(en *room.Enclosure) bool {
	lacks, step, known := l.lacks(en)
	if !known {
		return false
	}
	var own climate.Contrast
	own.Add(-step, lacks)
	all := l.parts[[2]int{en.Lamps, -1}]
	one, shelf := all.Parted(own), all.Parted(l.parts[[2]int{en.Lamps, en.Shelf}])
	return one.Evidence() >= told || shelf.Evidence() >= shelfTold
}

// mute reports whether an enclosure says nothing of its lamps: no probe of it has changed
// for long, or those that have are told to hang in another's place, or its door is ajar, or
// was within a day, since a mist or a night can look like one that is shut.
func (l look) mute(en *room.Enclosure) bool {
	if d := &en.Alarms[alarm.KindDoorAjar].Rec.Life; d.Active || d.EndedAt > 0 && l.v.At.Mono-d.EndedAt < doorLong {
		return true
	}
	for _, i := range en.Probes {
		if st := &l.v.Probes[i].St; st.HasTemp && st.Swap.With == "" && l.v.At.Mono-st.StillAt < standing {
			return false
		}
	}
	return true
}
