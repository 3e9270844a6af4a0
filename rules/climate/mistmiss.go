package climate

import (
	"math"
	"time"
)

// mistGain is what the air of an enclosure usually gains by a mist, whether that shows
// as a pulse or not.
type mistGain struct {
	N     float32 `json:"n"`
	Share float32 `json:"share"` // of what is missing to saturation
	Var   float32 `json:"var"`
	Top   float32 `json:"top"` // % that the air has after it
}

func (g *mistGain) learn(share, top float64) {
	n := min(float64(g.N)+1, mistMind)
	d := share - float64(g.Share)
	g.N = float32(n)
	g.Share += float32(d / n)
	g.Var += float32((d*d*(1-1/n) - float64(g.Var)) / n)
	g.Top += (float32(top) - g.Top) / float32(n)
}

// strays is the variance of the share, as of two mists before it is known.
func (g *mistGain) strays() float64 {
	n := float64(g.N)
	return (2*mistStrays*mistStrays + n*float64(g.Var)) / (2 + n)
}

// mistMiss adds up what speaks for it that an enclosure got no mist. How surely one that
// is given shows there is learned from those that were; before that, and where it never
// did, none is missed but with all on the supply.
type mistMiss struct {
	Sum    float64       `json:"sum"`          // evidence of the last mists in a row
	Row    int           `json:"row"`          // of them that were not seen
	Odd    int           `json:"odd"`          // of those, where one that was given would have been seen
	Told   bool          `json:"told"`         // that they are missing
	Sure   bool          `json:"sure"`         // by all on the supply
	Given  float64       `json:"given"`        // mists that were, of the last two months
	Hidden float64       `json:"hidden"`       // share of them that was not seen
	Off    time.Duration `json:"off"`          // by which they come late
	Gain   mistGain      `json:"gain"`         // by a mist of any time of day
	New    mistGain      `json:"new,omitzero"` // by those before that is known which were no pulse

	// Of the last one that was looked for.
	Evidence float64 `json:"evidence"`
	Less     float64 `json:"less,omitempty"` // that it was weaker than usual
	Share    float64 `json:"share"`
	Top      float64 `json:"top"`
	Room     float64 `json:"room"`            // % that the air lacked before it
	Noise    float64 `json:"noise"`           // variance of what it gained if nothing fell
	Seen     bool    `json:"seen"`            // there was something to look at
	Plain    bool    `json:"plain,omitempty"` // and room for it to show, but not known whether it does
	Door     bool    `json:"door"`            // what was lost then tells of a door rather
}

// at is when a mist is to be expected.
func (m *mistMiss) at(due time.Duration) time.Duration {
	return due + min(max(m.Off, -mistOffEarly), mistOffLate) // a state from elsewhere may say anything
}

// look weighs what the air gained by the mist due, from the ten minutes before it to
// those from two after it on. It gains in relative and in absolute humidity, while air
// that cools gains only in the first, and air that is warmed over wet ground only in the
// second.
func (m *mistMiss) look(due time.Duration, d *MistDetector, g *mistGain) {
	m.Evidence, m.Less, m.Seen, m.Plain, m.Door = 0, 0, false, false, false
	due = m.at(due)
	var before, after, full pairMean // % and g/m³
	for i := range min(max(d.Filled, 0), mistBins) {
		switch b := &d.Ring[i]; {
		case b.RH <= 0:
		case b.At >= due-mistWait && b.At < due:
			before.add(b.RH, b.Grams)
		case b.At >= due+mistWet && b.At < due+mistWait+mistBin:
			after.add(b.RH, b.Grams)
			full.add(100*b.Grams/b.RH, 0)
		}
	}
	if before.N == 0 || after.N == 0 || d.LastAt < due+mistLate {
		return
	}
	gain := min(after.Value-before.Value, 100*(after.Beside-before.Beside)/full.Value)
	room := max(100-before.Value, mistRoom)
	m.Seen, m.Share, m.Top, m.Room = true, gain/room, after.Value, room
	m.Noise = mistNoise*mistNoise + d.noise()*d.noise()*(1/before.N+1/after.N)
	share, v, top := m.known(g)
	m.Plain = v == 0 && room >= mistPlain && after.N >= mistOften
	usual := min(share*room, top-before.Value)
	if v == 0 || usual <= 0 { // not known, or it shows as little as none
		return
	}
	hides := (mistHides + m.Hidden*m.Given) / (mistHideOf + m.Given)
	m.Evidence = m.weigh(hides, usual, v*room*room)
	m.Less = m.less(usual/room, v+m.Noise/(room*room))
}

// known returns the share that a mist of this time of day fills, or one of any time where
// this is new, its variance, and where the air comes to. The variance is 0 where neither
// is known.
func (m *mistMiss) known(g *mistGain) (share, v, top float64) {
	stray := 0.0
	if g.N < mistKnown {
		g, stray = &m.Gain, mistStrays
	}
	if g.N < mistKnown {
		return 0, 0, 0
	}
	return float64(g.Share), g.strays()*(1+1/float64(g.N)) + stray*stray, float64(g.Top)
}

// weigh is the logarithm of how much likelier a gain in % is if nothing fell than if the
// usual mist did, which one time or other does not show. Without it air may dry a bit; a
// door that is opened in these minutes takes away any part of it, mist or not.
func (m *mistMiss) weigh(hides, usual, v float64) float64 {
	gain, tail := m.Share*m.Room, mistSpread*m.Room
	drift := gain - min(0, max(gain, -usual))
	none := math.Exp(logTailed(drift, v+m.Noise, tail))
	given := math.Exp(logTailed(min(0, gain-usual), v+m.Noise, tail))
	m.Door = max(none, given) < mistDoor
	return -math.Log(hides + (1-hides)*(given+mistDoor)/(none+mistDoor))
}

// less is the evidence that a weaker mist fell than the usual share of a variance, where
// something did.
func (m *mistMiss) less(usual, v float64) float64 {
	if usual*m.Room < mistRoom || m.Share < mistClears*math.Sqrt(v) {
		return 0
	}
	return logNormal(max(0, m.Share-mistLess*usual), v) - logTailed(m.Share-usual, v, mistSpread)
}

// follow takes a mist that began so long after it was to be expected, as d saw it.
func (m *mistMiss) follow(late time.Duration, d *MistDetector) {
	if late > 0 { // it began after the reading before
		last := mistGap
		for i := range min(max(d.Filled, 0), mistBins) {
			if by := d.Now.Start - d.Ring[i].At; by > 0 {
				last = min(last, by)
			}
		}
		late = max(0, late-last)
	}
	switch {
	case late > mistOffBy:
		late -= mistOffBy
	case late < -mistOffBy:
		late += mistOffBy
	default:
		return
	}
	m.Off = min(max(m.Off+late/4, -mistOffEarly), mistOffLate)
}

// settle is MistWatch.Settle.
func (m *mistMiss) settle(v MistVerdict, none bool, g *mistGain) MistVerdict {
	switch {
	case v == MistUnclear && m.Plain && none: // it would not show, and the others know
		return m.miss(none)
	case v == MistPending, v == MistUnclear && (!m.Seen || m.Evidence > 0): // nothing to look at, or a reason why it did not show
		return v
	case v == MistMissed && m.Door: // of which nothing is to be learned
		return MistUnclear
	}
	m.learn(v, g)
	switch v {
	case MistMissed:
		return m.miss(none)
	case MistUnclear:
		if m.Plain {
			m.Row, m.Told, m.Sure = 0, false, false
		}
		if m.Sum = max(0, m.Sum+m.Evidence); m.Sum == 0 && !m.Told {
			m.back()
		}
	default:
		m.back()
	}
	return v
}

// learn takes what the mist brought as usual, unless it speaks against one. Of what was
// not seen only the first of a row is one that may have been given, once more is known.
func (m *mistMiss) learn(v MistVerdict, g *mistGain) {
	shown := v == MistSeen || v == MistWeak
	switch {
	case !m.Seen:
		return
	case shown:
		m.New = mistGain{}
	case m.Plain: // a pump that never worked is not to become what is usual
		if m.New.learn(m.Share, m.Top); m.New.N >= mistFirst && m.blank() == 0 {
			m.Gain, m.New = m.New, mistGain{} // a slow probe, a small nozzle
		}
		return
	}
	if v != MistWeak && (shown || m.Row == 0 || g.N < mistKnown) && (v != MistMissed || m.Evidence < mistHidden) {
		g.learn(m.Share, m.Top)
		m.Gain.learn(m.Share, m.Top)
	}
}

// blank returns how many mists in a row never showed, neither as a pulse nor in the mean of
// them all, where they have room to from the first; 0 where they are few.
func (m *mistMiss) blank() int {
	n := float64(m.New.N)
	if n < mistFirst || float64(m.New.Share) > math.Sqrt(m.New.strays()/n) {
		return 0
	}
	return int(n)
}

// miss adds a mist that was not seen to those before it.
func (m *mistMiss) miss(none bool) MistVerdict {
	m.Row, m.Sum = m.Row+1, m.Sum+m.Evidence
	if m.Evidence >= mistHidden {
		m.Odd++
	}
	m.Sure = m.Sure || none
	if m.Told = m.Told || none || m.Sum >= MistMissedTold; m.Told {
		return MistMissed
	}
	return MistUnclear
}

// back ends a row of mists that were not seen. Those of a row that was told were missing,
// but for a single one: what comes back by itself the next time was there.
func (m *mistMiss) back() {
	hidden := float64(max(m.Odd, 0)) // a state from elsewhere may say anything
	if m.Sure || m.Told && m.Row > 1 {
		hidden = 0
	}
	all := max(m.Given, 0) + 1 + hidden
	m.Hidden = (m.Hidden*m.Given + hidden) / all
	m.Given = min(all, mistLong)
	m.Row, m.Odd, m.Sum, m.Told, m.Sure = 0, 0, 0, false, false
}

// Blank returns how many mists, the last among them, brought nothing since the first that
// was looked for: it may get none, or none shows there.
func (w *MistWatch) Blank() int { return w.Miss.blank() }

// Missing returns how much the last mist speaks for it that the supply gave none.
func (w *MistWatch) Missing() float64 { return min(w.Miss.Evidence, mistEach) }

// Expected returns when the mist due is to be expected, by a timer that is followed.
func (w *MistWatch) Expected(due time.Duration) time.Duration { return w.Miss.at(due) }

// Missed returns how many mists in a row were not seen.
func (w *MistWatch) Missed() int { return w.Miss.Row }

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
