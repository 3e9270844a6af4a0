package night

import (
	"dewline/rules/event"
	"dewline/rules/room"
	"dewline/sensors"
)

// nightFact tells of the night that has just ended.
func (l look) nightFact(en *room.Enclosure, now sensors.Instant) {
	r, ok := en.St.Night.Report()
	if !ok {
		return
	}
	n := event.Night{Enclosure: en.Cfg.ID, DayMin: r.DayMin, DayMax: r.DayMax, NightMin: r.NightMin, NightMax: r.NightMax}
	if r.Complete {
		n.Drop = &r.Drop
	}
	l.out.Tell(now, n)
}
