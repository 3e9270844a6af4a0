package climate

import (
	"math"
	"time"
)

// A LampVerdict is whether the lamps follow their schedule.
type LampVerdict uint8

// The verdicts.
const (
	LampsUnjudged LampVerdict = iota
	LampsAsScheduled
	LampsStuckOn
	LampsStuckOff
)

// A LampStep is how an enclosure answered its last scheduled switch.
type LampStep struct {
	On     bool    `json:"on"`     // switched on; false: off
	Step   float64 `json:"step"`   // °C against the room, signed
	Usual  float64 `json:"usual"`  // own median of such steps
	Judged bool    `json:"judged"` // Usual is known and large enough to tell
	Room   bool    `json:"room"`   // Step is free of the room's own movement
	Early  bool    `json:"early"`  // it was there before the switch already
	Light  Lamps   `json:"light"`  // by a light probe, where there is one
}

const (
	stepBefore  = 10 * time.Minute // mean taken before the switch
	stepFrom    = 75 * time.Minute // and from then after it
	stepTo      = 90 * time.Minute
	stepGap     = 20 * time.Minute // without readings ends what was begun
	stepsKept   = 14
	stepsFew    = 3
	stepLeast   = 0.6 // °C of a usual step below which noise decides
	stepClear   = 1.2 // °C from which own history alone decides
	stepMissing = 0.3 // of usual
	stepThere   = 0.55

	lightDark  = 2.0  // lux before anything is learned
	lightLit   = 80.0 // lux
	lightHold  = 10 * time.Minute
	lightAgain = 0.02 // weight of a reading in the learned levels
)

// meanOf is a running mean.
type meanOf struct {
	Mean float64 `json:"mean"`
	N    int     `json:"n"`
}

func (m *meanOf) add(x float64) {
	m.N++
	m.Mean += (x - m.Mean) / float64(m.N)
}

// stepRing keeps the last steps in one direction, and where they began.
type stepRing struct {
	Steps  [stepsKept]float64 `json:"steps"`
	N      uint32             `json:"n"`
	Starts [stepsKept]float64 `json:"starts"` // °C against the room
	Begun  uint32             `json:"begun"`  // how many starts there have been
}

func (r *stepRing) add(start, step float64) {
	r.Steps[r.N%stepsKept] = step
	r.N++
	r.Starts[r.Begun%stepsKept] = start
	r.Begun++
}

// early reports whether a step from start would begin where steps usually end: an
// enclosure that lost its lamps hours ago does not cool when they go off.
func (r *stepRing) early(start, usual float64) bool {
	n := min(r.Begun, stepsKept)
	if n < stepsFew {
		return false
	}
	var xs [stepsKept]float64
	copy(xs[:n], r.Starts[:n])
	return (start-median(xs[:n]))/usual >= stepThere
}

func (r *stepRing) usual() (float64, bool) {
	n := min(r.N, stepsKept)
	var xs [stepsKept]float64
	copy(xs[:n], r.Steps[:n])
	u := median(xs[:n])
	return u, n >= stepsFew && math.Abs(u) >= stepLeast
}

// LampWatch measures the thermal step at each scheduled switch. The zero
// value is ready.
type LampWatch struct {
	Started bool          `json:"started"`
	On      bool          `json:"on"`
	Switch  time.Duration `json:"switch"` // running time of the last switch
	Last    time.Duration `json:"last"`
	Waiting bool          `json:"waiting"` // for the step to show
	HasRoom bool          `json:"has_room"`
	// Two halves of the ten minutes before a switch: Recent is filled, Older
	// is the one before it.
	Recent, Older meanOf        `json:"-"`
	RecentFrom    time.Duration `json:"-"`
	Before        float64       `json:"before"` // °C against the room
	After         meanOf        `json:"after"`
	Ups           stepRing      `json:"ups"`
	Downs         stepRing      `json:"downs"`
	Result        LampStep      `json:"result"`
	Measured      bool          `json:"measured"`
	Light         lightWatch    `json:"light"`
}

// lightWatch learns how bright on and off are.
type lightWatch struct {
	LogOn   float64       `json:"log_on"` // ln lux
	LogOff  float64       `json:"log_off"`
	SeenOn  int           `json:"seen_on"`
	SeenOff int           `json:"seen_off"`
	State   Lamps         `json:"state"`
	Pending Lamps         `json:"pending"`
	Since   time.Duration `json:"since"`
}

// Observe takes one good reading; room is ignored unless hasRoom. It returns
// true when a step has just been measured, 90 minutes after the switch.
func (w *LampWatch) Observe(at time.Duration, celsius, room float64, hasRoom, lampsOn bool) bool {
	if !hasRoom {
		room = 0
	}
	value := celsius - room
	if !finite(value) || w.Started && at < w.Last {
		return false
	}
	if w.Started && (at-w.Last > stepGap || hasRoom != w.HasRoom) {
		// A step needs both sides measured against the same thing, and soon.
		w.Waiting, w.Recent, w.Older = false, meanOf{}, meanOf{}
	}
	if w.Started && lampsOn != w.On {
		w.beginStep(at)
	}
	w.Started, w.On, w.Last, w.HasRoom = true, lampsOn, at, hasRoom
	w.remember(at, value)
	return w.measure(at, value)
}

// remember keeps what the next switch is measured against.
func (w *LampWatch) remember(at time.Duration, value float64) {
	if w.Recent.N > 0 && at-w.RecentFrom >= stepBefore/2 {
		w.Older, w.Recent = w.Recent, meanOf{}
	}
	if w.Recent.N == 0 {
		w.RecentFrom = at
	}
	w.Recent.add(value)
}

// beginStep waits for a step only where something is known from before it.
func (w *LampWatch) beginStep(at time.Duration) {
	n := w.Recent.N + w.Older.N
	w.Switch, w.After = at, meanOf{}
	w.Waiting = n > 0
	if n > 0 {
		w.Before = (w.Recent.Mean*float64(w.Recent.N) + w.Older.Mean*float64(w.Older.N)) / float64(n)
	}
}

func (w *LampWatch) measure(at time.Duration, value float64) bool {
	if !w.Waiting || at-w.Switch < stepFrom {
		return false
	}
	if at-w.Switch <= stepTo {
		w.After.add(value)
		return false
	}
	w.Waiting = false
	if w.After.N == 0 {
		return false
	}
	ring := &w.Downs
	if w.On {
		ring = &w.Ups
	}
	usual, ok := ring.usual()
	step := w.After.Mean - w.Before
	w.Result = LampStep{On: w.On, Step: step, Usual: usual, Judged: ok, Room: w.HasRoom, Early: ok && w.HasRoom && ring.early(w.Before, usual), Light: w.Light.State}
	w.Measured = true
	// A step that is missing must not become usual.
	if !ok || step/usual >= stepMissing {
		ring.add(w.Before, step)
	}
	return true
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
		l.State = lit
	}
	w.Result.Light = l.State
	// Learn only where light and schedule agree.
	if lampsOn && lit == LampsOn {
		learn(&l.LogOn, &l.SeenOn, x)
	} else if !lampsOn && lit == LampsOff {
		learn(&l.LogOff, &l.SeenOff, x)
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

// Step returns the last measured step with the present light.
func (w *LampWatch) Step() (LampStep, bool) { return w.Result, w.Measured }

// JudgeLamps decides for one enclosure whether its lamps answered their last
// switch; peers are the steps of others, of which those in the same direction
// count. A light probe decides alone. Otherwise the step must be missing, not only
// have come before its time, and either peers had theirs or the own step is usually
// too clear to be lost.
func JudgeLamps(own LampStep, peers []LampStep) LampVerdict {
	stuck := LampsStuckOn
	if own.On {
		stuck = LampsStuckOff
	}
	if own.Light != LampsUnknown {
		if (own.Light == LampsOn) == own.On {
			return LampsAsScheduled
		}
		return stuck
	}
	if !own.Judged || own.Early {
		return LampsUnjudged
	}
	share := own.Step / own.Usual
	switch {
	case share >= stepThere:
		return LampsAsScheduled
	case share > stepMissing:
		return LampsUnjudged
	}
	if mostStepped(peers, own.On) || own.Room && math.Abs(own.Usual) >= stepClear {
		return stuck
	}
	return LampsUnjudged
}

// mostStepped reports whether most of the steps in one direction were there.
func mostStepped(steps []LampStep, on bool) bool {
	there, judged := 0, 0
	for _, s := range steps {
		if s.On == on && s.Judged {
			judged++
			if s.Step/s.Usual >= stepThere {
				there++
			}
		}
	}
	return 2*there > judged
}
