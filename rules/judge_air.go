package rules

import (
	"dewline/configs"
	"dewline/rules/room"
)

// airJudge follows the air of the room and of each enclosure. It finds nothing:
// what it learns stands in the View for the judges after it.
type airJudge struct{}

// airLook is one look at the room.
type airLook struct{ v *room.View }

// Step feeds what is estimated.
func (airJudge) Step(v *room.View, _ *room.Out) {
	l := airLook{v}
	switch v.Due {
	case room.Arrived:
		if v.Probes[v.Probe].Cfg.Place == configs.InRoom {
			l.estimateRoom(v.At)
		}
	case room.Slow:
		en := v.Enclosure
		hot, main := float64(en.Now.Hot)/100, float64(en.Now.Main)/100
		en.St.Trend.Observe(v.EstAt(v.At.Mono), hot)
		l.learn(en, v.At, hot, main)
		l.watchMoist(en, v.At)
	case room.Learn:
		l.refit(v.At)
	}
}
