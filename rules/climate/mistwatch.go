package climate

import "time"

// A MistVerdict is how a scheduled mist turned out in one enclosure.
type MistVerdict uint8

// The verdicts.
const (
	MistPending MistVerdict = iota // not due, or too early to say
	MistSeen
	MistMissed
	MistWeak    // nearer to much less than its usual strength than to that
	MistUnclear // no data, or too wet before to tell
)

// The figures of the mist's judge. Those without a source are this project's own,
// tuned on the tuned half of rules/corpus. Evidence is in natural logarithms of odds.
const (
	mistEarly     = 3 * time.Minute // a timer may be off by so much
	mistLate      = 8 * time.Minute
	mistWait      = 10 * time.Minute
	mistPatience  = 15 * time.Minute // where readings come rarely
	mistWet       = 2 * time.Minute  // after it was due a mist has begun to show
	mistSpread    = 0.25             // of the share of what is missing to saturation that a mist fills
	mistStrays    = 0.08             // of the share that is known, as of two mists
	mistKnown     = 3                // mists from which it is known what the air gains
	mistShownBy   = 0.2              // spread of the share that one fills before that, from enclosure to enclosure
	mistPlain     = 8.0              // so many % are lacking where it is guessed then, and it is looked at
	mistOften     = 5                // minutes of the nine in which it shows
	mistVaries    = 0.4              // of a share that is guessed, from one enclosure and mist to the next
	mistStirs     = 1e-3             // per %: what a guess knows nothing of meets one mist in 30
	mistNever     = 3e-3             // of rooms show no mist at all
	mistCommon    = 0.15             // of what air gains by itself, all on a supply gain together
	mistMind      = 16.0             // mists that it is remembered for
	mistNoise     = 0.5              // % of a mean of minutes, at least
	mistHidden    = 2.0              // of evidence from which a mist was not seen
	mistHides     = 0.015            // of a first mist that is not seen, of an enclosure where
	mistHideOf    = 0.3              // so many have been looked for
	mistAlone     = 4.6              // of evidence at most where others got theirs and this one loses vapour: one in a hundred meets a door or a fan
	mistLost      = 1.0              // % of vapour and more that it loses by then
	mistDoor      = 3e-5             // per %: a door meets one mist in 300, and takes 0 to 100 %
	mistEach      = 3.0              // of evidence at most that one enclosure has of its supply
	mistOffBy     = 2 * time.Minute  // by which a timer may be off, and is not followed
	mistOffEarly  = 10 * time.Minute // by which a timer that drifts is followed
	mistOffLate   = 30 * time.Minute
	mistRoom      = 4.0              // % under saturation where a mist still shows its strength
	mistClear     = 4.0              // standard deviations of noise that it is to stand out by
	mistLess      = 0.7              // of the usual strength is weak
	mistEven      = 0.08             // of the usual share, by which it strays before it is known
	mistLong      = 60.0             // pulses of two months, against which it fades
	mistOld       = 24               // before that is known
	mistStick     = 50 * time.Minute // of a course before a mist without an end is told
	mistRow       = 3                // of ten minutes of which the least evidence counts: one that is late dries
	mistUnder     = 1.5              // % under the usual top: it is not as after a mist
	mistFills     = 0.35             // of what the usual top lacks: water that goes on falling fills more
	mistFull      = 95.0             // % as which the driest probe in saturated air shows it
	mistDries     = 2.5              // % under the top: it dries
	mistKept      = 1.0              // of evidence from which a day is not learned as usual
	mistOver      = 4.0              // % over what the hour usually has: air that nobody planned to wet is wet
	mistHigh      = 2.5              // % over it, and at its top, for mistFlat: it does not end, whatever is usual
	mistWarms     = 1.0              // °C over what the hour usually has: water that goes on falling cools
	mistHolds     = 0.95             // of the vapour that the hour usually has: no water came in
	mistHighBy    = 2.0              // standard deviations from day to day over it, at least: what is wet each evening is usual
	mistFlat      = 17               // of ten minutes in a row
	mistFlatUnder = 0.5              // % under the highest usual top
	mistPart      = 0.4              // of what the hour usually lacks, as of a mist's mates
	mistFlatFills = 0.75             // of what the hour usually lacks, which no weather fills
	MistCools     = 3.0              // of evidence at most that the air is cool: it may be so for other reasons
	// MistMissedTold is the evidence from which an enclosure's mist is missed: less than
	// one in 2,000 that are given, measured on rules/corpus.
	MistMissedTold = 5.0
	mistSupplyTold = 4.0 // of all on a supply that saw nothing
	// MistEndlessTold is the evidence from which a mist without an end is told.
	MistEndlessTold = 4.0
	// MistWeakTold is the evidence of weak pulses from which they are told.
	MistWeakTold = 5.0
)

// dryScale is in % of humidity under the highest since the mist began; beside it is
// the temperature: saturated air that is warmed by 1 °C loses 6 % (Magnus).
var dryScale = courseScale{noise: 1.5, beside: 2, habit: 0.5, bare: 1, tail: 3}

// coolScale is in °C: water that goes on falling, and evaporates, cools by 0.3 °C
// and more within the hour.
var coolScale = struct{ by, spread, noise, tail float64 }{by: 0.6, spread: 0.3, noise: 0.3, tail: 0.4}

// cools is the evidence for that: an enclosure is cooler than it usually is so long
// after a mist.
func (c *usualCourse) cools(k int, warmed float64) float64 {
	if !c.known(k) {
		return 0
	}
	n, s := float64(c.Days[k]), &coolScale
	d, v := warmed-float64(c.Beside[k]), (2*s.noise*s.noise+n*float64(c.Apart[k]))/(2+n)
	return logNormal(max(0, d+s.by), v+s.spread*s.spread) - logTailed(d, v, s.tail)
}

// A MistTime is when a mist falls: lamps dry the air.
type MistTime uint8

// The times of a mist.
const (
	MistDark MistTime = iota
	MistLit
	MistDusk // lamps go off within three hours
	mistTimes
)

// mistUsual is what an enclosure usually makes of a mist at one time.
type mistUsual struct {
	N      float32     `json:"n"`
	Filled float32     `json:"filled"` // share of what was missing to saturation
	Var    float32     `json:"var"`
	Top    float32     `json:"top"`            // % that the air reaches after it
	Peak   float32     `json:"peak"`           // % of the wettest minute
	Fall   float32     `json:"fall,omitempty"` // °C by which it gets warmer at once, from before it
	Falls  float32     `json:"falls,omitempty"`
	Pulses float32     `json:"pulses,omitempty"`
	Long   float32     `json:"long,omitempty"` // Filled, over the last two months
	Gain   mistGain    `json:"gain,omitzero"`
	Dry    usualCourse `json:"dry"`
}

func (u *mistUsual) learn(share, peak float64) {
	n := min(float64(u.N)+1, courseDays)
	u.Peak += (float32(peak) - u.Peak) / float32(n)
	u.Pulses = min(u.Pulses+1, mistLong)
	u.Long += (float32(share) - u.Long) / u.Pulses
	d := share - float64(u.Filled)
	u.N = float32(n)
	u.Filled += float32(d / n)
	u.Var += float32((d*d*(1-1/n) - float64(u.Var)) / n)
}

// MistWatch compares pulses of one enclosure with its schedule, and how the air
// dries after each with the days before. The zero value is ready. Its fields are one
// kept document, and so more than other types have.
type MistWatch struct {
	Waiting bool                 `json:"waiting"`
	Due     time.Duration        `json:"due"`
	DueTime MistTime             `json:"due_time"`
	Usual   [mistTimes]mistUsual `json:"usual"`
	Weak    float64              `json:"weak"` // evidence that the last pulses were
	Miss    mistMiss             `json:"miss,omitzero"`

	Begun   time.Duration       `json:"begun"` // of the pulse whose course is followed
	Since   time.Duration       `json:"since"` // from when its course is counted
	Time    MistTime            `json:"time"`
	Follows bool                `json:"follows"`
	Last    time.Duration       `json:"last"`
	Next    int                 `json:"next"` // bin of the course
	Open    pairMean            `json:"open"`
	Top     float64             `json:"top"`              // highest mean since
	Warm    float64             `json:"warm"`             // °C of the first
	Before  float64             `json:"before,omitempty"` // °C against the room, before it
	Known   bool                `json:"known,omitempty"`  // Before is
	Fell    [courseBins]float32 `json:"fell"`
	Warmed  [courseBins]float32 `json:"warmed"`
	Sticks  float64             `json:"sticks"`         // evidence that it does not dry
	Cool    float64             `json:"cool,omitempty"` // of that what the air is cooler than usual, without its bound
	Endless bool                `json:"endless"`
	Dried   bool                `json:"dried"`
	Planned bool                `json:"planned"` // it was due
	Level   hourLevel           `json:"level,omitzero"`
	Heat    hourLevel           `json:"heat,omitzero"`  // °C
	Flat    uint8               `json:"flat,omitempty"` // of ten minutes in a row above the hour's level
}

// Expect notes that a mist is due at this running time. A second one while the
// first is undecided counts as the same.
func (w *MistWatch) Expect(at time.Duration, when MistTime) {
	if w.Waiting && at-w.Due < mistWait {
		return
	}
	w.Waiting, w.Due, w.DueTime = true, at, when
	if w.Follows && !w.Endless && !w.Planned && w.Sticks < mistKept { // what falls now need not show as a pulse of its own
		w.from(at, when)
	}
}

// Verdict returns how the expected mist turned out and when it was due: MistPending
// for ten minutes after it is to be expected and as long as no reading tells, for fifteen
// at most, then the verdict once, which Settle takes.
// MistMissed is one that more speaks against than for. d is the detector of the same
// enclosure.
func (w *MistWatch) Verdict(now time.Duration, d *MistDetector) (MistVerdict, time.Duration) {
	due := w.Miss.at(w.Due)
	if !w.Waiting || now < w.Due || now < due+mistWait || d.LastAt < due+mistLate && now < due+mistPatience {
		return MistPending, 0
	}
	w.Waiting = false
	w.Miss.look(w.Due, d, &w.usual(w.DueTime).Gain)
	if p, found := w.Pulse(d); found {
		w.Miss.follow(p.Start-w.Miss.at(w.Due), d)
		return w.strength(p, d.noise()), w.Due
	}
	if w.Miss.Evidence <= 0 {
		return MistUnclear, w.Due
	}
	return MistMissed, w.Due
}

// Settle learns from a verdict and returns what is to be said of the mist: one that was
// not seen is missed where the evidence of this and those before is enough, or where the
// supply is known to have given none, and else unclear.
func (w *MistWatch) Settle(v MistVerdict, none bool) MistVerdict {
	return w.Miss.settle(v, none, &w.usual(w.DueTime).Gain)
}

func (w *MistWatch) usual(t MistTime) *mistUsual { return &w.Usual[min(t, mistTimes-1)] }

// Pulse returns the pulse that answers the mist expected last, if any.
func (w *MistWatch) Pulse(d *MistDetector) (Pulse, bool) {
	for _, p := range [...]Pulse{d.Now, d.Done} {
		if p.Peak > 0 && w.answers(p.Start) {
			return p, true
		}
	}
	return Pulse{}, false
}

// answers reports whether what began at a time may be the mist expected last.
func (w *MistWatch) answers(at time.Duration) bool {
	due := w.Miss.at(w.Due)
	return at >= due-mistEarly && at <= due+mistLate
}

// strength weighs whether a pulse is as usual or much less, and adds that up over
// pulses: a single one may be a door. No pulse is expected to pass its usual peak, and
// where little is left to there none is judged. What is weak does not become usual.
// noise is that of a minute's mean, in %.
func (w *MistWatch) strength(p Pulse, noise float64) MistVerdict {
	room := 100 - p.Before
	if room < max(mistRoom, mistClear*noise) {
		return MistSeen
	}
	u, share := w.usual(w.DueTime), (p.Peak-p.Before)/room
	is := 0.0
	if u.N >= courseFew {
		n, mean := float64(u.N), min(float64(u.Filled), (float64(u.Peak)-p.Before)/room)
		if mean*room < max(mistRoom, mistClear*noise) {
			return MistSeen
		}
		noise = max(mistNoise, noise) / room
		v := (2*mistEven*mistEven+n*float64(u.Var))/(2+n) + noise*noise
		is = logNormal(max(0, share-mistLess*mean), v) - logTailed(share-mean, v, mistSpread)
	}
	if w.Weak = max(0, w.Weak+is); is > 0 && w.Weak > 0 {
		return MistWeak
	}
	u.learn(share, p.Peak)
	return MistSeen
}

// Fades returns what share of what is missing to saturation the last mists of the time of
// the one that was due filled, and what those of two months did; false while that is not
// known. A nozzle that clogs by and by becomes usual each week, but not that.
func (w *MistWatch) Fades() (now, long float64, known bool) {
	u := w.usual(w.DueTime)
	return float64(u.Filled), float64(u.Long), u.Pulses >= mistOld && u.Long > 0
}

// Dry follows the air after each pulse that d finds; room is its temperature as an
// enclosure follows it, or any constant, when is the time of a pulse that begins now,
// and hour the local hour of day, negative where that is not known.
func (w *MistWatch) Dry(at time.Duration, celsius, rh, room, hour float64, d *MistDetector, when MistTime) {
	if !moist(celsius, rh) || w.Follows && at < w.Last {
		return
	}
	gap := w.Last > 0 && at-w.Last > mistGap
	w.Last = at
	if !w.Endless {
		w.Level.observe(hour, rh)
		w.Heat.observe(hour, celsius)
	}
	w.begin(at, gap, room, d, when)
	if !w.Follows {
		return
	}
	if at-w.Since >= time.Duration(w.Next+1)*courseBin {
		w.closeDry(hour, celsius)
		w.Next = max(w.Next, int((at-w.Since)/courseBin))
	}
	w.Open.add(rh, celsius-room)
	if !w.Endless && w.Next >= courseBins {
		w.goOn(at, when)
	}
}

// goOn ends a course that was followed as long as one is, or lets it go on.
func (w *MistWatch) goOn(at time.Duration, when MistTime) {
	speaks := w.Planned && w.Sticks >= mistKept
	switch {
	case w.Dried || w.Planned && !speaks && w.Flat == 0:
		w.finish()
	case !speaks: // it fell at an hour that tells nothing: this one may
		w.from(at, when)
	} // else what speaks for it is kept until it dries
}

// begin follows a pulse that began, or ends or begins anew what was followed.
func (w *MistWatch) begin(at time.Duration, gap bool, room float64, d *MistDetector, when MistTime) {
	switch {
	case d.Phase == mistRising && d.Now.Start != w.Begun:
		w.finish()
		w.Begun, w.Follows, w.Endless, w.Dried, w.Flat = d.Now.Start, true, false, false, 0
		w.from(d.Now.Start, when)
		if before, ok := d.before(); ok {
			w.Before, w.Known = before-room, true
		}
	case gap && !w.Endless:
		w.Follows, w.Sticks = false, 0
	case w.Follows && !w.Endless && !w.Planned && when == MistLit && w.Time != MistLit:
		w.from(at, when) // lamps dry what the night did not
	}
}

// from counts a course from a time of its kind.
func (w *MistWatch) from(at time.Duration, when MistTime) {
	w.Since, w.Time, w.Next, w.Open, w.Top, w.Sticks, w.Planned = at, when, 0, pairMean{}, 0, 0, false
	w.Known, w.Cool = false, 0
	for k := range w.Fell {
		w.Fell[k] = -1 // not seen
	}
}

// closeDry weighs ten minutes of the course.
func (w *MistWatch) closeDry(hour, celsius float64) {
	m := w.Open
	w.Open = pairMean{}
	if m.N == 0 {
		return
	}
	if w.Top == 0 {
		// Only after a pulse at its own hour does the temperature go its usual way.
		w.Warm, w.Planned = m.Beside, w.Since == w.Begun && w.answers(w.Since)
	}
	w.Top = max(w.Top, m.Value)
	k := w.Next
	w.Dried = w.Top-m.Value >= mistDries
	level, known := w.Level.at(hour)
	heat, ok := w.Heat.at(hour)
	foreign := known && ok && (celsius >= heat+mistWarms || holdsLess(celsius, m.Value, heat, level))
	if foreign {
		w.Flat = 0
	} else {
		w.flat(m.Value, level, w.Level.strays(hour), known)
	}
	if uint(k) < courseBins { // else what is known of it stays
		w.weigh(k, m)
		if time.Duration(k)*courseBin < mistStick || !w.Planned && (foreign || known && m.Value < level+mistOver) {
			w.Sticks = min(w.Sticks, 0)
		}
	}
	if w.Flat >= mistFlat {
		w.Sticks = max(w.Sticks, MistEndlessTold)
	}
}

// holdsLess reports whether air of a temperature and humidity holds clearly less water than
// it usually does: it got damp as it cooled.
func holdsLess(celsius, rh, heat, level float64) bool {
	now, err := VapourPressure(celsius, rh)
	usual, uerr := VapourPressure(heat, level)
	return err == nil && uerr == nil && now < mistHolds*usual
}

// weigh takes ten minutes of the course into the evidence.
func (w *MistWatch) weigh(k int, m pairMean) {
	w.Fell[k], w.Warmed[k] = float32(w.Top-m.Value), float32(m.Beside-w.Warm)
	w.Sticks, w.Cool = w.sticks(k)
	for i := max(0, k-mistRow+1); i < k; i++ {
		if w.Fell[i] >= 0 {
			sticks, cool := w.sticks(i)
			w.Sticks, w.Cool = min(w.Sticks, sticks), min(w.Cool, cool)
		}
	}
}

// flat counts the ten minutes in a row in which the air stood above what its hour
// usually has, by more than days differ in it: as wet as water that goes on falling makes
// it, or most of the way to saturation.
func (w *MistWatch) flat(rh, level, strays float64, known bool) {
	top, wet := 0.0, level+mistFlatFills*(100-level)
	for i := range w.Usual {
		top = max(top, float64(w.Usual[i].Top))
	}
	if top > 0 { // else what a mist brings here is not known
		wet = min(wet, soaked(top)-mistFlatUnder)
	}
	switch {
	case !known:
	case rh < max(wet, level+max(mistHigh, mistHighBy*strays)):
		w.Flat = 0
	default:
		w.Flat = min(w.Flat+1, mistFlat)
	}
}

// sticks is the evidence of ten minutes that the mist did not end: the air does not
// dry, and it is cool, which counts so much at most; cool is that without its bound.
func (w *MistWatch) sticks(k int) (sum, cool float64) {
	u, fell, warmed := w.usual(w.Time), float64(w.Fell[k]), float64(w.Warmed[k])
	if w.Planned {
		cool = u.Dry.cools(k, warmed+w.fall(u))
	}
	if w.Top-fell < soaked(float64(u.Top))-mistUnder {
		return 0, cool // not so wet: a door that was shut again, a damper evening
	}
	if sum = u.Dry.missing(k, fell, warmed, dryScale); sum < -1 {
		return sum, cool
	}
	return sum + min(cool, MistCools), cool
}

// soaked is how wet the air gets in % by a mist that does not end, at least, from the top
// that one of its usual length leaves: the same water for longer. Probes that show
// saturated air as less are allowed for.
func soaked(top float64) float64 { return max(top, min(top+mistFills*(100-top), mistFull)) }

// Damper reports whether air of a humidity in % is clearly damper than the hour usually has
// it, by a good part of what it lacks.
func (w *MistWatch) Damper(hour, rh float64) bool {
	level, known := w.Level.at(hour)
	return known && rh >= level+max(mistHigh, mistPart*(100-level))
}

// fall is by how much more than usual it got cooler at once, negative.
func (w *MistWatch) fall(u *mistUsual) float64 {
	if !w.Known || u.Falls < courseFew {
		return 0
	}
	return w.Warm - w.Before - float64(u.Fall)
}

// finish ends a course and takes it as usual, unless it speaks for a mist without
// an end and did not dry.
func (w *MistWatch) finish() {
	if u := w.usual(w.Time); w.Follows && !w.Endless && (w.Sticks < mistKept || w.Dried) && w.Planned {
		u.Top += (float32(w.Top) - u.Top) / (min(u.Dry.Days[0], courseDays-1) + 1)
		if w.Known {
			u.Falls = min(u.Falls+1, courseDays)
			u.Fall += (float32(w.Warm-w.Before) - u.Fall) / u.Falls
		}
		for k, fell := range w.Fell {
			if fell >= 0 {
				u.Dry.learn(k, float64(fell), float64(w.Warmed[k]))
			}
		}
	}
	w.Follows, w.Sticks = false, 0
}

// Adopt follows a mist without an end of which nothing is known but that.
func (w *MistWatch) Adopt(at time.Duration) {
	w.Begun, w.Since, w.Last, w.Follows, w.Endless = max(at, 1), at, at, true, true
}

// Over ends a mist without an end that dried.
func (w *MistWatch) Over() { w.Endless, w.Follows, w.Sticks, w.Flat = false, false, 0, 0 }

// Wet is for how long the mist that is followed has not dried.
func (w *MistWatch) Wet() time.Duration {
	if !w.Follows {
		return 0
	}
	return w.Last - w.Begun
}
