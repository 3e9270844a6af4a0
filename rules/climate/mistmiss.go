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

// mistMiss adds up what speaks for it that an enclosure got no mist. How surely one that
// is given shows there is learned from those that were.
type mistMiss struct {
	Sum    float64       `json:"sum"`            // evidence of the last mists in a row
	Row    int           `json:"row"`            // of them that were not seen
	Odd    int           `json:"odd"`            // of those, where one that was given would have been seen
	Told   bool          `json:"told"`           // that they are missing
	Sure   bool          `json:"sure"`           // by all on the supply
	Given  float64       `json:"given"`          // mists that were, of the last two months
	Hidden float64       `json:"hidden"`         // share of them that was not seen
	Off    time.Duration `json:"off"`            // by which they come late
	Gain   mistGain      `json:"gain"`           // by a mist of any time of day
	Guess  mistGuess     `json:"guess,omitzero"` // of the same row, while what one brings is not known

	// Of the last one that was looked for.
	Evidence float64 `json:"evidence"`
	Share    float64 `json:"share"`
	Top      float64 `json:"top"`
	Room     float64 `json:"room"`              // % that the air lacked before it
	Noise    float64 `json:"noise"`             // variance of what it gained if nothing fell
	Guessed  bool    `json:"guessed,omitempty"` // Evidence is a guess
	Seen     bool    `json:"seen"`              // there was something to look at
	Lost     bool    `json:"lost"`              // vapour went out of the air
	Door     bool    `json:"door"`              // what was lost then tells of a door rather
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
	m.Evidence, m.Seen, m.Door, m.Guessed = 0, false, false, false
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
	vapour := 100 * (after.Beside - before.Beside) / full.Value // by which air that cools or is warmed does not differ
	gain := min(after.Value-before.Value, vapour)
	room := max(100-before.Value, mistRoom)
	m.Seen, m.Share, m.Top, m.Room, m.Lost = true, gain/room, after.Value, room, vapour <= -mistLost
	m.Noise = mistNoise*mistNoise + d.noise()*d.noise()*(1/before.N+1/after.N)
	share, v, top := m.known(g)
	if m.Guessed = v == 0 && room >= mistPlain && after.N >= mistOften && !d.wetStill(due); m.Guessed {
		was := m.Guess.evidence(1)
		m.Evidence = min(m.guess().evidence(1)-was, mistEach)
		return
	}
	usual := min(share*room, top-before.Value)
	if v == 0 || usual <= 0 { // not known, or it shows as little as none
		return
	}
	hides := (mistHides + m.Hidden*m.Given) / (mistHideOf + m.Given)
	m.Evidence = m.weigh(hides, usual, v*room*room, v*room*room)
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
	n := float64(g.N)
	return float64(g.Share), (2*mistStrays*mistStrays+n*float64(g.Var))/(2+n)*(1+1/n) + stray*stray, float64(g.Top)
}

// weigh is the logarithm of how much likelier a gain in % is if nothing fell than if the
// usual mist did, which one time or other does not show. Without it air may dry a bit; a
// door that is opened in these minutes takes away any part of it, mist or not.
func (m *mistMiss) weigh(hides, usual, vNone, vGiven float64) float64 {
	gain, tail := m.Share*m.Room, mistSpread*m.Room
	drift := gain - min(0, max(gain, -usual))
	none := math.Exp(logTailed(drift, vNone+m.Noise, tail))
	given := math.Exp(logTailed(min(0, gain-usual), vGiven+m.Noise, tail))
	m.Door = max(none, given) < mistDoor
	return -math.Log(hides + (1-hides)*(given+mistDoor)/(none+mistDoor))
}

// mistShares are those that a mist may fill of what is missing to saturation, as probes
// show it within ten minutes, before it is known; each is as likely.
var mistShares = [...]float64{0.05, 0.08, 0.13, 0.2, 0.32, 0.5, 0.8}

// A mistGuess is the logarithm of how much likelier what the air gained is by mists of
// each of these shares than by none. Which it is is one question, of all mists of an
// enclosure and of all enclosures on a supply.
type mistGuess [len(mistShares)]float32

// guess adds the last mist to those of its row.
func (m *mistMiss) guess() mistGuess {
	all, gain := m.Guess, m.Share*m.Room
	none := math.Exp(logNormal(max(0, gain), m.Noise)) + mistStirs
	for k, share := range mistShares {
		usual := share * m.Room
		given := math.Exp(logNormal(min(0, gain-usual), m.Noise+mistVaries*mistVaries*usual*usual)) + mistStirs
		all[k] += float32(math.Log(given / none))
	}
	return all
}

// evidence is the logarithm of how much likelier none fell, by so many enclosures.
func (g mistGuess) evidence(n float64) float64 {
	given := 0.0
	for _, ratio := range g {
		given += math.Exp(float64(ratio)/(1+mistCommon*(n-1))) / float64(len(g))
	}
	return -math.Log(mistNever + (1-mistNever)*given)
}

// A MistSupply adds up what speaks for it that a supply gave none, by the enclosures that
// did not see it.
type MistSupply struct {
	sum, n float64 // n of those that guess
	guess  mistGuess
}

// Add takes one of them.
func (s *MistSupply) Add(w *MistWatch) {
	if !w.Miss.Guessed {
		s.sum += min(w.Miss.Evidence, mistEach)
		return
	}
	s.n++
	for k, ratio := range w.Miss.guess() {
		s.guess[k] += ratio
	}
}

// None reports whether it is surely so.
func (s *MistSupply) None() bool {
	return s.sum+min(s.guess.evidence(max(1, s.n)), s.n*mistEach) >= mistSupplyTold
}

// A MistPool is what one mist brought, as shares of what was missing to saturation, in
// the enclosures on a supply that saw it.
type MistPool struct{ n, mean, m2 float64 }

// Add takes an enclosure that saw it.
func (p *MistPool) Add(w *MistWatch) {
	if w.Miss.Seen {
		p.n++
		d := w.Miss.Share - p.mean
		p.mean += d / p.n
		p.m2 += d * (w.Miss.Share - p.mean)
	}
}

// Beside weighs the last mist, which the enclosure did not see, by what it brought in
// others, as long as it is not known what it usually brings here. Where they got it the
// supply runs, and a nozzle that clogged leaves the vapour where it was: where that goes, a
// door at the wrong minute is as likely, and waits for the next mist.
func (w *MistWatch) Beside(p *MistPool) {
	m := &w.Miss
	if m.Evidence <= 0 || p.n == 0 {
		return
	}
	if room := m.Room * m.Room; m.Gain.N < mistKnown && p.n >= mistKnown {
		given := (2*mistShownBy*mistShownBy + p.m2) / (2 + p.n) * (1 + 1/p.n)
		m.Evidence = m.weigh(mistHides/(mistHideOf+p.n), p.mean*m.Room, mistStrays*mistStrays*room, given*room)
	}
	if m.Lost {
		m.Evidence = min(m.Evidence, mistAlone)
	}
	if m.Gain.N < mistKnown && !m.Told { // whether mists show here at all is one question: a third answer says no more than two
		m.Evidence = min(m.Evidence, max(0, 2*m.Evidence-m.Sum))
	}
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
	case v == MistPending, v == MistUnclear && (!m.Seen || m.Evidence > 0): // nothing to look at, or a reason why it did not show
		return v
	case v == MistMissed && m.Door: // of which nothing is to be learned
		return MistUnclear
	}
	m.learn(v, g)
	if m.Guessed {
		m.Guess = m.guess()
	}
	switch v {
	case MistMissed:
		return m.miss(none)
	case MistUnclear:
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
	least := mistHidden
	if m.Gain.N < mistKnown { // a pump that never worked is not to become what is usual
		least = 0
	}
	given := v == MistSeen || v == MistWeak || m.Row == 0 || g.N < mistKnown
	if m.Seen && given && (v != MistMissed || m.Evidence < least) {
		g.learn(m.Share, m.Top)
		m.Gain.learn(m.Share, m.Top)
	}
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
	m.Row, m.Odd, m.Sum, m.Told, m.Sure, m.Guess = 0, 0, 0, false, false, mistGuess{}
}

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
