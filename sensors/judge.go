package sensors

import (
	"sync/atomic"
	"time"
)

// Limits of what a single probe's past makes plausible. A source stands beside
// each figure that has one.
const (
	// DefaultFrozenAfter is how long a probe may show one and the same value.
	DefaultFrozenAfter = 6 * time.Hour

	pinnedAt    CentiPercent = 9950 // %RH, with pinnedFor and pinnedMove: common practice
	pinnedFor                = 2 * time.Hour
	pinnedMove  CentiCelsius = 50
	longestLink              = 5 * time.Minute // a longer silence adds nothing to a duration
)

// A Judge turns the samples of one probe into readings: quality from what the probe can
// measure and from its own past, the correction in force, and the uncertainty. Read,
// Ageing and Resume belong to one goroutine; the other methods may be called from any.
//
// A reading is Bad after a driver's fault, outside the family's range, for a frame of
// zeros and for a power-on value. It is Suspect, with its values, after a jump, when
// frozen, pinned wet or doubted by its driver. An impossible humidity beside a sound
// temperature is left out of a Suspect reading: it must not hide a hot enclosure.
type Judge struct {
	id          ProbeID
	limits      Limits
	corrections atomic.Pointer[ownCorrections]
	frozenAfter atomic.Int64

	ageing      Ageing
	temperature level
	humidity    level
	last        Sample        // the last one that was no fault
	seen        bool          // whether there was one
	jumped      bool          // whether it was a jump
	lastMono    time.Duration // its running time
	still       time.Duration // how long last has not changed
	wet         wetSpell
}

// NewJudge returns a judge for a probe within the limits of its family; none
// are WidestLimits.
func NewJudge(id ProbeID, l Limits) *Judge {
	if l == (Limits{}) {
		l = WidestLimits()
	}
	j := &Judge{id: id, limits: l}
	j.FreezeAfter(DefaultFrozenAfter)
	return j
}

// Correct puts a set of corrections in force; nil for none.
func (j *Judge) Correct(c *Corrections) { j.corrections.Store(c.of(j.id)) }

// FreezeAfter sets how long one and the same value is believed. Families with
// coarse steps are given a multiple of it; zero turns the check off.
func (j *Judge) FreezeAfter(d time.Duration) { j.frozenAfter.Store(int64(d)) }

// Ageing returns what the probe went through so far.
func (j *Judge) Ageing() Ageing { return j.ageing }

// Resume goes on from what an earlier run remembered.
func (j *Judge) Resume(a Ageing) { j.ageing = a }

// Read judges one sample or the error that came instead. A Bad reading keeps the raw
// sample and has no values, a Suspect one has values and the doubt as Reason.
func (j *Judge) Read(at Instant, s Sample, err error) (r Reading) {
	j.ReadTo(&r, at, s, err)
	return r
}

// ReadTo is Read into a reading of the caller's.
func (j *Judge) ReadTo(r *Reading, at Instant, s Sample, err error) {
	given, again := s.Doubt, s.Again
	s.Doubt, s.Again = NoReason, false
	*r = Reading{}
	r.Probe, r.At, r.Raw, r.Reason, r.Again = j.id, at, s, ReasonOf(err), again
	if r.Reason == NoReason {
		r.Reason = j.fault(at.Mono, &s)
	}
	if r.Reason != NoReason {
		return
	}
	if s.Has&HasHumidity != 0 && !j.humidityPossible(&s) {
		s.Has &^= HasHumidity
		s.Humidity = 0
		r.Reason = OutOfRange
	}
	doubt := j.doubt(at.Mono, &s, again)
	switch {
	case given != NoReason: // a doubt about all values outranks one about some
		r.Reason = given
	case r.Reason == NoReason:
		r.Reason = doubt
	}
	j.fill(r, &s)
	r.Quality = Good
	if r.Reason != NoReason {
		r.Quality = Suspect
	}
}

// fault finds what makes a sample no measurement at all.
func (j *Judge) fault(mono time.Duration, s *Sample) Reason {
	f := &j.limits
	switch {
	case s.Has&(HasTemperature|HasHumidity|HasLight) == 0:
		return Malformed
	case f.allZero(s):
		return AllZero
	case s.Has&HasLight != 0 && s.LightLux > f.Brightest:
		return OutOfRange
	case s.Has&HasTemperature == 0:
		if s.Has&HasHumidity != 0 && !j.humidityPossible(s) {
			return OutOfRange
		}
		return NoReason
	case s.Temperature < f.Coldest || s.Temperature > f.Hottest:
		return OutOfRange
	case f.PowerOn != 0 && s.Temperature == f.PowerOn && j.temperature.far(mono, int32(s.Temperature), &warmJump):
		return PowerOnValue
	}
	return NoReason
}

func (j *Judge) humidityPossible(s *Sample) bool {
	return s.Humidity >= driest && s.Humidity <= j.limits.Wettest
}

// doubt brings the judge's memory up to date and names the first doubt. A
// measurement that is there again jumps as it did when it came.
func (j *Judge) doubt(mono time.Duration, s *Sample, again bool) Reason {
	var link time.Duration
	if j.seen {
		link = mono - j.lastMono
	}
	if link < 0 || link > longestLink {
		link = 0
	}
	if !again || !j.seen {
		j.jumped = j.jumps(mono, s)
	}
	if s.Has&HasHumidity != 0 {
		j.ageing.Observe(mono, s.Humidity)
	}
	frozen := j.frozen(s, link)
	pinned := j.wet.pinned(s, link)
	j.last, j.lastMono, j.seen = *s, mono, true
	switch {
	case j.jumped:
		return Jump
	case frozen:
		return FrozenValue
	case pinned:
		return PinnedWet
	}
	return NoReason
}

// jumps takes a new measurement in and reports whether either quantity jumped.
func (j *Judge) jumps(mono time.Duration, s *Sample) bool {
	jumped := s.Has&HasTemperature != 0 && j.temperature.jumps(mono, int32(s.Temperature), &warmJump)
	return s.Has&HasHumidity != 0 && j.humidity.jumps(mono, int32(s.Humidity), &dryJump) || jumped
}

// frozen counts for how long nothing changed.
func (j *Judge) frozen(s *Sample, link time.Duration) bool {
	if *s != j.last {
		j.still = 0
		return false
	}
	j.still += link
	after := time.Duration(j.frozenAfter.Load()) * time.Duration(j.limits.Coarse)
	return after > 0 && j.still >= after
}

func (j *Judge) fill(r *Reading, s *Sample) {
	var applied Applied
	if c := j.corrections.Load(); c != nil {
		applied = c.now(r.At)
	}
	r.Has = s.Has & (HasTemperature | HasHumidity | HasLight)
	if r.Has&HasLight != 0 {
		r.LightLux = s.LightLux
	}
	t, h := applied.Apply(*s)
	stated := j.limits.Accuracy.state(h, applied, j.ageing, r.At.Wall)
	if r.Has&HasTemperature != 0 {
		r.Temperature = t
		r.Uncertainty.Temperature = stated.Temperature
	}
	if r.Has&HasHumidity != 0 {
		r.Humidity = h
		r.Uncertainty.HumidityBelow = stated.HumidityBelow
		r.Uncertainty.HumidityAbove = stated.HumidityAbove
	}
}

// A step is how far a quantity may move between two samples: start up to near
// apart, then growing with the gap up to most. Common practice, no source.
type step struct {
	start   int32 // hundredths
	perMin  int32 // hundredths for each further minute
	most    int32 // hundredths
	within  int32 // samples so near the one before, up to near apart, go on with a new level
	falling bool  // whether only a fall is implausible
}

// near is the gap up to which a step's start holds.
const near = 90 * time.Second

// settled is how many samples make a new level, the first one included.
const settled = 3

var (
	// warmJump: air in an enclosure moves by degrees in minutes. A power-on
	// value is never excused by a long gap, hence the most of 15 °C.
	warmJump = step{start: 300, perMin: 20, most: 1500, within: 50}
	// dryJump: misting lifts the humidity by 20 points and more in a minute,
	// so a rise proves nothing; air cannot dry that fast.
	dryJump = step{start: 2500, perMin: 750, most: 10000, within: 1000, falling: true}
)

// limit returns how far the quantity may move across a gap.
func (s *step) limit(gap time.Duration) int32 {
	if gap <= near {
		return s.start
	}
	more := (gap - near).Minutes() * float64(s.perMin)
	if more >= float64(s.most-s.start) {
		return s.most
	}
	return s.start + int32(more)
}

// A level is the last accepted value of a quantity and, after a jump, the
// claim of a new one.
type level struct {
	set   bool
	value int32
	mono  time.Duration
	claim int32         // the newest of it
	since time.Duration // and its time
	count int           // samples in a row that went on with it
}

// far reports whether v cannot follow the accepted value, or has none to
// follow.
func (l *level) far(mono time.Duration, v int32, s *step) bool {
	if !l.set {
		return true
	}
	d := v - l.value
	if !s.falling {
		d = -max(d, -d)
	}
	return -d > s.start && -d > s.limit(mono-l.mono)
}

// goesOn reports whether v goes on with a jump: near the sample before it, or to the warm
// side as fast as air may, since heat that comes fast has no new level before it is lethal.
func (l *level) goesOn(mono time.Duration, v int32, s *step) bool {
	d, gap := v-l.claim, mono-l.since
	if !s.falling && l.claim > l.value && d > 0 && d <= s.limit(gap) {
		return true
	}
	return time.Duration(max(d, -d))*near <= time.Duration(s.within)*min(max(gap, near), longestLink)
}

// jumps takes a value in and reports whether it is an unconfirmed jump. The
// first value of all is accepted, and so is the third in a row of a new level.
func (l *level) jumps(mono time.Duration, v int32, s *step) bool {
	if l.set && l.far(mono, v, s) {
		if !l.goesOn(mono, v, s) {
			l.count = 0
		}
		l.claim, l.since, l.count = v, mono, l.count+1
		if l.count < settled {
			return true
		}
	}
	*l = level{set: true, value: v, mono: mono}
	return false
}

// A wetSpell is an unbroken stretch at saturation.
type wetSpell struct {
	length    time.Duration
	low, high CentiCelsius
	begun     bool
}

// pinned takes a sample in and reports whether the humidity has been at
// saturation for so long, while the temperature moved, that the element must
// be wet.
func (w *wetSpell) pinned(s *Sample, link time.Duration) bool {
	if s.Has&(HasTemperature|HasHumidity) != HasTemperature|HasHumidity {
		return false
	}
	if s.Humidity < pinnedAt {
		*w = wetSpell{}
		return false
	}
	if !w.begun {
		*w = wetSpell{low: s.Temperature, high: s.Temperature, begun: true}
		return false
	}
	w.length += link
	w.low, w.high = min(w.low, s.Temperature), max(w.high, s.Temperature)
	return w.length >= pinnedFor && w.high-w.low >= pinnedMove
}
