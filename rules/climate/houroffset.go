package climate

import (
	"math"
	"slices"
)

const (
	offsetDays = 14
	offsetFew  = 3
	offsetCap  = 300.0 // K; far outside of what is stored
)

// meanOf is a running mean.
type meanOf struct {
	Mean float64 `json:"mean"`
	N    int     `json:"n"`
}

func (m *meanOf) add(x float64) {
	m.N++
	m.Mean += (x - m.Mean) / float64(m.N)
}

// HourOffset learns a value's usual size at each hour of day as the median of
// 14 days: by how much an enclosure is warmer than the room, or the room's own
// temperature. The zero value is ready.
type HourOffset struct {
	Days  [24][offsetDays]int16 `json:"days"` // 0.01 K, a ring for each hour
	Count [24]uint8             `json:"count"`
	Next  [24]uint8             `json:"next"`
	Hour  int                   `json:"hour"` // that is being collected
	Open  meanOf                `json:"open"`

	spread float64      // K, 0 while not known
	usual  [24][2]int16 // the middle ones of those days, the same twice where one is, while known
	known  uint32       // hours
}

// Observe takes one value in °C or K at a local hour of day; a negative hour
// (clock unset) is ignored.
func (o *HourOffset) Observe(hour, value float64) {
	if !(hour >= 0 && hour < 24) || !finite(value) || math.Abs(value) > offsetCap {
		return
	}
	h := int(hour)
	if h != o.Hour {
		o.close()
		o.Hour = h
	}
	o.Open.add(value)
}

// close stores an hour that was at least touched a few times.
func (o *HourOffset) close() {
	if o.Open.N >= 3 && uint(o.Hour) < 24 {
		h := o.Hour
		o.Days[h][o.Next[h]%offsetDays] = centi(o.Open.Mean)
		o.Next[h] = (o.Next[h] + 1) % offsetDays
		o.Count[h] = min(o.Count[h], offsetDays-1) + 1
		o.known &^= 1 << h
		o.spread = 0
	}
	o.Open = meanOf{}
}

// At returns the usual value in K at this hour, between the middles of hours
// along a straight line; false until three days of this hour have been seen.
func (o *HourOffset) At(hour float64) (float64, bool) {
	if !(hour >= 0 && hour < 24) {
		return 0, false
	}
	x := hour + 23.5
	if x >= 24 {
		x -= 24
	}
	i := int(x)
	a, okA := o.median(i)
	b, okB := o.median((i + 1) % 24)
	switch {
	case okA && okB:
		return a + (x-float64(i))*(b-a), true
	case okA && i == int(hour):
		return a, true
	case okB && i != int(hour):
		return b, true
	}
	return 0, false
}

func (o *HourOffset) median(h int) (float64, bool) {
	if o.Count[h] < offsetFew {
		return 0, false
	}
	if o.known&(1<<h) == 0 {
		days := o.Days[h]
		n := min(int(o.Count[h]), offsetDays)
		slices.Sort(days[:n])
		o.usual[h] = [2]int16{days[(n-1)/2], days[n/2]}
		o.known |= 1 << h
	}
	lower, upper := o.usual[h][0], o.usual[h][1]
	return (float64(lower)/100 + float64(upper)/100) / 2, true
}

// Spread is how far from the usual value of its hour a day is at most, in K, but for one
// in twenty.
func (o *HourOffset) Spread() float64 {
	if o.spread == 0 {
		var away []float64
		for h := range o.Days {
			if usual, ok := o.median(h); ok {
				for _, day := range o.Days[h][:o.Count[h]] {
					away = append(away, math.Abs(float64(day)/100-usual))
				}
			}
		}
		slices.Sort(away)
		if n := len(away); n > 0 {
			o.spread = max(away[n*19/20], 0.01)
		}
	}
	return o.spread
}
