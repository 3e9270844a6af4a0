package climate

import (
	"math"
	"time"
)

// What light tells of lamps, this project's own figures.
const (
	lightDark  = 2.0  // lux before anything is learned
	lightLit   = 80.0 // lux
	lightHold  = 10 * time.Minute
	lightAgain = 0.02             // weight of a reading in the learned levels
	lightDims  = 75 * time.Minute // that light may take to follow a switch, before that is learned: lamps dim for an hour
	lightLate  = 2 * time.Hour    // is no dimming
	lightSlack = 15 * time.Minute // over what is learned
	lightDays  = 4                // that it is learned of
)

// lightWatch learns how bright on and off are.
type lightWatch struct {
	LogOn   float64       `json:"log_on"` // ln lux
	LogOff  float64       `json:"log_off"`
	SeenOn  int           `json:"seen_on"`
	SeenOff int           `json:"seen_off"`
	State   Lamps         `json:"state"`
	Pending Lamps         `json:"pending"`
	Since   time.Duration `json:"since"`
	Lag     [2]meanOf     `json:"lag,omitzero"` // h from the switch by schedule to dark, and to lit
}

// ObserveLight takes a light reading in lux and whether the lamps are on by
// schedule. What counts as lit is learned from both.
func (w *LampWatch) ObserveLight(at time.Duration, lux float64, lampsOn bool) {
	if !(lux >= 0) || !finite(lux) {
		return
	}
	l := &w.Light
	x := math.Log(max(lux, 0.5))
	lit := LampsOff
	if x >= l.threshold() {
		lit = LampsOn
	}
	if lit != l.Pending {
		l.Pending, l.Since = lit, at
	}
	if at-l.Since >= lightHold || l.State == LampsUnknown {
		if l.State != lit && w.Since.Begun && w.On == lampsOn && lampsOn == (lit == LampsOn) {
			l.learnLag(lampsOn, l.Since-w.Switch)
		}
		l.State = lit
	}
	// Learn only where light and schedule agree.
	if lampsOn && lit == LampsOn {
		learn(&l.LogOn, &l.SeenOn, x)
	} else if !lampsOn && lit == LampsOff {
		learn(&l.LogOff, &l.SeenOff, x)
	}
}

// LightLag is how long after they switch by schedule lamps may not look so.
func (w *LampWatch) LightLag() time.Duration {
	if m := &w.Light.Lag[index(w.On)]; m.N > 0 {
		return fromHours(m.Mean) + lightSlack
	}
	return lightDims
}

func (l *lightWatch) learnLag(on bool, lag time.Duration) {
	if m := &l.Lag[index(on)]; lag < lightLate {
		m.N = max(0, min(m.N, lightDays-1)) // a state from elsewhere may say anything
		m.add(max(0, lag).Hours())
	}
}

func learn(level *float64, seen *int, x float64) {
	*seen++
	*level += max(lightAgain, 1/float64(*seen)) * (x - *level)
}

// threshold returns ln lux between dark and lit.
func (l *lightWatch) threshold() float64 {
	off, on := math.Log(lightDark), math.Log(lightLit)
	if l.SeenOff > 0 {
		off = l.LogOff
	}
	if l.SeenOn > 0 {
		on = l.LogOn
	}
	return (off + on) / 2
}
