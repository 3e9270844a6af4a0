package block

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

// fitLine returns a pure offset when that explains every calibrated value that was not
// clipped, else the least-squares line through these.
func fitLine(raw, cal []int64, clip bool) line {
	shows := func(v int64) bool { return !clip || v > 0 && v < fullWet } // not clipped
	l, met, exact := line{gain: lineOne, clip: clip}, false, true
	for i, v := range cal {
		if off := (v - raw[i]) << lineBits; !met && shows(v) {
			l.offset, met = off, true
		} else if off != l.offset && shows(v) {
			exact = false
			break
		}
	}
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
