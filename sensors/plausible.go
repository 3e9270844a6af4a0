package sensors

import "time"

// A step is how far a quantity may move between two samples: start up to near
// apart, then growing with the gap up to most. Common practice, no source.
type step struct {
	start   int32 // hundredths
	perMin  int32 // hundredths for each further minute
	most    int32 // hundredths
	within  int32 // samples so near each other count as one new level
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
	claim int32
	count int // samples in a row that stayed by the claim
}

// far reports whether v cannot follow the accepted value, or has none to
// follow.
func (l *level) far(mono time.Duration, v int32, s step) bool {
	if !l.set {
		return true
	}
	d := v - l.value
	if !s.falling {
		d = -max(d, -d)
	}
	return -d > s.limit(mono-l.mono)
}

// jumps takes a value in and reports whether it is an unconfirmed jump. The
// first value of all is accepted, and so is the third in a row of a new level.
func (l *level) jumps(mono time.Duration, v int32, s step) bool {
	if l.set && l.far(mono, v, s) {
		if d := v - l.claim; l.count > 0 && max(d, -d) <= s.within {
			l.count++
		} else {
			l.claim, l.count = v, 1
		}
		if l.count < settled {
			return true
		}
	}
	l.set, l.value, l.mono, l.claim, l.count = true, v, mono, 0, 0
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
