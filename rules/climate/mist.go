package climate

import (
	"math"
	"time"
)

// A MistEvent is what a reading told about misting.
type MistEvent uint8

// The events of a mist pulse.
const (
	NoMist      MistEvent = iota
	MistStarted           // a pulse was recognised; Current has it
	MistPeaked            // it stopped rising; Current has its peak
	MistEnded             // it dried down, or the next began; Last has it whole
)

// A Pulse is one mist pulse.
type Pulse struct {
	Start    time.Duration `json:"start"`     // running time at which the rise began
	PeakAt   time.Duration `json:"peak_at"`   // running time of the peak
	Before   float64       `json:"before"`    // % before the rise
	Peak     float64       `json:"peak"`      // %
	Rise     float64       `json:"rise"`      // g/m³ of water vapour
	Wet      time.Duration `json:"wet"`       // time at or above 90 %
	HalfLife time.Duration `json:"half_life"` // of the decay to Base, at least so much where Clipped; 0 where it could not be fitted
	Base     float64       `json:"base"`      // % that it dried down to; 0 with HalfLife
	Clipped  bool          `json:"clipped"`   // began so wet that Rise says little
}

const (
	mistBin     = time.Minute
	mistJitter  = 10 * time.Second // by which a reading a minute may come early
	mistBins    = 16               // more than mistGap
	mistGap     = 15 * time.Minute // without readings: what was before is no level
	mistRefFrom = 3 * time.Minute  // the level before a pulse is taken from
	mistRefTo   = 10 * time.Minute
	mistStep    = 5.0  // points of a rise that are a mist, where there is room for them
	mistShare   = 0.35 // of what is missing to saturation, where there is not
	mistLeast   = 1.5  // points, above the noise of any probe in one-minute means
	mistClip    = 95.0 // % before: little room to rise
	mistSettle  = 5 * time.Minute
	mistTick    = 0.1           // points that are a rise still, and no noise
	mistFall    = 1.0           // points below the peak: it has passed
	mistWater   = 0.4           // of the step that must be water and not the cooling of the air
	mistLongest = 6 * time.Hour // of a recorded dry-down
	mistLeaves  = 2 * time.Hour // that leaves take: common practice, no source
	wetAt       = 90.0          // %
	soakAgain   = 92.0          // % below which air that was misted counts as dry
	stirsMost   = 8.0           // points that one minute counts as at most
	stirsMean   = 128.0         // minutes
	mistClears  = 3.0           // standard deviations of noise that a mist rises by
	levelsKept  = 21
	levelsFew   = 4
)

// mistMinute is the mean of one minute.
type mistMinute struct {
	At    time.Duration `json:"at"`
	RH    float64       `json:"rh"`
	Grams float64       `json:"grams"` // per m³
	Temp  float64       `json:"temp"`
}

type mistPhase uint8

const (
	mistIdle mistPhase = iota
	mistRising
	mistDrying
)

// MistDetector finds mist pulses in temperature and humidity alone, without a
// schedule. The zero value is ready. It works on one-minute means, or on
// single readings where they come more rarely.
type MistDetector struct {
	Head   int           `json:"head"`
	Filled int           `json:"filled"`
	Open   mistMinute    `json:"open"` // sums of the open minute; At is its start
	Count  int           `json:"count"`
	LastAt time.Duration `json:"last_at"` // of the last reading

	Phase  mistPhase `json:"phase"`
	Now    Pulse     `json:"now"`  // while Phase is not idle
	Done   Pulse     `json:"done"` // the last finished one
	Pulses int       `json:"pulses"`
	Grams0 float64   `json:"grams0"` // g/m³ before the pulse
	Lowest float64   `json:"lowest"` // % since the peak
	Owed   bool      `json:"owed"`   // MistStarted is still to be returned
	Stirs  float64   `json:"stirs"`  // % by which minutes differ while nothing rises

	Ring   [mistBins]mistMinute `json:"ring"`
	Record dryRecord            `json:"record"`
	Levels levelRing            `json:"levels"` // before its pulses
}

// levelRing keeps how dry it was before the last pulses.
type levelRing struct {
	RH    [levelsKept]float32 `json:"rh"`
	Grams [levelsKept]float32 `json:"grams"`
	N     uint32              `json:"n"`
}

func (r *levelRing) add(rh, grams float64) {
	r.RH[r.N%levelsKept], r.Grams[r.N%levelsKept] = float32(rh), float32(grams)
	r.N++
}

// usual returns the medians in % and g/m³, infinite while there are few.
func (r *levelRing) usual() (rh, grams float64) {
	n := min(r.N, levelsKept)
	if n < levelsFew {
		return math.Inf(1), math.Inf(1)
	}
	var xs, ys [levelsKept]float64
	for i := range n {
		xs[i], ys[i] = float64(r.RH[i]), float64(r.Grams[i])
	}
	return median(xs[:n]), median(ys[:n])
}

// Observe takes one good reading.
func (d *MistDetector) Observe(at time.Duration, celsius, rh float64) MistEvent {
	if !moist(celsius, rh) || d.started() && at <= d.LastAt {
		return NoMist
	}
	if !d.sound() {
		*d = MistDetector{}
	}
	event, since := NoMist, at-d.LastAt
	if d.started() && since > mistGap {
		event = d.breakOff()
	}
	event = max(event, d.take(at, celsius, rh))
	if since >= mistBin-mistJitter {
		// Readings come more rarely than minutes: each is its own mean, now.
		event = max(event, d.close())
	}
	if event == NoMist && d.Owed {
		d.Owed = false
		return MistStarted
	}
	return event
}

// started reports whether there has been a reading since the start, or since
// the last gap.
func (d *MistDetector) started() bool { return d.Filled+d.Count > 0 }

// sound reports whether the indices are such as Observe leaves them; a state
// from elsewhere may say anything.
func (d *MistDetector) sound() bool {
	return uint(d.Head) < mistBins && uint(d.Filled) <= mistBins && d.Count >= 0
}

// take adds a reading to the open minute, after closing one that is over.
func (d *MistDetector) take(at time.Duration, celsius, rh float64) MistEvent {
	event := NoMist
	if d.Count > 0 && at-d.Open.At >= mistBin {
		event = d.close()
	}
	if d.Count == 0 {
		d.Open = mistMinute{At: at}
	}
	d.Count++
	d.Open.RH += rh
	d.Open.Temp += celsius
	d.LastAt = at
	return event
}

// breakOff ends what was under way before a gap.
func (d *MistDetector) breakOff() MistEvent {
	running := d.Phase != mistIdle
	if running {
		d.finish()
	}
	d.Filled, d.Head, d.Count, d.Owed = 0, 0, 0, false
	if running {
		return MistEnded
	}
	return NoMist
}

func (d *MistDetector) close() MistEvent {
	n := float64(d.Count)
	b := mistMinute{At: d.Open.At + (d.LastAt-d.Open.At)/2, RH: d.Open.RH / n, Temp: d.Open.Temp / n}
	d.Count = 0
	var err error
	if b.Grams, err = AbsoluteHumidity(b.Temp, min(b.RH, 100)); err != nil {
		return NoMist
	}
	if d.Phase == mistIdle && d.Filled > 0 {
		by := math.Abs(b.RH - d.Ring[(d.Head+mistBins-1)%mistBins].RH)
		d.Stirs += (min(by, stirsMost) - d.Stirs) / stirsMean
	}
	event := d.step(b)
	d.Ring[d.Head] = b
	d.Head = (d.Head + 1) % mistBins
	d.Filled = min(d.Filled+1, mistBins)
	return event
}

func (d *MistDetector) step(b mistMinute) MistEvent {
	rise, start := d.rises(b)
	switch d.Phase {
	case mistIdle:
		if rise {
			d.begin(b, start)
			return MistStarted
		}
	case mistRising:
		d.wet(b)
		if b.RH > d.Now.Peak+mistTick {
			d.Now.Peak, d.Now.PeakAt = b.RH, b.At
		}
		d.Now.Rise = max(d.Now.Rise, b.Grams-d.Grams0)
		if b.At-d.Now.PeakAt >= mistSettle || b.RH < d.Now.Peak-mistFall {
			d.Phase, d.Lowest = mistDrying, b.RH
			d.Record = dryRecord{}
			d.Record.add(b)
			return MistPeaked
		}
	case mistDrying:
		d.Lowest = min(d.Lowest, b.RH)
		// The steep first drop must not look like another rise from before.
		if rise && d.Lowest < d.Now.Peak-mistLeast && b.RH >= d.Lowest+d.rise(d.Lowest) {
			d.finish()
			d.begin(b, start)
			d.Owed = true
			return MistEnded
		}
		d.wet(b)
		d.Record.add(b)
		if b.At-d.Now.PeakAt >= mistLongest {
			d.finish()
			return MistEnded
		}
	}
	return NoMist
}

// rises reports whether b stands out above the last quarter of an hour as only
// water in the air makes it: relative and absolute humidity both up. A room
// or lamps that cool raise only the first; a door that shuts again lifts both,
// but not above what was before it opened. start is the minute before.
func (d *MistDetector) rises(b mistMinute) (bool, mistMinute) {
	var ref mistMinute
	n, highest := 0.0, 0.0
	for i := range d.Filled {
		m := &d.Ring[uint(d.Head+mistBins-1-i)%mistBins]
		age := b.At - m.At
		if age < mistRefFrom || age > mistGap {
			continue
		}
		if b.RH < m.RH+mistLeast/2 {
			return false, ref // as below, of any step
		}
		highest = max(highest, m.RH)
		if age <= mistRefTo {
			ref.RH += m.RH
			ref.Grams += m.Grams
			n++
		}
	}
	if n == 0 {
		return false, ref
	}
	ref.RH /= n
	ref.Grams /= n
	step := d.rise(ref.RH)
	if b.RH < ref.RH+step || b.RH < highest+step/2 {
		return false, ref
	}
	saturated := b.Grams * 100 / b.RH
	return b.Grams-ref.Grams >= mistWater*step/100*saturated, ref
}

// before is the mean temperature before the pulse that is under way.
func (d *MistDetector) before() (float64, bool) {
	var m pairMean
	for i := range min(max(d.Filled, 0), mistBins) {
		if b := &d.Ring[i]; b.RH > 0 && b.At < d.Now.Start && d.Now.Start-b.At <= mistRefTo {
			m.add(b.Temp, 0)
		}
	}
	return m.Value, m.N > 0
}

// rise is the rise in points that is a mist above a level in %.
func (d *MistDetector) rise(level float64) float64 {
	return max(mistLeast, min(mistStep, mistShare*(100-level)), mistClears*d.noise())
}

// noise is the standard deviation of a minute's mean, in %: two of them differ by 1.13
// of it in the mean.
func (d *MistDetector) noise() float64 { return d.Stirs / 1.13 }

// begin opens a pulse that b shows above ref. It began in the first minute that
// was a quarter of the way up.
func (d *MistDetector) begin(b, ref mistMinute) {
	start := b.At
	for i := range d.Filled {
		m := &d.Ring[(d.Head+mistBins-1-i)%mistBins]
		if m.RH < ref.RH+(b.RH-ref.RH)/4 || b.At-m.At > mistRefTo {
			break
		}
		start = m.At
	}
	d.Phase, d.Grams0 = mistRising, ref.Grams
	d.Now = Pulse{
		Start: start, PeakAt: b.At, Before: ref.RH, Peak: b.RH,
		Rise: b.Grams - ref.Grams, Clipped: ref.RH >= mistClip,
	}
	d.wet(b)
}

// wet adds the time since the minute before.
func (d *MistDetector) wet(b mistMinute) {
	if b.RH < wetAt || d.Filled == 0 {
		return
	}
	d.Now.Wet += b.At - d.Ring[(d.Head+mistBins-1)%mistBins].At
}

func (d *MistDetector) finish() {
	rh, grams := d.Levels.usual()
	d.Levels.add(d.Now.Before, d.Grams0)
	fit, ok := d.Record.fit(rh, grams)
	switch {
	case !d.Now.Clipped && ok:
		d.Now.HalfLife, d.Now.Base = fit.HalfLife, fit.BaseRH
	case d.Now.Clipped && rh < soakAgain && d.Pulses > 0:
		// It was still wet from the last pulse, and usually is not: that one
		// has not lost half of its water since.
		d.Now.HalfLife = d.Now.Start - d.Done.PeakAt
	}
	d.Done, d.Phase = d.Now, mistIdle
	d.Pulses++
}

// Current returns the pulse that is under way, drying included, if any.
func (d *MistDetector) Current() (Pulse, bool) { return d.Now, d.Phase != mistIdle }

// Rising reports whether a pulse is still on its way up.
func (d *MistDetector) Rising() bool { return d.Phase == mistRising }

// wetStill reports whether leaves and glass may be wet at due from a mist not long before.
func (d *MistDetector) wetStill(due time.Duration) bool {
	wet := func(at time.Duration) bool { return at < due && due-at < mistLeaves }
	return d.Phase != mistIdle && wet(d.Now.PeakAt) || d.Pulses > 0 && wet(d.Done.PeakAt)
}

// Last returns the last finished pulse.
func (d *MistDetector) Last() (Pulse, bool) { return d.Done, d.Pulses > 0 }
