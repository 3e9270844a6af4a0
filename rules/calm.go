package rules

import (
	"math"
	"time"

	"dewline/rules/alarm"
	"dewline/rules/room"
)

// A calm spares the step of every alarm at a limit while nothing is near one:
// nearly always. It holds the values between which each of those steps would
// find its alarm at rest and leave it there.
type calm struct {
	rest bool          // every alarm at a limit is at rest
	told bool          // one of them was raised before, so its self-measures go on
	at   time.Duration // the alarms have rested until then, which they do not know yet
	turn uint32        // of the schedules, that the values below were made for
	low  int32         // hundredths of °C
	high int32         // where the band is judged
	hot  int32         // at the hottest place
	hum  int32         // hundredths of %
}

// atLimits are the alarms that a reading is held against at once.
var atLimits = [...]alarm.Kind{alarm.KindLethal, alarm.KindAbove, alarm.KindBelow, alarm.KindFloor}

// calmNow reports whether no alarm at a limit can move with what the probes
// say now, and remembers that it rested.
func (l limitsLook) calmNow(en *room.Enclosure, now time.Duration) bool {
	c, p := &l.At[en.Index].calm, &en.Now
	if !c.rest {
		return false
	}
	if c.turn != l.v.Turn {
		l.calmValues(en)
	}
	if !p.HasTemp || p.Doubt || p.Main < c.low || p.Main > c.high || p.Hot > c.hot || p.HasHum && p.Hum < c.hum {
		return false
	}
	if c.told {
		l.noteFar(en)
	}
	c.at = max(c.at, now)
	return true
}

// calmValues works out between which values all is well by the present band.
func (l limitsLook) calmValues(en *room.Enclosure) {
	c, lim := &l.At[en.Index].calm, &en.Limits
	low, high, _ := l.v.Band(en)
	dead := l.v.BandDead
	c.turn = l.v.Turn
	c.low, c.high = max(low, lim.Cold)+dead, high-dead
	c.hot = min(lim.Ceiling-CeilingDead, lim.Act-dead)
	c.hum = math.MinInt32
	if lim.Floor > 0 {
		c.hum = lim.Floor + l.v.FloorDead
	}
}

// noteFar does for alarms that were raised before what a step at rest does.
func (l limitsLook) noteFar(en *room.Enclosure) {
	low, high, _ := l.v.Band(en)
	p := &en.Now
	en.Alarms[alarm.KindLethal].Against(float64(p.Hot)/100, float64(en.Limits.Ceiling)/100)
	en.Alarms[alarm.KindAbove].Against(float64(p.Main)/100, float64(high)/100)
	en.Alarms[alarm.KindBelow].Against(float64(p.Main)/100, float64(low)/100)
	if p.HasHum && en.Limits.Floor > 0 {
		en.Alarms[alarm.KindFloor].Against(float64(p.Hum)/100, float64(en.Limits.Floor)/100)
	}
}

// endCalm tells the alarms at limits for how long they have rested.
func (l limitsLook) endCalm(en *room.Enclosure) {
	own := &l.At[en.Index]
	c := &own.calm
	c.rest = false
	if c.at == 0 {
		return
	}
	for _, k := range atLimits {
		rested(&en.Alarms[k].Rec.Life, c.at)
	}
	rested(&own.Act, c.at)
	rested(&own.Cold, c.at)
	c.at = 0
}

func rested(r *alarm.Record, at time.Duration) {
	if r.Seen == alarm.Back {
		r.SeenAt = max(r.SeenAt, at)
	}
}

// beginCalm looks, after a step, whether the next ones can be spared. Where
// the floor is held against the value less its uncertainty they cannot, as
// that moves by itself.
func (l limitsLook) beginCalm(en *room.Enclosure) {
	own := &l.At[en.Index]
	c := &own.calm
	c.told = false
	c.rest = !l.v.Cfg.Rules.FloorLessUncert && !en.Alarms[alarm.KindAhead].Rec.Life.Suppress &&
		atRest(&own.Act) && atRest(&own.Cold)
	for _, k := range atLimits {
		s := &en.Alarms[k]
		c.rest = c.rest && atRest(&s.Rec.Life)
		c.told = c.told || s.Rec.Stats.Raised > 0
	}
	c.turn = l.v.Turn - 1
}

// atRest reports whether a look that finds the process back changes nothing.
func atRest(r *alarm.Record) bool {
	return r.State == alarm.Norm && !r.Active && (r.Seen == alarm.Back || r.Seen == alarm.Missing)
}
