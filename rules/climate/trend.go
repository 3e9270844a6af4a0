package climate

import (
	"cmp"
	"math"
	"time"
)

const (
	trendBin   = 2 * time.Minute
	trendBins  = 15 // 30 min
	trendShort = 8  // 16 min
	trendGap   = LongestGap
	trendLeast = 14 * time.Minute // from the first bin's middle to the last's
	// A probe's last digit is 0.01 °C, and air in an enclosure is never
	// quieter than that: below this a sigma would only claim what it cannot know.
	trendNoise = 0.01
	// Lamps that come on warm by some 3 °C in the first half hour.
	trendSteep = 6.0 // °C/h
	steepNoise = 4.0 // standard deviations of a reading that a steep rise is at least
	// What a reading strays by is a mean over so many; a step is no more than three of it.
	strayMean, strayMost = 64.0, 3.0
	straySigma           = 1.954 // mean second difference of readings that stray by 1, as normal ones
	grainSigma           = 0.6   // steps of the figures by which both ends of a line may be off
	blurGrain            = 0.4   // of a step of the figures is as much as noise of that size
	// A rise that slows down: means of a half that tell its rate, how far apart those of the
	// halves are and by how much the latter may be slower, and the least time constant of
	// what is heated.
	bendLeast = 3
	bendSure  = 1.2  // standard deviations
	bendSlow  = 0.5  // standard deviations
	bendTau   = 0.05 // h
)

// A Slope is a rate of change with its uncertainty.
type Slope struct {
	PerHour float64       `json:"per_hour"` // °C/h
	Sigma   float64       `json:"sigma"`    // standard uncertainty of PerHour, °C/h
	Value   float64       `json:"value"`    // smoothed value at the end of the window, °C
	Span    time.Duration `json:"span"`     // running time that it was taken over
}

// Rises reports whether the value rises by at least so many °C/h, and clearly so.
func (s Slope) Rises(least float64) bool { return s.PerHour >= max(least, 2*s.Sigma) }

// IsSteep reports whether it rises faster than lamps that come on make it for long.
func (s Slope) IsSteep() bool { return s.Rises(trendSteep) }

// Falls is Rises downwards.
func (s Slope) Falls(least float64) bool { return -s.PerHour >= max(least, 2*s.Sigma) }

// Shown is the rate for people in °C/h: none where it is less than its uncertainty.
func (s Slope) Shown() float64 {
	if math.Abs(s.PerHour) < s.Sigma {
		return 0
	}
	return s.PerHour
}

// Trend estimates a robust slope over the last 15 to 30 minutes. The zero
// value is ready. Two-minute means make it cheap and quiet; one wild mean in
// four does not move it.
type Trend struct {
	Times  [trendBins]time.Duration `json:"times"` // ring of closed bins: mean time
	Values [trendBins]float64       `json:"values"`
	Head   int                      `json:"head"` // where the next closed bin goes
	Filled int                      `json:"filled"`
	// The open bin: sums over Count readings, times as offsets from Start.
	Start   time.Duration `json:"start"`
	Count   int           `json:"count"`
	Sum     float64       `json:"sum"`
	TimeSum time.Duration `json:"time_sum"`
	Last    time.Duration `json:"last"`
	// How the readings are without the air: the least step of their figures, and the
	// mean size of their second differences, which a steady rise does not make.
	Grain float64    `json:"grain,omitempty"` // °C; 0 for not known
	Stray float64    `json:"stray,omitempty"` // °C
	Was   [2]float64 `json:"was"`             // the last two readings
	Seen  uint8      `json:"seen,omitempty"`  // of these
	// The same when the newest bin was closed, so that a slope is the same whenever
	// it is asked for.
	BinNoise float64 `json:"bin_noise,omitempty"`
	BinGrain float64 `json:"bin_grain,omitempty"`

	slope   Slope // of the closed bins, while known
	ok      bool
	current bool // slope and ok belong to the bins as they are
	calm    int  // so many of the last steps from bin to bin were not steep
}

// Observe takes one good reading. After 15 minutes without one it starts anew.
func (t *Trend) Observe(at time.Duration, celsius float64) {
	if !finite(celsius) {
		return
	}
	if at-t.Last > trendGap || at < t.Last || !t.sound() {
		*t = Trend{Grain: t.Grain, Stray: t.Stray}
	}
	t.strays(celsius)
	if t.Count > 0 && at-t.Start >= trendBin {
		t.close()
	}
	if t.Count == 0 {
		t.Start = at
	}
	t.Count++
	t.Sum += celsius
	t.TimeSum += at - t.Start
	if t.Seen > 1 && at-t.Last >= trendBin {
		t.close() // nothing more will come for it
	}
	t.Last = at
}

// strays takes what a reading says about the readings themselves.
func (t *Trend) strays(celsius float64) {
	if move := math.Abs(celsius - t.Was[0]); t.Seen > 0 && move > 0 && (t.Grain == 0 || move < t.Grain) {
		t.Grain = move
	}
	if bend := math.Abs(celsius - 2*t.Was[0] + t.Was[1]); t.Seen == 2 {
		if t.Stray > 0 {
			bend = min(bend, strayMost*t.Stray)
		}
		t.Stray += (bend - t.Stray) / strayMean
	}
	t.Was[0], t.Was[1], t.Seen = celsius, t.Was[0], min(t.Seen+1, 2)
}

// Noise is by how much one reading strays, as a standard deviation in °C.
func (t *Trend) Noise() float64 { return t.Stray / straySigma }

// Blur is by how much a reading may be off from the air, in °C: what it strays by, or what
// its figures round away.
func (t *Trend) Blur() float64 { return max(t.Noise(), blurGrain*t.Grain) }

// sound reports whether the indices are such as Observe leaves them; a state
// from elsewhere may say anything.
func (t *Trend) sound() bool {
	return uint(t.Head) < trendBins && uint(t.Filled) <= trendBins && t.Count >= 0
}

func (t *Trend) close() {
	t.Times[t.Head] = t.Start + t.TimeSum/time.Duration(t.Count)
	t.Values[t.Head] = t.Sum / float64(t.Count)
	if before := (t.Head + trendBins - 1) % trendBins; t.Filled == 0 || mayBeSteep(t.Values[t.Head]-t.Values[before], (t.Times[t.Head]-t.Times[before]).Hours()) {
		t.calm = 0
	} else {
		t.calm++
	}
	t.Head = (t.Head + 1) % trendBins
	t.Filled = min(t.Filled+1, trendBins)
	t.Count, t.Sum, t.TimeSum = 0, 0, 0
	t.BinNoise, t.BinGrain, t.current = t.Noise(), t.Grain, false
}

// Slope returns the rate at the last closed two minutes, false while there
// are less than 15 minutes without a gap. It is computed once per bin.
func (t *Trend) Slope() (Slope, bool) {
	if !t.current {
		t.slope, t.ok = t.compute()
		t.current = true
	}
	return t.slope, t.ok
}

// Steep is the rate in °C/h that the value has kept for the last six minutes, where
// it is so steep that no noise makes it: long before a slope is known. It is the
// least of three parts, as a leap is over in two; of two, where each is one reading.
func (t *Trend) Steep() (perHour float64, ok bool) {
	if t.Filled < 3 || !t.sound() {
		return 0, false
	}
	at := func(i int) int { return (t.Head + trendBins - i) % trendBins }
	parts := 3
	if t.Times[at(1)]-t.Times[at(3)] >= 3*trendBin {
		parts = 2
	}
	if t.Filled <= parts {
		return 0, false
	}
	rate := func(newer, older int) float64 {
		dt := (t.Times[newer] - t.Times[older]).Hours()
		if dt <= 0 || dt > trendGap.Hours() {
			return 0
		}
		return (t.Values[newer] - t.Values[older]) / dt
	}
	r := math.Inf(1)
	for i := range parts {
		if r = min(r, rate(at(i+1), at(i+2))); r < trendSteep {
			return r, false
		}
	}
	noise := steepNoise * t.Noise()
	if t.Count == 0 { // each bin is one reading
		noise *= math.Sqrt2
	}
	return r, t.Values[at(1)]-t.Values[at(1+parts)] >= noise
}

// A Bend is how a rise slows down, as what is heated toward a balance does.
type Bend struct {
	More  float64 // °C that are still to come
	Least float64 // the same, if it goes on as slowly as it may have become
	Tau   float64 // h in which all but 37 % of them do; 0 where it does not clearly slow down
}

// Reaches reports whether a rise that slows down so goes that far, in °C.
func (b Bend) Reaches(way float64) bool { return b.Tau == 0 || b.More > way }

// Takes is the longest that it takes to, Horizon where it may not get there and 0 where it
// does not slow down.
func (b Bend) Takes(way float64) time.Duration {
	switch {
	case b.Tau == 0:
		return 0
	case b.Least <= way:
		return Horizon
	}
	return min(fromHours(-b.Tau*math.Log1p(-way/b.Least)), Horizon)
}

// bend compares the two halves of the last half hour.
func (t *Trend) bend() (b Bend, sure float64) {
	var xs, ys [trendBins]float64
	n := t.recent(&xs, &ys)
	return bendOf(xs[:n], ys[:n], 0, max(trendNoise, t.Noise()/math.Sqrt2, t.rounds()))
}

// rounds is what the figures round away of a mean, in °C: nothing where readings stray by
// as much.
func (t *Trend) rounds() float64 { return blurGrain*t.Grain - t.Noise() }

// bendOf compares the two halves of a rise, the first of which was faster than it goes now, in
// °C/h, and says how many standard deviations their rates are apart.
func bendOf(xs, ys []float64, now, noise float64) (b Bend, sure float64) {
	if len(xs) < 2*bendLeast {
		return Bend{}, 0
	}
	half, late := (len(xs)+1)/2, len(xs)-(len(xs)+1)/2
	first, last := theilSen(xs[:half], ys[:half], noise), theilSen(xs[late:], ys[late:], noise)
	was, is := first.PerHour, last.PerHour
	if sure = (was - is) / math.Hypot(first.Sigma, last.Sigma); was <= now || sure < bendSure {
		return Bend{}, 0
	}
	apart := xs[late] - xs[0] // h between the middles of both
	ends := func(is float64) (more, tau float64) {
		if is < was*math.Exp(-apart/bendTau) {
			return 0, bendTau
		}
		tau = apart / math.Log(was/is)
		return is * math.Sqrt(is/was) * tau, tau
	}
	b.More, b.Tau = ends(is)
	b.Least, _ = ends(is - bendSlow*last.Sigma)
	return b, sure
}

// recent fills in the bins of the last half hour, in hours before the newest and °C, and
// returns how many: slow probes fill the ring with more. At least four are taken.
func (t *Trend) recent(xs, ys *[trendBins]float64) int {
	if t.Filled == 0 || !t.sound() {
		return 0
	}
	newest := t.Times[(t.Head+trendBins-1)%trendBins]
	at := func(i int) int { return (t.Head + trendBins - t.Filled + i) % trendBins }
	first := 0
	for first < t.Filled-4 && (t.Times[at(first)]-newest).Hours() < -0.5 {
		first++
	}
	for i := first; i < t.Filled; i++ {
		xs[i-first] = (t.Times[at(i)] - newest).Hours()
		ys[i-first] = t.Values[at(i)]
	}
	return t.Filled - first
}

// compute fits all bins, and the newer half where that clearly disagrees: at
// the onset of a failure the older half still tells of better times.
func (t *Trend) compute() (Slope, bool) {
	var xs, ys [trendBins]float64
	n := t.recent(&xs, &ys)
	if n < 4 || -xs[0] < trendLeast.Hours() {
		return Slope{}, false
	}
	whole := t.line(xs[:n], ys[:n])
	if n <= trendShort {
		return whole, true
	}
	short := t.line(xs[n-trendShort:n], ys[n-trendShort:n])
	if math.Abs(short.PerHour-whole.PerHour) > 2.5*short.Sigma {
		return short, true
	}
	return whole, true
}

// line is the slope of some bins, no surer than coarse and noisy readings let it be:
// means of two that are rounded alike do not stray.
func (t *Trend) line(xs, ys []float64) Slope {
	noise, grain := cmp.Or(t.BinNoise, t.Noise()), cmp.Or(t.BinGrain, t.Grain) // older states have none
	s := theilSen(xs, ys, max(trendNoise, noise/math.Sqrt2))
	s.Sigma = max(s.Sigma, grainSigma*grain/-xs[0])
	return s
}

// theilSen returns the median of all pairwise slopes, after Sen 1968, with a
// standard uncertainty from the scatter about the line. xs ascend to 0.
func theilSen(xs, ys []float64, noise float64) Slope {
	var pairs [trendBins * (trendBins - 1) / 2]float64
	n := 0
	for i := range xs {
		for j := range i {
			pairs[n] = (ys[i] - ys[j]) / (xs[i] - xs[j])
			n++
		}
	}
	rate := median(pairs[:n])
	rest := pairs[:len(xs)]
	mean := 0.0
	for i := range xs {
		rest[i] = ys[i] - rate*xs[i]
		mean += xs[i] / float64(len(xs))
	}
	value := median(rest)
	for i := range xs {
		rest[i] = ys[i] - rate*xs[i]
	}
	scatter := max(spread(rest, value), noise)
	sxx := 0.0
	for _, x := range xs {
		sxx += (x - mean) * (x - mean)
	}
	// Neighbouring bins err together (air stirs slowly), which the plain
	// formula does not know, and few bins tell little of their scatter: widen it.
	return Slope{
		PerHour: rate, Sigma: 1.8 * scatter / math.Sqrt(sxx), Value: value,
		Span: time.Duration(-xs[0] * float64(time.Hour)),
	}
}

// MayBeSteep reports whether Slope may be steep, or Steep true, for next to nothing: no line
// is steeper than the steepest step between neighbours.
func (t *Trend) MayBeSteep() bool { return t.calm < t.Filled-1 }

// mayBeSteep reports whether a step of so many °C in so many hours is, to within what
// rounding does to the lines that are made of it.
func mayBeSteep(step, hours float64) bool { return !(step < 0.99*trendSteep*hours) }

// Now is the value that the slope leads to at a time, smoother than a reading; false
// where no slope is known.
func (t *Trend) Now(at time.Duration) (celsius float64, ok bool) {
	s, ok := t.Slope()
	if !ok || t.Filled == 0 {
		return 0, false
	}
	since := at - t.Times[(t.Head+trendBins-1)%trendBins]
	return s.Value + s.PerHour*min(max(since, 0), trendGap).Hours(), true
}

// Change returns by how much the value moved over the last 30 minutes, false
// while there are less than 25.
func (t *Trend) Change() (float64, bool) {
	if t.Filled == 0 || !t.sound() {
		return 0, false
	}
	newest := (t.Head + trendBins - 1) % trendBins
	for i := range t.Filled {
		k := (t.Head + trendBins - t.Filled + i) % trendBins
		age := t.Times[newest] - t.Times[k]
		if age > 35*time.Minute {
			continue
		}
		return t.Values[newest] - t.Values[k], age >= 25*time.Minute
	}
	return 0, false
}

func fromHours(h float64) time.Duration { return time.Duration(h * float64(time.Hour)) }
