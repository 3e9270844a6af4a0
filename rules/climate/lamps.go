package climate

import (
	"math"
	"time"
)

// The figures of the lamps' judge. Those without a source are this project's own,
// tuned on the tuned half of rules/corpus.
const (
	lampBins    = 9                // that a course is followed for: most of a step shows in 90 min
	rampBin     = lampBins         // of a course: what came before the switch, as lamps dim
	lampWindow  = 4                // bins over which an unscheduled step is looked for
	lampBack    = 2 * lampWindow   // bins that are kept: without the room's probe what comes after it counts too
	lampSettled = 11               // bins after a switch from which one is
	lampGap     = 20 * time.Minute // without readings ends what was begun
	lampDrawn   = 0.7              // h in which a room that left its enclosures behind is forgotten
	lampSeen    = -3.0             // evidence of two looks in a row that they did switch
	lampRamp    = 0.15             // °C within lampWindow bins before a switch: they dim
	lampAway    = 2.8              // °C of a room's move that is feared for each that one is from where it just was
	lampBare    = 1.0              // °C of a room's move in lampWindow bins, one look in thirty, where it has no probe
	// LampHint is the evidence from which an enclosure may be counted for others.
	LampHint = 3.0
)

// lampScale is in °C against the room, which is beside.
var lampScale = courseScale{noise: 0.25, beside: 0.25, habit: 0.3, bare: 0.15, tail: 0.5}

// A LampSign is the evidence, in natural logarithms of odds, that lamps do not
// follow their schedule. Negative is evidence that they do.
type LampSign struct {
	Missing float64 `json:"missing"`          // that the last switch did not come: the less of the last two looks
	Carried float64 `json:"carried"`          // that those before it did not
	Looks   int     `json:"looks"`            // at the last switch; 0 for none
	Moved   float64 `json:"moved"`            // that they switched without the schedule
	Before  float64 `json:"before,omitempty"` // the same ten minutes earlier, where the room has no probe
	Known   bool    `json:"known"`            // how the enclosure moves at this time of other days
	Warms   bool    `json:"warms"`            // the lamps' warmth is known and clear
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
	Started bool                   `json:"started"`
	On      bool                   `json:"on"`
	Switch  time.Duration          `json:"switch"` // running time of the last switch, or of the start
	Last    time.Duration          `json:"last"`
	HasRoom bool                   `json:"has_room"`
	Follow  filter                 `json:"follow"` // the room as an enclosure follows it
	Drawn   float64                `json:"drawn"`  // °C, how far from the room that was lately
	Slot    int64                  `json:"slot"`   // of Open
	Open    pairMean               `json:"open"`
	Past    [lampBack + 1]pairMean `json:"past"`
	Since   lampCourse             `json:"since"`
	Course  [2]usualCourse         `json:"course"`         // of switching off, and on
	Ramp    [2]float64             `json:"ramp"`           // °C before switching off, and on
	Level   [2]meanOf              `json:"level"`          // °C then, of two days; without the room's alone
	Wander  float64                `json:"wander"`         // °C², between switches
	Steps   [2]usualSteps          `json:"steps,omitzero"` // with the lamps off, and on
	Seen    float64                `json:"seen"`
	Wrong   bool                   `json:"wrong"` // they are the other way round than scheduled
	Early   bool                   `json:"early"` // and were so before the last switch
	Sign    LampSign               `json:"sign"`
	Fault   LampFault              `json:"fault"`              // as it was told last
	OffHour time.Duration          `json:"off_hour,omitempty"` // when they last switched without the schedule
	Light   lightWatch             `json:"light"`

	stride lampStride // the last, as nearly all take as long
}

// A lampStride is how far Follow goes and Drawn fades from one reading to the next.
type lampStride struct {
	after            time.Duration
	fast, slow, fade float64
}

// A lampCourse is what went on since the last switch.
type lampCourse struct {
	Begun  bool               `json:"begun"` // a switch was seen, and what was before it
	Before pairMean           `json:"before"`
	Away   float64            `json:"away"`          // °C of it from the days before, where the room's is not known
	Ramp   pairMean           `json:"ramp,omitzero"` // by how much it moved in the last lampBack bins before
	Open   pairMean           `json:"open"`          // bin of it
	Bins   [lampBins]pairMean `json:"bins"`
	Next   int                `json:"next"` // bin
	Seen   bool               `json:"seen"` // that the lamps switched: what follows is something else's
}

const (
	stepSlot   = 20 * time.Minute
	stepSlots  = 48  // after a switch: no phase of a day is much longer
	stepFew    = 6   // looks, two a day
	stepUnlike = 0.6 // of what it moved, beside what is usual then
)

// usualSteps is by how much an enclosure usually moves beside the room within lampWindow
// bins, so long after a switch: lamps may have a rest that nobody wrote down, and a window
// or the sun their hour.
type usualSteps struct {
	Mean [stepSlots]float32 `json:"mean"` // °C
	N    [stepSlots]uint8   `json:"n"`    // looks
}

// stepsAt is where the steps of now stand; false where no switch was seen.
func (w *LampWatch) stepsAt() (u *usualSteps, k int, ok bool) {
	k = int((w.Last - w.Switch) / stepSlot)
	return &w.Steps[index(w.On)], k, w.Since.Begun && uint(k) < stepSlots
}

// learnStep takes how far the enclosure moved as usual at this time.
func (w *LampWatch) learnStep() {
	if u, k, ok := w.stepsAt(); ok {
		u.N[k] = min(u.N[k], 2*courseDays-1) + 1 // a state from elsewhere may say anything
		u.Mean[k] += (float32(w.Moved()) - u.Mean[k]) / float32(u.N[k])
	}
}

// habitual reports whether an enclosure moves as it does each day so long after a switch,
// a slot sooner or later, since the sun and its timers wander; known is false on the first
// days.
func (w *LampWatch) habitual() (is, known bool) {
	u, at, ok := w.stepsAt()
	moved := w.Moved()
	if !ok || u.N[at] < stepFew {
		return false, false
	}
	for k := max(at-1, 0); k <= min(at+1, stepSlots-1); k++ {
		if (moved-float64(u.Mean[k]))*moved < stepUnlike*moved*moved {
			return true, true
		}
	}
	return false, true
}

// Observe takes one good reading; room is ignored unless hasRoom.
func (w *LampWatch) Observe(at time.Duration, celsius, room float64, hasRoom, lampsOn bool) {
	if !hasRoom {
		room = 0
	}
	if !finite(celsius-room) || w.Started && w.ignores(at, hasRoom) {
		return
	}
	if !w.Started || at-w.Last > lampGap || hasRoom != w.HasRoom || uint(w.Since.Next) > lampBins {
		w.begin(at, room)
	}
	if after := at - w.Last; after != w.stride.after || after == 0 {
		h := after.Hours()
		w.stride = lampStride{after, -math.Expm1(-h / priorFast), -math.Expm1(-h / priorSlow), math.Exp(-h / lampDrawn)}
	}
	w.Follow.step(room, w.stride.fast, w.stride.slow)
	w.Drawn = max(w.Drawn*w.stride.fade, math.Abs(w.Around()-room))
	if w.Started && lampsOn != w.On {
		w.switched(at)
	}
	w.Started, w.On, w.Last, w.HasRoom = true, lampsOn, at, hasRoom
	air := celsius - w.Around()
	if n := int64(at / courseBin); n != w.Slot {
		w.closeSlot(n)
	}
	w.Open.add(air, room)
	if w.Since.Begun {
		w.follow(at, air, room)
	}
}

// ignores reports whether a reading is older than the last, or in a while for which the
// room's probe is lost, which says nothing.
func (w *LampWatch) ignores(at time.Duration, hasRoom bool) bool {
	return at < w.Last || w.HasRoom && !hasRoom && at-w.Last <= lampGap
}

// Around is the room's temperature in °C as an enclosure follows it, late.
func (w *LampWatch) Around() float64 {
	return priorFastPart*w.Follow.Fast + (1-priorFastPart)*w.Follow.Slow
}

// begin forgets what a step would be measured from.
func (w *LampWatch) begin(at time.Duration, room float64) {
	if !w.Started || hasGap(w.Last, at) || !w.HasRoom {
		w.Follow, w.Drawn = filter{room, room}, 0
	}
	w.Switch, w.Last, w.Slot, w.Since = at, at, int64(at/courseBin), lampCourse{}
	w.Open, w.Past, w.Sign = pairMean{}, [lampBack + 1]pairMean{}, LampSign{Warms: w.Sign.Warms}
}

// hasGap reports whether the room is not known to be what it was.
func hasGap(last, at time.Duration) bool { return at-last > 2*time.Hour }

// switched begins a course where something is known from before it. Lamps that
// were the other way round are now as they should be.
func (w *LampWatch) switched(at time.Duration) {
	b, o := &w.Past[0], &w.Open
	n := b.N + o.N
	w.Switch, w.Since = at, lampCourse{Begun: n > 0}
	w.Sign = LampSign{Warms: w.Sign.Warms, Carried: max(0, w.Sign.Carried+w.Sign.Missing)}
	if n > 0 {
		before := pairMean{Value: (b.Value*b.N + o.Value*o.N) / n, Beside: (b.Beside*b.N + o.Beside*o.N) / n, N: n}
		if was := w.Past[lampWindow-1]; was.N > 0 && !w.Wrong {
			r := &w.Ramp[index(!w.On)]
			*r += (before.Value - was.Value - *r) / 2
		}
		if was := w.Past[lampBack]; was.N > 0 && !w.Wrong {
			w.Since.Ramp = pairMean{before.Value - was.Value, before.Beside - was.Beside, 1}
		}
		w.Since.Before, w.Since.Away = before, w.awayFrom(before.Value)
	}
	w.Early, w.Wrong = w.Wrong, false
}

// awayFrom is how far a temperature just before a switch is from that of the last two days,
// in °C, and takes it. Where nobody knows the room's, it alone tells that the room failed
// since, or is on its way back; a week ago it may have been another season.
func (w *LampWatch) awayFrom(celsius float64) (away float64) {
	if w.HasRoom {
		return 0
	}
	l := &w.Level[index(!w.On)]
	if l.N > 0 {
		away = celsius - l.Mean
	}
	l.N = max(0, min(l.N, 1))
	l.add(celsius)
	return away
}

// Ramps reports whether the lamps are on their way, as it seems, before they next
// switch by schedule.
func (w *LampWatch) Ramps() bool {
	if w.On {
		return w.Ramp[0] <= -lampRamp
	}
	return w.Ramp[1] >= lampRamp
}

// Gain is what the lamps were seen to add within an hour and a half, in °C; false until
// they were seen to switch on some days.
func (w *LampWatch) Gain() (celsius float64, known bool) {
	off, on := &w.Course[0], &w.Course[1]
	const k = lampBins - 1
	return max(-float64(off.Mean[k]), float64(on.Mean[k])), off.known(k) || on.known(k)
}

// Step is what lamps that switch without the schedule make of the temperature, in °C.
func (w *LampWatch) Step() float64 {
	return float64(w.Course[index(w.On == w.Wrong)].Mean[lampWindow-1])
}

// step is where the forty minutes begin and end in which a step is looked for. Without the
// room's probe what came after them counts too.
func (w *LampWatch) step() (was, now *pairMean) {
	if w.HasRoom {
		return &w.Past[lampWindow], &w.Past[0]
	}
	return &w.Past[lampBack], &w.Past[lampWindow]
}

// Moved is by how much the temperature moved beside the room in those minutes.
func (w *LampWatch) Moved() float64 {
	was, now := w.step()
	return now.Value - was.Value
}

func index(on bool) int {
	if on {
		return 1
	}
	return 0
}

// IsWrong notes that the lamps are the other way round than scheduled. What spoke
// for it is used up.
func (w *LampWatch) IsWrong() {
	w.Wrong, w.Sign = true, LampSign{Warms: w.Sign.Warms}
}

// Switched notes that the lamps were seen to switch as scheduled.
func (w *LampWatch) Switched() { w.Since.Seen = true }

// Unlearn forgets what the lamps usually make of the temperature.
func (w *LampWatch) Unlearn() { w.Course, w.Sign = [2]usualCourse{}, LampSign{} }

// follow goes on with the course after a switch.
func (w *LampWatch) follow(at time.Duration, air, room float64) {
	c := &w.Since
	for at-w.Switch >= time.Duration(c.Next+1)*courseBin && c.Next < lampBins {
		w.closeCourse()
	}
	if c.Next < lampBins {
		c.Open.add(air, room)
	}
}

func (w *LampWatch) closeCourse() {
	c, usual := &w.Since, &w.Course[index(w.On)]
	c.Bins[c.Next], c.Open = c.Open, pairMean{}
	c.Next++
	hidden := !w.dims() && math.Abs(c.Away) >= math.Abs(float64(usual.Mean[lampBins-1])) && c.Away != 0
	if !hidden {
		w.look(c.Next-1, usual)
	}
	if c.Next < lampBins || w.Wrong || w.Early || hidden || w.Sign.Missing >= LampHint {
		return
	}
	if c.Ramp.N > 0 {
		usual.learn(rampBin, c.Ramp.Value, c.Ramp.Beside)
	}
	for k, m := range c.Bins { // a day as usual; a step that is missing must not become so
		if m.N > 0 {
			usual.learn(k, m.Value-c.Before.Value, m.Beside-c.Before.Beside)
		}
	}
}

// dims reports whether much of what the lamps make usually comes before they last went off.
// None rise before they are to come on: what warms then is the room.
func (w *LampWatch) dims() bool {
	usual := &w.Course[0]
	return !w.On && w.Since.Ramp.N > 0 && usual.known(rampBin) && usual.Mean[rampBin] <= -2*lampRamp && usual.Mean[lampBins-1] < 0
}

// Lacks is by how much the temperature did not follow the last switch so far, and what the
// switch makes of it by then, with what comes before, in °C.
func (w *LampWatch) Lacks() (lacks, step float64, known bool) {
	c, usual, k := &w.Since, &w.Course[index(w.On)], w.Since.Next-1
	if k < 0 || c.Bins[k].N == 0 || !usual.known(k) {
		return 0, 0, false
	}
	is := c.Bins[k].Value - c.Before.Value
	step = float64(usual.Mean[k])
	if w.dims() {
		is, step = is+c.Ramp.Value, step+float64(usual.Mean[rampBin])
	}
	return is - step, step, true
}

// look weighs bin k after a switch: whether the lamps followed it.
func (w *LampWatch) look(k int, usual *usualCourse) {
	c, s := &w.Since, &w.Sign
	if c.Bins[k].N == 0 {
		return
	}
	away, dims := c.Away, 0.0
	if w.dims() { // what they did not dim by tells as well, and is no move of the room's
		dims = max(0, usual.missing(rampBin, c.Ramp.Value, c.Ramp.Beside, lampScale))
		if away != 0 {
			away -= c.Ramp.Value - float64(usual.Mean[rampBin])
		}
	}
	missing := func(k int) float64 {
		m := c.Bins[k]
		return dims + usual.missing(k, m.Value-c.Before.Value, m.Beside-c.Before.Beside+lampAway*away, lampScale)
	}
	is, was := missing(k), s.Missing
	if s.Looks > 0 && k > 0 && c.Bins[k-1].N > 0 {
		was = missing(k - 1)
	}
	s.Missing, s.Looks = min(is, was), s.Looks+1
	if is < 0 {
		s.Missing = is
	}
	if c.Seen = c.Seen || s.Looks > 1 && max(is, was) <= lampSeen; c.Seen {
		s.Missing = min(s.Missing, 0)
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
	to, usual := &w.Course[index(w.On == w.Wrong)], w.Step()
	earlier := w.Sign.Before
	w.Sign.Before, w.Sign.Moved, w.Sign.Warms = 0, 0, to.known(lampWindow-1) && math.Abs(usual) >= 2*lampScale.noise
	was, now := w.step()
	if now.N*was.N*w.Past[0].N == 0 || w.Last-w.Switch < lampSettled*courseBin {
		return
	}
	// How fast an enclosure follows is known no better than a part of what draws it.
	moved, room := w.Moved(), lampScale.beside*max(math.Abs(now.Beside-was.Beside), w.Drawn)
	v := (20*lampScale.noise*lampScale.noise+w.Seen*w.Wander)/(20+w.Seen) + room*room
	switch {
	case !w.Sign.Warms:
	case !w.HasRoom:
		w.Sign.Before = w.movedBare(to, v)
		w.Sign.Moved = min(w.Sign.Before, earlier) // what fits for one look alone is no step
	case moved*usual > 0 || moved*moved < v:
		w.Sign.Moved = logNormal(moved-usual, v+lampScale.habit*lampScale.habit*usual*usual) - logTailed(moved, v, lampScale.tail)
	}
	if w.Sign.Moved <= 0 {
		w.Seen = min(w.Seen+1, 500)
		w.Wander += (moved*moved - w.Wander) / w.Seen
	}
	if !w.Wrong {
		is := false
		if is, w.Sign.Known = w.habitual(); is {
			w.Sign.Moved, w.Sign.Before = min(w.Sign.Moved, 0), min(w.Sign.Before, 0)
		}
		w.learnStep()
	}
}

// movedBare is the evidence for a step where nobody knows the room: of its first part, and
// of what came after it. Lamps move the air most at once and keep it there; what the room
// makes of it goes on as fast, comes back, or stays. v is the variance of no step.
func (w *LampWatch) movedBare(to *usualCourse, v float64) float64 {
	if !to.known(lampBack-1) || w.Last-w.Switch < (lampSettled+lampWindow)*courseBin {
		return 0
	}
	first, then := w.Moved(), w.Past[0].Value-w.Past[lampWindow].Value
	usual := float64(to.Mean[lampWindow-1])
	rest := float64(to.Mean[lampBack-1]) - usual
	if first*usual <= 0 {
		return 0
	}
	step := func(moved, usual float64) float64 {
		return logNormal(moved-usual, v+lampScale.habit*lampScale.habit*usual*usual)
	}
	stays := max(logTailed(then, v, lampBare), logTailed(then-first, v, lampBare))
	return step(first, usual) + step(then, rest) - logTailed(first, v, lampBare) - stays
}
