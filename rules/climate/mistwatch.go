package climate

import "time"

// A MistVerdict is how a scheduled mist turned out in one enclosure.
type MistVerdict uint8

// The verdicts.
const (
	MistPending MistVerdict = iota // not due, or too early to say
	MistSeen
	MistMissed
	MistWeak    // less than half of its own median rise
	MistUnclear // no data, or too wet before to tell
)

const (
	mistEarly = 3 * time.Minute // a timer may be off by so much
	mistLate  = 8 * time.Minute
	mistWait  = 10 * time.Minute
	risesKept = 15
	risesFew  = 5 // before a pulse can be called weak
)

// MistWatch compares pulses of one enclosure with its schedule. The zero value
// is ready.
type MistWatch struct {
	Waiting bool               `json:"waiting"`
	Due     time.Duration      `json:"due"`
	Rises   [risesKept]float64 `json:"rises"` // g/m³ of scheduled pulses
	N       uint32             `json:"n"`
}

// Expect notes that a mist is due at this running time. A second one while the
// first is undecided counts as the same.
func (w *MistWatch) Expect(at time.Duration) {
	if w.Waiting && at-w.Due < mistWait {
		return
	}
	w.Waiting, w.Due = true, at
}

// Verdict returns how the expected mist turned out and when it was due:
// MistPending until that is known, at the latest 10 minutes after it was due,
// then the verdict once. d is the detector of the same enclosure.
func (w *MistWatch) Verdict(now time.Duration, d *MistDetector) (MistVerdict, time.Duration) {
	if !w.Waiting || now < w.Due {
		return MistPending, 0
	}
	late := now-w.Due >= mistWait
	p, found := w.Pulse(d)
	switch {
	case found && (!d.Rising() || late):
		w.Waiting = false
		return w.strength(p), w.Due
	case !late:
		return MistPending, 0
	}
	w.Waiting = false
	if d.LastAt < w.Due+mistLate || d.level() >= mistTooWet {
		return MistUnclear, w.Due
	}
	return MistMissed, w.Due
}

// Pulse returns the pulse that answers the mist expected last, if any.
func (w *MistWatch) Pulse(d *MistDetector) (Pulse, bool) {
	for _, p := range [...]Pulse{d.Now, d.Done} {
		if p.Peak > 0 && p.Start >= w.Due-mistEarly && p.Start <= w.Due+mistLate {
			return p, true
		}
	}
	return Pulse{}, false
}

// strength compares with the usual rise. Weak pulses do not become usual.
func (w *MistWatch) strength(p Pulse) MistVerdict {
	if p.Clipped {
		return MistSeen
	}
	usual, ok := w.Usual()
	if ok && p.Rise < usual/2 {
		return MistWeak
	}
	w.Rises[w.N%risesKept] = p.Rise
	w.N++
	return MistSeen
}

// Usual returns the median rise of scheduled pulses in g/m³, false while there
// are fewer than five.
func (w *MistWatch) Usual() (float64, bool) {
	n := min(w.N, risesKept)
	var xs [risesKept]float64
	copy(xs[:n], w.Rises[:n])
	return median(xs[:n]), n >= risesFew
}

// level is the humidity of the last minute in %.
func (d *MistDetector) level() float64 {
	if d.Filled == 0 || uint(d.Head) >= mistBins {
		return 0
	}
	return d.Ring[(d.Head+mistBins-1)%mistBins].RH
}

// Endless reports whether a mist has run for longer than longest and than
// twice what this enclosure usually stays soaked: wet leaves keep the air at
// saturation long after the pump stopped, and only the enclosure's own history
// says how long. Before three pulses were seen it waits for three times
// longest, and at least two hours. Air that soaks without a pulse, as it does
// when the lamps go off, is none.
func (w *MistWatch) Endless(d *MistDetector, longest time.Duration) bool {
	soaked := d.Soaked()
	if soaked <= longest || !d.Soak.Pulse {
		return false
	}
	if usual, ok := d.Plateaus.usual(); ok {
		return soaked > max(longest, 2*usual)
	}
	return soaked > max(3*longest, 2*time.Hour)
}

// A MistFault is what the verdicts of all enclosures on one supply add up to.
type MistFault uint8

// The faults of misting.
const (
	MistOK        MistFault = iota
	SupplyFault             // most of them missed or were weak: pump, reservoir, timer
	NozzleFault             // single ones missed or were weak
	MistUndecided           // too few could be judged
)

// supplyShare of the enclosures that could be judged make it the supply.
const supplyShare = 0.7

// JudgeMist decides between supply and nozzle from the verdicts of the
// enclosures on one supply for the same scheduled time. A lone enclosure's
// miss cannot be told apart and is MistUndecided.
func JudgeMist(verdicts []MistVerdict) MistFault {
	judged, bad := 0, 0
	for _, v := range verdicts {
		switch v {
		case MistSeen:
			judged++
		case MistMissed, MistWeak:
			judged++
			bad++
		}
	}
	switch {
	case judged == 0, judged == 1 && bad == 1:
		return MistUndecided
	case bad == 0:
		return MistOK
	case float64(bad) >= supplyShare*float64(judged):
		return SupplyFault
	default:
		return NozzleFault
	}
}
