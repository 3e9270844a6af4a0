package climate

import (
	"encoding/base64"
	"encoding/binary"
	"fmt"
	"math"
	"slices"
	"time"
)

// A DryPoint is one point of a dry-down.
type DryPoint struct {
	After time.Duration // since the peak
	Temp  float64       // °C
	RH    float64       // %
}

// A DryFit is base + amplitude · e^(−t/τ) laid through a dry-down.
type DryFit struct {
	HalfLife  time.Duration
	Base      float64 // in the unit of the fit
	Amplitude float64 // at t = 0, in the unit of the fit
	Grams     bool    // fitted in g/m³, because the temperature moved; otherwise in %
	BaseRH    float64 // % at the mean temperature
	R2        float64 // of the logarithms
}

const (
	dryPoints    = 128
	dryFrom      = 2.0  // points below the peak, where the knee is past
	dryTo        = 3.0  // points above the base, where noise takes over
	dryCools     = 0.25 // °C of cooling that end a record
	dryMoved     = 0.5  // °C from which relative humidity alone misleads
	dryLeast     = 4    // points to fit
	dryLeastFall = 6.0  // points from peak to base
	dryLeastR2   = 0.7
)

// fitDryDown fits the points after a peak, at most 128 of them, in ascending
// time. The base is the 10th percentile of the humidity, or a lower one, in %
// and in g/m³, that is known from other days: a dry-down that the next pulse
// cuts short never shows its own. Where temperature moved by more than 0.5 °C,
// absolute humidity is fitted instead. False where the fall is less than 6
// points or not a decay.
func fitDryDown(points []DryPoint, baseRH, baseGrams float64) (DryFit, bool) {
	n := len(points)
	if n < dryLeast || n > dryPoints {
		return DryFit{}, false
	}
	var ys, sorted [dryPoints]float64
	meanTemp := 0.0
	low, high := math.Inf(1), math.Inf(-1)
	for _, p := range points {
		meanTemp += p.Temp / float64(n)
		low, high = min(low, p.Temp), max(high, p.Temp)
	}
	full, err := AbsoluteHumidity(meanTemp, 100)
	if err != nil {
		return DryFit{}, false
	}
	f := DryFit{Grams: high-low > dryMoved}
	unit := 1.0 // of one point of relative humidity
	if f.Grams {
		unit = full / 100
	}
	for i, p := range points {
		ys[i] = p.RH
		if f.Grams {
			if ys[i], err = AbsoluteHumidity(p.Temp, p.RH); err != nil {
				return DryFit{}, false
			}
		}
	}
	copy(sorted[:n], ys[:n])
	usual := baseRH
	if f.Grams {
		usual = baseGrams
	}
	slices.Sort(sorted[:n])
	f.Base = min(sorted[n/10], usual)
	f.BaseRH = f.Base / unit
	if f.BaseRH > 100 {
		f.BaseRH = 100
	}
	return f, f.decay(points, ys[:n], unit)
}

// decay fits a straight line to ln(y − base) between knee and noise.
func (f *DryFit) decay(points []DryPoint, ys []float64, unit float64) bool {
	peak, at := ys[0], 0
	for i, y := range ys {
		if y > peak {
			peak, at = y, i
		}
	}
	if peak-f.Base < dryLeastFall*unit {
		return false
	}
	var n, sx, sy, sxx, sxy, syy float64
	for i := at; i < len(ys); i++ {
		if ys[i] >= peak-dryFrom*unit {
			continue
		}
		if ys[i] < f.Base+dryTo*unit {
			break
		}
		x, y := points[i].After.Hours(), math.Log(ys[i]-f.Base)
		n++
		sx += x
		sy += y
		sxx += x * x
		sxy += x * y
		syy += y * y
	}
	if n < dryLeast {
		return false
	}
	vx, vy, cov := sxx-sx*sx/n, syy-sy*sy/n, sxy-sx*sy/n
	if !(vx > 0 && vy > 0 && cov < 0) {
		return false
	}
	slope := cov / vx
	f.R2 = cov * cov / (vx * vy)
	f.Amplitude = math.Exp((sy - slope*sx) / n)
	f.HalfLife = fromHours(-math.Ln2 / slope)
	return f.R2 >= dryLeastR2
}

// dryRecord keeps a dry-down of any length in a fixed number of points: when
// it is full, neighbours are merged and the pace is halved.
type dryRecord struct {
	Points  dryRing       `json:"points"`
	N       int           `json:"n"`
	Pace    int           `json:"pace"` // minutes' means in one point
	Begin   time.Duration `json:"begin"`
	Sum     DryPoint      `json:"sum"` // of the open point
	Count   int           `json:"count"`
	Warmest float64       `json:"warmest"` // °C so far
	Ended   bool          `json:"ended"`   // the temperature left for somewhere else
}

// dryRing is kept in JSON as one base64 string.
type dryRing [dryPoints]packedPoint

// A packedPoint is a DryPoint in six bytes.
type packedPoint struct {
	seconds uint16 // 10 s
	temp    int16  // 0.01 °C
	rh      uint16 // 0.01 %
}

func pack(p DryPoint) packedPoint {
	return packedPoint{uint16(min(p.After/(10*time.Second), math.MaxUint16)), centi(p.Temp), uint16(centi(p.RH))}
}

func (p packedPoint) unpack() DryPoint {
	return DryPoint{time.Duration(p.seconds) * 10 * time.Second, float64(p.temp) / 100, float64(p.rh) / 100}
}

// MarshalText packs the ring.
func (r dryRing) MarshalText() ([]byte, error) {
	raw := make([]byte, 0, dryPoints*slotBytes)
	for _, p := range r {
		raw = binary.LittleEndian.AppendUint16(raw, p.seconds)
		raw = binary.LittleEndian.AppendUint16(raw, uint16(p.temp))
		raw = binary.LittleEndian.AppendUint16(raw, p.rh)
	}
	return base64.StdEncoding.AppendEncode(nil, raw), nil
}

// UnmarshalText accepts exactly what MarshalText writes.
func (r *dryRing) UnmarshalText(text []byte) error {
	raw, err := base64.StdEncoding.AppendDecode(nil, text)
	if err != nil {
		return fmt.Errorf("dry-down: %w", err)
	}
	if len(raw) != dryPoints*slotBytes {
		return fmt.Errorf("dry-down has %d bytes, not %d", len(raw), dryPoints*slotBytes)
	}
	for i := range r {
		b := raw[i*slotBytes:]
		r[i] = packedPoint{
			binary.LittleEndian.Uint16(b), int16(binary.LittleEndian.Uint16(b[2:])), binary.LittleEndian.Uint16(b[4:]),
		}
	}
	return nil
}

func (r *dryRecord) add(b mistMinute) {
	if r.Pace <= 0 || uint(r.N) >= dryPoints {
		*r = dryRecord{Pace: 1, Begin: b.At, Warmest: b.Temp}
	}
	// Lamps that go off condense the water: what follows is no longer the
	// drying of this mist.
	r.Warmest = max(r.Warmest, b.Temp)
	if r.Ended = r.Ended || b.Temp < r.Warmest-dryCools; r.Ended {
		return
	}
	r.Sum.After += b.At - r.Begin
	r.Sum.Temp += b.Temp
	r.Sum.RH += b.RH
	r.Count++
	if r.Count < r.Pace {
		return
	}
	c := float64(r.Count)
	r.Points[r.N] = pack(DryPoint{r.Sum.After / time.Duration(r.Count), r.Sum.Temp / c, r.Sum.RH / c})
	r.N++
	r.Sum, r.Count = DryPoint{}, 0
	if r.N == dryPoints {
		for i := range dryPoints / 2 {
			a, b := r.Points[2*i].unpack(), r.Points[2*i+1].unpack()
			r.Points[i] = pack(DryPoint{(a.After + b.After) / 2, (a.Temp + b.Temp) / 2, (a.RH + b.RH) / 2})
		}
		r.N, r.Pace = dryPoints/2, 2*r.Pace
	}
}

func (r *dryRecord) fit(baseRH, baseGrams float64) (DryFit, bool) {
	var points [dryPoints]DryPoint
	n := min(max(r.N, 0), dryPoints) // a record from the store may say anything
	for i := range n {
		points[i] = r.Points[i].unpack()
		points[i].RH = min(points[i].RH, 100)
	}
	return fitDryDown(points[:n], baseRH, baseGrams)
}

// A DryHint is what a changed dry-down points at.
type DryHint uint8

// The hints.
const (
	DryUsual  DryHint = iota
	DrySlower         // half-life has about doubled: vent blocked or fan dead
	DryFaster         // it has about halved: seal, vent or a fan that does not stop
)

const (
	dryKept     = 64
	dryDays     = 14 * 24 * time.Hour
	dryHours    = 2 * time.Hour
	dryRecent   = 3
	dryLook     = 6 // pulses back; what is usual is taken from before
	dryUsualFew = 5
	drySlow     = 1.8
	dryFast     = 0.55
)

// DryDown follows the half-life of an enclosure's mist pulses against its own
// 14-day median at the same time of day. The zero value is ready.
type DryDown struct {
	At     [dryKept]time.Duration `json:"at"`
	Halves [dryKept]time.Duration `json:"halves"`
	N      uint32                 `json:"n"` // ever added
}

// Add takes the half-life of a finished pulse; at is its start. Zero
// half-lives are ignored.
func (d *DryDown) Add(at, halfLife time.Duration) {
	if halfLife <= 0 {
		return
	}
	d.At[d.N%dryKept], d.Halves[d.N%dryKept] = at, halfLife
	d.N++
}

// Trend returns how the last three half-lives that can be judged compare with
// the usual ones of the 14 days before, each with those of pulses at its own
// time of day: lamps make mornings dry faster than evenings. It is the middle
// one of the three that is returned; false while there are fewer than five to
// compare with.
func (d *DryDown) Trend() (recent, usual time.Duration, ratio float64, ok bool) {
	var ratios, last [dryRecent]float64
	n := 0
	var at [dryRecent]uint32
	for i := uint32(0); i < min(d.N, dryLook) && n < dryRecent; i++ {
		k := (d.N - 1 - i) % dryKept
		if u, ok := d.usual(d.At[k]); ok {
			ratios[n] = float64(d.Halves[k]) / float64(u)
			last[n], at[n] = ratios[n], k
			n++
		}
	}
	if n < dryRecent {
		return 0, 0, 0, false
	}
	ratio = median(ratios[:])
	for i := range last {
		if last[i] == ratio {
			recent = d.Halves[at[i]]
			usual, _ = d.usual(d.At[at[i]])
		}
	}
	return recent, usual, ratio, true
}

// usual returns the median of what was measured in the 14 days before the last
// six pulses at the time of day of at.
func (d *DryDown) usual(at time.Duration) (time.Duration, bool) {
	const day = 24 * time.Hour
	var xs [dryKept]float64
	n := 0
	for i := uint32(dryLook); i < min(d.N, dryKept); i++ {
		k := (d.N - 1 - i) % dryKept
		apart := (at - d.At[k]) % day
		if at-d.At[k] <= dryDays && min(apart, day-apart) <= dryHours {
			xs[n] = float64(d.Halves[k])
			n++
		}
	}
	return time.Duration(median(xs[:n])), n >= dryUsualFew
}

// Hint says what the ratio points at.
func (d *DryDown) Hint() DryHint {
	_, _, ratio, ok := d.Trend()
	switch {
	case ok && ratio >= drySlow:
		return DrySlower
	case ok && ratio <= dryFast:
		return DryFaster
	default:
		return DryUsual
	}
}
