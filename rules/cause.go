package rules

import (
	"time"

	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/rules/room"
	"dewline/sensors"
)

// causeHolds is how long a different cause must be seen before it is told.
const causeHolds = 10 * time.Minute

// followCauses tells when an open alarm turns out to have another cause.
func (e *Engine) followCauses(now sensors.Instant) {
	var pic *climate.Picture
	for i := range e.v.Enclosures {
		en := &e.v.Enclosures[i]
		for k := range en.Open.All() {
			s := &en.Alarms[k]
			if !k.Row().ByTemperature || !s.Rec.Life.State.Annunciated() || !en.Now.HasTemp {
				continue
			}
			if pic == nil {
				pic = e.v.Survey(now)
			}
			e.followCause(s, pic, now)
		}
	}
}

func (e *Engine) followCause(s *room.Alarm, pic *climate.Picture, now sensors.Instant) {
	en := &e.v.Enclosures[s.Index]
	cause, why := e.cause.Temperature(en, pic, now, s.Kind)
	if cause == s.Rec.Cause {
		s.Rec.Because(why) // as it is now
	}
	if s.Rec.Life.Seen != alarm.Beyond {
		return // on its way back: nobody needs another theory
	}
	aged := s.Rec.Cause.Kind == alarm.CauseProbe && cause.Kind == alarm.CauseEnclosure && now.Mono-s.Rec.Life.Since.Mono < Day
	if aged || len(why) == 0 {
		return // only the evidence has gone: nothing else has turned up
	}
	turn := &en.St.Turns[s.Kind]
	switch {
	case cause == s.Rec.Cause:
		*turn = room.CauseTurn{}
	case cause != turn.Cause:
		*turn = room.CauseTurn{Cause: cause, At: now.Mono}
	case now.Mono-turn.At >= causeHolds:
		*turn = room.CauseTurn{}
		e.lives.update(s, now, whyCause)
	}
}
