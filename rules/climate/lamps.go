package climate

import (
	"math"
	"time"
)

// The figures of the lamps' judge. Those without a source are this project's own,
// tuned on the tuned half of rules/corpus.
const (
	lampBins    = 9                // that a course is followed for: most of a step shows in 90 min
	lampWindow  = 4                // bins over which an unscheduled step is looked for
	lampSettled = 11               // bins after a switch from which one is
	lampGap     = 20 * time.Minute // without readings ends what was begun
	// LampHint is the evidence from which an enclosure may be counted for others.
	LampHint = 3.0

	lightDark  = 2.0  // lux before anything is learned
	lightLit   = 80.0 // lux
	lightHold  = 10 * time.Minute
	lightAgain = 0.02 // weight of a reading in the learned levels
)

// lampScale is in °C against the room, which is beside.
var lampScale = courseScale{noise: 0.25, beside: 0.25, habit: 0.3, bare: 0.15, tail: 0.5}

// A LampSign is the evidence, in natural logarithms of odds, that lamps do not
// follow their schedule. Negative is evidence that they do.
type LampSign struct {
	Missing float64 `json:"missing"` // that the last switch did not come: the less of the last two looks
	Looks   int     `json:"looks"`   // at the last switch; 0 for none
	Moved   float64 `json:"moved"`   // that they switched without the schedule
	Warms   bool    `json:"warms"`   // the lamps' warmth is known and clear
}

// A LampFault is in which way lamps did not follow their schedule.
type LampFault uint8

// The faults of lamps.
const (
	LampsFollow LampFault = iota
	LampsNotOff
	LampsNotOn
	LampsOffEarly
	LampsOnEarly
)

// Dark reports whether the lamps were off where they should have been on.
func (f LampFault) Dark() bool { return f == LampsNotOn || f == LampsOffEarly }

// LampWatch holds the temperature after each scheduled switch against the days
// before, and looks for steps between them. The zero value is ready.
type LampWatch struct {
	Started bool                     `json:"started"`
	On      bool                     `json:"on"`
	Begun   bool                     `json:"begun"`  // a switch was seen, and what was before it
	Switch  time.Duration            `json:"switch"` // running time of it, or of the start
	Last    time.Duration            `json:"last"`
	HasRoom bool                     `json:"has_room"`
	Follow  filter                   `json:"follow"` // the room as an enclosure follows it
	Slot    int64                    `json:"slot"`   // of Open
	Open    pairMean                 `json:"open"`
	Past    [lampWindow + 1]pairMean `json:"past"`
	Before  pairMean                 `json:"base"`       // before the switch
	After   pairMean                 `json:"after_open"` // open bin of the course
	Now     [lampBins]pairMean       `json:"now"`        // course under way
	Next    int                      `json:"next"`       // bin of it
	Course  [2]usualCourse           `json:"course"`     // of switching off, and on
	Wander  float64                  `json:"wander"`     // °C², between switches
	Seen    float64                  `json:"seen"`
	Wrong   bool                     `json:"wrong"` // they are the other way round than scheduled
	Early   bool                     `json:"early"` // and were so before the last switch
	Sign    LampSign                 `json:"sign"`
	Fault   LampFault                `json:"fault"` // as it was told last
	Light   lightWatch               `json:"light"`
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

// Observe takes one good reading; room is ignored unless hasRoom.
func (w *LampWatch) Observe(at time.Duration, celsius, room float64, hasRoom, lampsOn bool) {
	if !hasRoom {
		room = 0
	}
	if !finite(celsius-room) || w.Started && at < w.Last {
		return
	}
	if !w.Started || at-w.Last > lampGap || hasRoom != w.HasRoom || uint(w.Next) > lampBins {
		w.begin(at, room)
	}
	h := (at - w.Last).Hours()
	w.Follow.step(room, -math.Expm1(-h/priorFast), -math.Expm1(-h/priorSlow))
	if w.Started && lampsOn != w.On {
		w.switched(at)
	}
	w.Started, w.On, w.Last, w.HasRoom = true, lampsOn, at, hasRoom
	air := celsius - w.Around()
	if n := int64(at / courseBin); n != w.Slot {
		w.closeSlot(n)
	}
	w.Open.add(air, room)
	if w.Begun {
		w.follow(at, air, room)
	}
}

// Around is the room's temperature in °C as an enclosure follows it, late.
func (w *LampWatch) Around() float64 {
	return priorFastPart*w.Follow.Fast + (1-priorFastPart)*w.Follow.Slow
}

// begin forgets what a step would be measured from.
func (w *LampWatch) begin(at time.Duration, room float64) {
	if !w.Started || hasGap(w.Last, at) || !w.HasRoom {
		w.Follow = filter{room, room}
	}
	w.Begun, w.Switch, w.Last, w.Slot, w.Next = false, at, at, int64(at/courseBin), 0
	w.Open, w.Past, w.Sign.Missing, w.Sign.Looks, w.Sign.Moved = pairMean{}, [lampWindow + 1]pairMean{}, 0, 0, 0
}

// hasGap reports whether the room is not known to be what it was.
func hasGap(last, at time.Duration) bool { return at-last > 2*time.Hour }

// switched begins a course where something is known from before it. Lamps that
// were the other way round are now as they should be.
func (w *LampWatch) switched(at time.Duration) {
	b, o := &w.Past[0], &w.Open
	n := b.N + o.N
	w.Begun, w.Switch, w.Next, w.After, w.Now = n > 0, at, 0, pairMean{}, [lampBins]pairMean{}
	w.Early, w.Wrong = w.Wrong, false
	w.Sign.Missing, w.Sign.Looks, w.Sign.Moved = 0, 0, 0
	if n > 0 {
		w.Before = pairMean{Value: (b.Value*b.N + o.Value*o.N) / n, Beside: (b.Beside*b.N + o.Beside*o.N) / n, N: n}
	}
}

// IsWrong notes that the lamps are the other way round than scheduled. What spoke
// for it is used up.
func (w *LampWatch) IsWrong() {
	w.Wrong = true
	w.Sign.Missing, w.Sign.Looks, w.Sign.Moved = 0, 0, 0
}

func (w *LampWatch) course(on bool) *usualCourse {
	if on {
		return &w.Course[1]
	}
	return &w.Course[0]
}

// follow goes on with the course after a switch.
func (w *LampWatch) follow(at time.Duration, air, room float64) {
	for at-w.Switch >= time.Duration(w.Next+1)*courseBin && w.Next < lampBins {
		w.closeCourse()
	}
	if w.Next < lampBins {
		w.After.add(air, room)
	}
}

func (w *LampWatch) closeCourse() {
	k, m, s := w.Next, w.After, &w.Sign
	w.Now[k], w.After = m, pairMean{}
	w.Next++
	if m.N > 0 {
		is := w.course(w.On).missing(k, m.Value-w.Before.Value, m.Beside-w.Before.Beside, lampScale)
		was := s.Missing
		if s.Looks > 0 && k > 0 && w.Now[k-1].N > 0 {
			before := w.Now[k-1]
			was = w.course(w.On).missing(k-1, before.Value-w.Before.Value, before.Beside-w.Before.Beside, lampScale)
		}
		s.Missing, s.Looks = min(is, was), s.Looks+1
		if is < 0 {
			s.Missing = is
		}
	}
	if w.Next == lampBins && !w.Wrong && !w.Early && s.Missing < LampHint {
		w.learn()
	}
}

// learn takes a day as usual. A step that is missing must not become so.
func (w *LampWatch) learn() {
	c := w.course(w.On)
	for k, m := range w.Now {
		if m.N > 0 {
			c.learn(k, m.Value-w.Before.Value, m.Beside-w.Before.Beside)
		}
	}
}

// closeSlot looks for a step between the switches: away from the schedule, or back
// to it.
func (w *LampWatch) closeSlot(next int64) {
	copy(w.Past[1:], w.Past[:])
	w.Past[0] = w.Open
	if next > w.Slot+1 {
		w.Past[0] = pairMean{}
	}
	w.Slot, w.Open = next, pairMean{}
	to := w.course(w.On == w.Wrong)
	usual := float64(to.Mean[lampWindow-1])
	w.Sign.Moved, w.Sign.Warms = 0, to.known(lampWindow-1) && math.Abs(usual) >= 2*lampScale.noise
	now, was := w.Past[0], w.Past[lampWindow]
	if now.N == 0 || was.N == 0 || !w.HasRoom || w.Last-w.Switch < lampSettled*courseBin {
		return
	}
	moved, room := now.Value-was.Value, lampScale.beside*(now.Beside-was.Beside)
	v := (20*lampScale.noise*lampScale.noise+w.Seen*w.Wander)/(20+w.Seen) + room*room
	if w.Sign.Warms && (moved*usual > 0 || moved*moved < v) {
		w.Sign.Moved = logNormal(moved-usual, v+lampScale.habit*lampScale.habit*usual*usual) - logTailed(moved, v, lampScale.tail)
	}
	if w.Sign.Moved <= 0 {
		w.Seen = min(w.Seen+1, 500)
		w.Wander += (moved*moved - w.Wander) / w.Seen
	}
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
