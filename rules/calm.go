package rules

import (
	"math"
	"time"

	"dewline/rules/alarm"
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
func (e *Engine) calmNow(en *enclosure, now time.Duration) bool {
	c, p := &en.calm, &en.now
	if !c.rest {
		return false
	}
	if c.turn != e.turn {
		e.calmValues(en)
	}
	if !p.hasTemp || p.doubt || p.main < c.low || p.main > c.high || p.hot > c.hot || p.hasHum && p.hum < c.hum {
		return false
	}
	if c.told {
		e.noteFar(en)
	}
	c.at = max(c.at, now)
	return true
}

// calmValues works out between which values all is well by the present band.
func (e *Engine) calmValues(en *enclosure) {
	c, l := &en.calm, &en.lim
	low, high, _ := e.band(en)
	dead := e.bandDead
	c.turn = e.turn
	c.low, c.high = max(low, l.cold)+dead, high-dead
	c.hot = min(l.ceiling-ceilingDead, l.act-dead)
	c.hum = math.MinInt32
	if l.floor > 0 {
		c.hum = l.floor + e.floorDead
	}
}

// noteFar does for alarms that were raised before what a step at rest does.
func (e *Engine) noteFar(en *enclosure) {
	low, high, _ := e.band(en)
	p := &en.now
	en.slots[alarm.KindLethal].limit(float64(p.hot)/100, float64(en.lim.ceiling)/100)
	en.slots[alarm.KindAbove].limit(float64(p.main)/100, float64(high)/100)
	en.slots[alarm.KindBelow].limit(float64(p.main)/100, float64(low)/100)
	if p.hasHum && en.lim.floor > 0 {
		en.slots[alarm.KindFloor].limit(float64(p.hum)/100, float64(en.lim.floor)/100)
	}
}

// endCalm tells the alarms at limits for how long they have rested.
func (en *enclosure) endCalm() {
	c := &en.calm
	c.rest = false
	if c.at == 0 {
		return
	}
	for _, k := range atLimits {
		rested(&en.slots[k].rec.Life, c.at)
	}
	rested(&en.st.Act, c.at)
	rested(&en.st.Cold, c.at)
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
func (e *Engine) beginCalm(en *enclosure) {
	c := &en.calm
	c.told = false
	c.rest = !e.cfg.Rules.FloorLessUncert && !en.slots[alarm.KindAhead].rec.Life.Suppress &&
		atRest(&en.st.Act) && atRest(&en.st.Cold)
	for _, k := range atLimits {
		s := &en.slots[k]
		c.rest = c.rest && atRest(&s.rec.Life)
		c.told = c.told || s.rec.Stats.Raised > 0
	}
	c.turn = e.turn - 1
}

// atRest reports whether a look that finds the process back changes nothing.
func atRest(r *alarm.Record) bool {
	return r.State == alarm.Norm && !r.Active && (r.Seen == alarm.Back || r.Seen == alarm.Missing)
}

// settle makes the alarms know all that the engine does, before they are read
// from outside.
func (e *Engine) settle() {
	for i := range e.encls {
		e.encls[i].endCalm()
	}
}
