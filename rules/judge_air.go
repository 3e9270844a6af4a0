package rules

import "dewline/configs"

// airJudge follows the air of the room and of each enclosure. It finds nothing:
// what it learns stands in the View for the judges after it.
type airJudge struct{}

// airLook is one look at the room.
type airLook struct{ v *View }

// Step feeds what is estimated.
func (airJudge) Step(v *View, _ *Out) {
	l := airLook{v}
	switch v.Due {
	case Arrived:
		if v.Probes[v.Probe].Cfg.Place == configs.InRoom {
			l.estimateRoom(v.At)
		}
	case Slow:
		en := v.Enclosure
		hot, main := float64(en.Now.Hot)/100, float64(en.Now.Main)/100
		en.St.Trend.Observe(v.EstAt(v.At.Mono), hot)
		l.learn(en, v.At, hot, main)
		l.watchMoist(en, v.At)
	case Learn:
		l.refit(v.At)
	}
}
