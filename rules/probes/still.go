package probes

import (
	"math"
	"time"

	"dewline/sensors"
)

// Stills are how a probe repeats itself.
type Stills struct {
	Temp  Runs `json:"temp,omitzero"` // of its temperature
	Both  Runs `json:"both,omitzero"` // of all that it tells; of damp air the temperature alone tells
	Moved bool `json:"moved,omitempty"`
}

// Runs are for how many readings a sound probe repeated itself. What did not arrive does
// not count, and what came while few others of the room moved counts as that share of them.
type Runs struct {
	Len    float64       `json:"len,omitempty"`  // readings of the present one after its first
	At     time.Duration `json:"at,omitempty"`   // of its first reading
	From   time.Duration `json:"from,omitempty"` // of the present day
	Today  RunsOfDay     `json:"today,omitzero"`
	Before RunsOfDay     `json:"before,omitzero"` // of the day before
	Days   uint8         `json:"days,omitempty"`  // that were seen to their ends, at most 2
	Alone  bool          `json:"alone,omitempty"` // the humidity goes on
}

// RunsOfDay are the runs that ended by themselves in a day.
type RunsOfDay struct {
	Longest float64 `json:"longest,omitempty"`
	Sum     float64 `json:"sum,omitempty"`   // readings of all of them
	Same    float64 `json:"same,omitempty"`  // readings that were as the one before, of all that came
	Count   float64 `json:"count,omitempty"` // runs
}

// What tells a frozen probe from a calm one. Chance makes runs of a geometric law: of N in a
// day the longest is as long as one in N is; a run that one day in 100/FalseFrozen has is
// 1 + ln(100/FalseFrozen)/ln N times as long. N is how many of the longest fit into the day:
// what flickers at the edge of a coarse step says nothing of how long it stands within.
// FalseFrozen is how many wrong tellings in 100 tank-days that is meant for. Before a probe
// was seen for a day it is given the configured time, in which the others must have moved by
// more than it can show; after that this tells only what is no habit.
const (
	FalseFrozen  = 0.1
	frozenFew    = 3                // runs, of which chance may be told at least
	frozenLeast  = 20 * time.Minute // and no less: own figure
	frozenAlone  = 3                // times as long where the humidity goes on, as it does in calm air: own figure
	frozenHabit  = 2                // times what is a habit, for the configured time: own figure
	frozenStands = 2                // steps of a coarse probe, through which it may stand
	frozenSteps  = 3                // of the probe that the others moved: a temperature that stands by itself needs them
	frozenNoise  = 2                // times as long for all that it tells without; and as chance makes the longest run, at most
	frozenOn     = 0.6              // readings as the one before, where noise makes the runs: more are of a step coarser than it
	frozenKnown  = 400              // readings of which the longest run is known well; of fewer it may be longer by the root
	frozenMoved  = 20               // hundredths of °C; the less the others moved, the longer
)

// take takes a reading; known is whether the one before it is.
func (n *Runs) take(same, known bool, share float64, now time.Duration) {
	if same && known {
		n.Len += share
		n.Today.Same++
		return
	}
	if known && n.From > 0 {
		n.note(now)
	}
	if n.From == 0 {
		n.From = max(now, 1)
	}
	n.Len, n.At = 0, now
}

// note takes a run that ended by itself.
func (n *Runs) note(now time.Duration) {
	n.Today.Longest, n.Today.Sum, n.Today.Count = max(n.Today.Longest, n.Len), n.Today.Sum+n.Len+1, n.Today.Count+1
	if now-n.From >= 24*time.Hour {
		n.From, n.Before, n.Today, n.Days = now, n.Today, RunsOfDay{}, min(n.Days+1, 2)
	}
}

// noise reports whether noise makes the runs: chance alone makes the longest as long as it is.
func (d *RunsOfDay) noise() bool {
	if d.Count < frozenFew {
		return d.Count == 0
	}
	goesOn := d.Same / (d.Same + d.Count) // the chance that the next reading is the same
	return goesOn <= frozenOn && d.Longest <= 1+frozenNoise*math.Log(d.Count)/-math.Log(max(goesOn, 0.01))
}

func (n *Runs) longest() float64 { return max(n.Today.Longest, n.Before.Longest) }

func (n *Runs) times() float64 {
	if n.Alone {
		return frozenAlone
	}
	return 1
}

// most is how long a run may be.
func (n *Runs) most() float64 {
	long := n.longest() + 1
	num := max(max(n.Today.Sum, n.Before.Sum)/long, frozenFew)
	return n.times() * long * (1 + math.Log(100/FalseFrozen)/math.Log(num))
}

// chance reports whether chance makes the present run, that may be times as long.
func (n *Runs) chance(now time.Duration, times float64) bool {
	return n.Days == 0 || n.Len <= times*n.most() || now-n.At < time.Duration(n.times())*frozenLeast
}

// take takes a reading: whether its temperature, and all that it tells, is as before.
func (s *Stills) take(temp, same, damp, known bool, share float64, now time.Duration) {
	s.Moved, s.Temp.Alone = !temp, !damp
	s.Temp.take(temp, known, share, now)
	if damp { // which stands by itself, and says nothing of how long the probe does
		s.Both.Len, s.Both.At = 0, now
		return
	}
	s.Both.take(same, known, share, now)
}

// still follows for how long a probe has said the same. share is how many of the others
// moved of late.
func (p probe) still(r *sensors.Reading, silent time.Duration, share float64) {
	if r.Quality == sensors.Bad || r.Again {
		return
	}
	st, now := &p.St, r.At.Mono
	known := st.Readings > 0 && (st.Frozen || now-st.Heard.Mono <= silent) // after a silence of its own nobody knows that it stood still
	was := &st.Still
	temp := (was.Has^r.Has)&sensors.HasTemperature == 0 && was.Temperature == r.Temperature
	same := temp && was.Has == r.Has && was.Humidity == r.Humidity
	damp := r.Has&sensors.HasHumidity == 0 || r.Humidity >= wetBelow
	p.Stills.take(temp, same, damp, known, share, now)
	if !same || !known {
		was.Has, was.Temperature, was.Humidity, st.StillAt = r.Has, r.Temperature, r.Humidity, now
		st.Frozen = false
	}
	if !temp || !known {
		st.HasPeers = false
	}
	if r.Has&sensors.HasTemperature != 0 && !(p.chance(&p.Stills.Temp, now) && p.chance(&p.Stills.Both, now)) {
		st.Frozen = true
	}
}

// chance reports whether chance makes the present run. Where noise makes the runs, nothing
// else is asked. One of coarse figures stands as long as its air does: the others must have
// moved by what it would show.
func (p probe) chance(n *Runs, now time.Duration) bool {
	st, times := &p.St, 1.0
	if n.Days == 0 || n.Len <= n.longest() {
		return true // as nearly always
	}
	if known := n.Before.Same + n.Before.Count + n.Today.Same + n.Today.Count; known < frozenKnown {
		times = math.Sqrt(frozenKnown / known)
	}
	if n.Before.noise() && n.Today.noise() {
		return n.chance(now, times)
	}
	if !st.HasPeers || st.PeerHigh <= st.PeerLow {
		return true
	}
	moved := float64(st.PeerHigh - st.PeerLow)
	if moved < frozenSteps*p.Grain.Temp {
		if n == &p.Stills.Temp {
			return true
		}
		times *= frozenNoise
	}
	return n.chance(now, times*max(1, frozenMoved/moved))
}

// stood returns for how long a probe has stood still, and how long it may.
func (p probe) stood(now, configured time.Duration) (stood, most time.Duration) {
	for _, n := range []*Runs{&p.Stills.Both, &p.Stills.Temp} {
		if !p.chance(n, now) {
			stood = now - n.At
			return stood, max(frozenLeast, time.Duration(float64(stood)*n.most()/n.Len))
		}
	}
	return now - p.St.StillAt, configured
}

// calm reports whether a reading that the probe's own judge takes for a frozen one is
// of a calm room, in which nothing else moved either, or of a habit.
func (p probe) calm(why sensors.Reason) bool {
	return why == sensors.FrozenValue && p.St.HasPeers && (!p.St.PeersMoved() || p.habit())
}

// habit reports whether the probe stood as long before, or half as long, and moved again.
func (p probe) habit() bool {
	n := &p.Stills.Temp
	return n.Days > 0 && n.Len <= frozenHabit*n.longest()
}

// standing reports whether the probe repeats itself for longer than it is known to.
func (p probe) standing(now time.Duration) bool {
	n := &p.Stills.Temp
	return n.Days > 0 && n.Len > n.longest() && now-n.At > frozenLeast/2
}
