package block

import "math"

// A line predicts a calibrated value from its raw one; where it does, the
// calibrated column costs nothing.
type line struct {
	gain, offset int64 // in 1/lineOne
	clip         bool  // to 0–100.00 %, as calibrated humidities are
}

const (
	lineBits = 20
	lineOne  = 1 << lineBits
	fullWet  = 10000
)

func (l line) at(raw int64) int64 {
	v := (raw*l.gain + l.offset + lineOne/2) >> lineBits
	if l.clip {
		return min(max(v, 0), fullWet)
	}
	return v
}

// fitLine returns a pure offset when that explains every calibrated value, else the
// least-squares line through those that were not clipped.
func fitLine(raw, cal []int64, clip bool) line {
	shows := func(v int64) bool { return !clip || v > 0 && v < fullWet } // not clipped
	l := line{gain: lineOne, clip: clip}
	shift, exact := fitShift(raw, cal, clip)
	l.offset = shift << lineBits
	if exact {
		return l
	}
	var n, sx, sy float64
	for i, v := range cal {
		if shows(v) {
			n, sx, sy = n+1, sx+float64(raw[i]), sy+float64(v)
		}
	}
	var sxx, sxy float64
	for i, v := range cal {
		if shows(v) {
			dx := float64(raw[i]) - sx/n
			sxx, sxy = sxx+dx*dx, sxy+dx*(float64(v)-sy/n)
		}
	}
	if gain := sxy / sxx; sxx > 0 && gain > 0.5 && gain < 2 {
		l.gain = int64(gain*lineOne + 0.5)
		l.offset = int64((sy/n - sx/n*gain) * lineOne)
	}
	return l
}

// fitShift returns how far the first value that was not clipped is from its raw
// one, and whether all of them are as far.
func fitShift(raw, cal []int64, clip bool) (shift int64, all bool) {
	least, most := int64(math.MinInt64), int64(math.MaxInt64)
	if clip {
		least, most = 0, fullWet
	}
	found := false
	for i, v := range cal {
		switch {
		case v <= least || v >= most: // clipped
		case !found:
			shift, found = v-raw[i], true
		case v-raw[i] != shift:
			return shift, false
		}
	}
	return shift, true
}
