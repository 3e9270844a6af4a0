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

// fitLine returns a pure offset when that explains every record, else the
// least-squares line through those that were not clipped.
func fitLine(recs []Record, q uint8, clip bool) line {
	l := line{gain: lineOne, clip: clip}
	var n, sx, sy float64
	exact, shift := true, int64(0)
	for i := range recs {
		r := &recs[i]
		if r.Has&r.RawHas&q == 0 || (clip && (r.value(q) <= 0 || r.value(q) >= fullWet)) {
			continue
		}
		if n == 0 {
			shift = r.value(q) - r.raw(q)
		}
		exact = exact && r.value(q)-r.raw(q) == shift
		n, sx, sy = n+1, sx+float64(r.raw(q)), sy+float64(r.value(q))
	}
	l.offset = shift << lineBits
	if exact {
		return l
	}
	var sxx, sxy float64
	for i := range recs {
		r := &recs[i]
		if r.Has&r.RawHas&q == 0 || (clip && (r.value(q) <= 0 || r.value(q) >= fullWet)) {
			continue
		}
		dx := float64(r.raw(q)) - sx/n
		sxx, sxy = sxx+dx*dx, sxy+dx*(float64(r.value(q))-sy/n)
	}
	if gain := sxy / sxx; sxx > 0 && gain > 0.5 && gain < 2 {
		l.gain = int64(gain*lineOne + 0.5)
		l.offset = int64((sy/n - sx/n*gain) * lineOne)
	}
	return l
}
