package store

import (
	"cmp"
	"math"
	"slices"
	"time"

	"dewline/rules/climate"
	"dewline/sensors"
	"dewline/store/block"
)

// levels is how many levels of rollups there are; index 0 is TenMinutes.
const levels = 2

// spanMillis is the length of one rollup of each level.
var spanMillis = [levels]int64{600_000, hourMillis}

// gapAfter is how many usual intervals may pass before the rest of the wait
// counts as a gap and not as the reading's own time.
const gapAfter = 2.5

// sumLevels makes the rollups of each level of one probe's records.
func sumLevels(probe sensors.ProbeID, recs []block.Record, limits LimitsFunc) (out [levels][]block.Span) {
	for l := range out {
		out[l] = sumUp(nil, probe, recs, limits, l)
	}
	return out
}

// sumUp appends to dst the rollups of a level of one probe's records, which are in the order
// they were taken. Spans follow wall time; a span may appear twice after a clock step and
// is merged when read.
func sumUp(dst []block.Span, probe sensors.ProbeID, recs []block.Record, limits LimitsFunc, l int) []block.Span {
	var p pace
	var open tally
	var sat saturation
	width := spanMillis[l]
	for i := range recs {
		r, covers := &recs[i], p.covers(recs, i)
		if sensors.Quality(r.Quality) == sensors.Bad || r.Has&(block.Temperature|block.Humidity) == 0 {
			continue
		}
		if in := r.Wall - open.span.Start; in < 0 || in >= width {
			dst = open.flush(dst)
			open = tally{span: block.Span{Start: floorDiv(r.Wall, width) * width}}
		}
		var lim Limits
		if limits != nil {
			lim = limits(probe, instantOf(r))
		}
		open.add(r, covers, &lim, &sat)
	}
	return open.flush(dst)
}

// A pace is the interval between a probe's readings that is usual just then, in
// milliseconds: it may be polled more or less often from some time on. The zero value is
// ready.
type pace int64

// covers is for how long reading i stands. Called for one reading after another, it looks
// at those around only where the interval is another than was usual.
func (p *pace) covers(recs []block.Record, i int) int64 {
	d := int64(0)
	if i+1 < len(recs) {
		d = recs[i+1].Mono - recs[i].Mono
	}
	if *p == 0 || i+1 < len(recs) && (d > p.gap() || gapAfter*float64(d) < float64(*p)) {
		*p = paceAt(recs, i)
	}
	if i+1 == len(recs) || d < 0 || d > p.gap() {
		return int64(*p)
	}
	return d
}

// gap is the longest wait that is all one reading's time.
func (p *pace) gap() int64 { return int64(gapAfter * float64(*p)) }

// paceAt is the median of the intervals around reading i, 10 s where there are none.
func paceAt(recs []block.Record, i int) pace {
	const around = 4
	var room [2*around + 1]int64
	steps := room[:0]
	for k := max(i-around, 0); k <= i+around && k+1 < len(recs); k++ {
		if d := recs[k+1].Mono - recs[k].Mono; d > 0 {
			steps = append(steps, d)
		}
	}
	if len(steps) == 0 {
		return 10_000
	}
	slices.Sort(steps)
	return pace(steps[(len(steps)-1)/2])
}

// A tally is a rollup being made: of temperature, humidity and the deficit.
type tally struct {
	span  block.Span
	total [3]int64
	n     [3]int64
}

// spreads are where a rollup has its quantities, and as what it says that it has them.
func spreads(s *block.Span) [3]*block.Three { return [...]*block.Three{&s.Temp, &s.Hum, &s.VPD} }

var spreadBits = [...]uint8{block.Temperature, block.Humidity, hasVPD}

// hasVPD marks a span with a vapour pressure deficit. A Rollup carries it as
// both temperature and humidity being there.
const hasVPD = 1 << 3

// take counts one value of a quantity; the mean comes at the end.
func (s *tally) take(i int, t *block.Three, v int32) {
	if s.n[i] == 0 {
		*t = block.Three{Min: v, Mean: v, Max: v}
	}
	t.Min, t.Max = min(t.Min, v), max(t.Max, v)
	s.total[i], s.n[i] = s.total[i]+int64(v), s.n[i]+1
}

// inBand reports whether t lies in the band, both ends inside; without an end it
// is open there, without both there is none.
func (l *Limits) inBand(t sensors.CentiCelsius) bool {
	return (l.Low != nil || l.High != nil) && (l.Low == nil || t >= *l.Low) && (l.High == nil || t <= *l.High)
}

// add counts one reading that stands for covers milliseconds.
func (s *tally) add(r *block.Record, covers int64, lim *Limits, sat *saturation) {
	s.span.Count++
	s.span.Covered += covers
	hasT, hasH := r.Has&block.Temperature != 0, r.Has&block.Humidity != 0
	temp, hum := r.Value[0], r.Value[1]
	if hasT {
		s.take(0, &s.span.Temp, temp)
		t := sensors.CentiCelsius(temp)
		if lim.inBand(t) {
			s.span.InBand += covers
		}
		if lim.Lethal != nil && t >= *lim.Lethal {
			s.span.Above += covers
		}
	}
	if hasH {
		s.take(1, &s.span.Hum, hum)
		if lim.Floor != nil && sensors.CentiPercent(hum) < *lim.Floor {
			s.span.Below += covers
		}
	}
	if hasT && hasH {
		if pa, ok := sat.vpd(temp, hum); ok {
			s.take(2, &s.span.VPD, pa)
		}
	}
}

// A saturation remembers saturation pressures of the temperatures met last: a
// probe shows the same few hundredths again and again, and a logarithm and an
// exponential a reading would be most of the work of a replayed year.
type saturation struct {
	temp [256]int32
	pa   [256]float64 // 0 where nothing is remembered
}

// vpd is the vapour pressure deficit in whole pascals.
func (s *saturation) vpd(t, h int32) (int32, bool) {
	rh := sensors.CentiPercent(h).Percent()
	if !(rh > 0 && rh <= 100) {
		return 0, false
	}
	at := uint32(t) % uint32(len(s.temp))
	if s.temp[at] != t || s.pa[at] == 0 {
		pa, err := climate.SaturationPressure(sensors.CentiCelsius(t).Celsius())
		if err != nil {
			return 0, false
		}
		s.temp[at], s.pa[at] = t, pa
	}
	return int32(math.Round(s.pa[at] * (100 - rh) / 100)), true
}

// flush appends the finished rollup, if there is one.
func (s *tally) flush(dst []block.Span) []block.Span {
	if s.span.Count == 0 {
		return dst
	}
	for i, t := range spreads(&s.span) {
		if s.n[i] > 0 {
			s.span.Has |= spreadBits[i]
			t.Mean = roundDiv(s.total[i], s.n[i])
		}
	}
	return append(dst, s.span)
}

// roundDiv is a/n rounded to the nearest, halves away from zero.
func roundDiv(a, n int64) int32 { return int32(math.Round(float64(a) / float64(n))) }

// ordered keeps the spans that start in [lo, hi), sorts them where the clock
// was set back or an hour has several bundles, and merges those that start together.
func ordered(spans []block.Span, lo, hi int64) []block.Span {
	spans = slices.DeleteFunc(spans, func(s block.Span) bool { return s.Start < lo || s.Start >= hi })
	slices.SortStableFunc(spans, func(a, b block.Span) int { return cmp.Compare(a.Start, b.Start) })
	out := spans[:0]
	for len(spans) > 0 {
		n := 1
		for n < len(spans) && spans[n].Start == spans[0].Start {
			n++
		}
		one := spans[0]
		if n > 1 {
			one = mergeSpans(spans[:n]...)
		}
		out, spans = append(out, one), spans[n:]
	}
	return out
}

// mergeSpans joins rollups of one span of time. It weighs the means by the readings of
// each, of whichever quantities they had: exact where all readings had this one, and near
// enough where some had not.
func mergeSpans(spans ...block.Span) block.Span {
	out := block.Span{Start: spans[0].Start}
	var total, n [3]int64
	for i := range spans {
		s := &spans[i]
		out.Count += s.Count
		out.InBand, out.Below, out.Above = out.InBand+s.InBand, out.Below+s.Below, out.Above+s.Above
		out.Covered += s.Covered
		into := spreads(&out)
		for q, x := range spreads(s) {
			if s.Has&spreadBits[q] == 0 {
				continue
			}
			t := into[q]
			if n[q] == 0 {
				*t = *x
			}
			t.Min, t.Max = min(t.Min, x.Min), max(t.Max, x.Max)
			total[q], n[q] = total[q]+int64(x.Mean)*int64(s.Count), n[q]+int64(s.Count)
		}
		out.Has |= s.Has
	}
	for q, t := range spreads(&out) {
		if n[q] > 0 {
			t.Mean = roundDiv(total[q], n[q])
		}
	}
	return out
}

func instantOf(r *block.Record) sensors.Instant {
	return sensors.Instant{
		Mono: time.Duration(r.Mono) * time.Millisecond, Wall: time.UnixMilli(r.Wall).UTC(), Synced: r.Synced,
	}
}

// rollupOf turns a span of the record into what callers see.
func rollupOf(probe sensors.ProbeID, level Level, s *block.Span) Rollup {
	ms := func(v int64) time.Duration { return time.Duration(v) * time.Millisecond }
	return Rollup{
		Probe: probe, Start: time.UnixMilli(s.Start).UTC(), Level: level, Count: int(s.Count),
		Has:         sensors.Quantities(s.Has & 7),
		Temperature: Spread(s.Temp), Humidity: Spread(s.Hum), VPD: Spread(s.VPD),
		InBand: ms(s.InBand), BelowFloor: ms(s.Below), AboveCeil: ms(s.Above), Covered: ms(s.Covered),
		Gap: max(level.Span()-ms(s.Covered), 0),
	}
}

// floorDiv rounds down where Go rounds towards zero: wall times before 1970 occur on a
// board that lost its clock.
func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}
