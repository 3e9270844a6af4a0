package climate

import (
	"math"
	"slices"
)

const (
	standsOut   = 0.8 // °C; an enclosure's least distance from its peers
	standsScale = 4.0 // robust standard deviations
	shelfApart  = 1.0 // °C between a shelf's median and the others'
	mateApart   = 0.5 // °C from the others' median by which all neighbours tell it sooner
	moveClear   = 1.0 // °C in 30 min
	fewPeers    = 3   // below this there is no median to stand out from
)

// A RoomCase is the room at one moment.
type RoomCase struct {
	Temp      float64 // °C
	HasTemp   bool
	Change    float64 // °C over the last 30 min
	HasChange bool
	Usual     float64 // °C usual at this hour
	HasUsual  bool
}

// A Case is one enclosure at one moment.
type Case struct {
	Shelf     int     // group; enclosures of one rack and shelf share a number
	Temp      float64 // °C
	HasTemp   bool    // false: silent; takes no part
	Offset    float64 // own usual offset to the room at this hour, K; without a room its own usual °C
	HasOffset bool
	Change    float64 // °C over the last 30 min
	HasChange bool
	// ProbeDoubt: the probe's own judge doubts it (jump, frozen, impossible dew
	// point, disagrees with its second probe). It takes no part in the survey.
	ProbeDoubt bool
	DoorOpen   bool // the door detector says open or ajar
}

// judged reports whether c takes part.
func (c *Case) judged() bool { return c.HasTemp && !c.ProbeDoubt && finite(c.Temp) }

// A Finding is where one enclosure stands among the others.
type Finding struct {
	ShelfOff bool    // its shelf stands out, and it not from its shelf
	Residual float64 // °C, own offset-corrected difference to the room
	Median   float64 // of all residuals
	ShelfBy  float64 // °C by which the shelf's median differs from the others'
	Scale    float64 // robust standard deviation of all residuals
	Judged   int     // enclosures that took part
	RoomOff  float64 // °C, room minus usual; 0 where unknown
}

// A Picture is the state of all enclosures of a room together. It refers to
// the surveyed cases and to scratch, and is good until those are reused.
type Picture struct {
	Room    RoomCase
	Median  float64 // of the residuals, °C
	Scale   float64 // their robust standard deviation
	Judged  int
	Up      int // moved by > 1 °C in 30 min
	Down    int
	Changed int // of which a change is known
	Above   int // past their bands, whoever doubts them
	Below   int

	base    float64 // what residuals are taken against, °C
	unusual float64 // and those of which nothing is usual beside it: what the others usually are
	cases   []Case
	scratch []float64 // three for each case
	// The residuals of all, of the shelf that was asked for last, and of all others, sorted.
	shelf          int
	all, near, far []float64
	moved          float64 // the median move, once it was asked for
	hasMoved       bool
}

// Survey looks at all enclosures. scratch is used for sorting; with a capacity
// of 3*len(cases) nothing is allocated. Without a room probe residuals are taken
// against zero, which the usual temperature of each makes up for where it is known.
func Survey(room RoomCase, cases []Case, scratch []float64) Picture {
	p := Picture{Room: room, cases: cases, scratch: slices.Grow(scratch[:0], 3*len(cases))}
	if room.HasTemp {
		p.base = room.Temp
	} else {
		usual := p.scratch
		for i := range cases {
			if c := &cases[i]; c.HasOffset {
				usual = append(usual, c.Offset)
			}
		}
		p.unusual = median(usual)
	}
	residuals := p.scratch
	for i := range cases {
		c := &cases[i]
		if !c.judged() {
			continue
		}
		residuals = append(residuals, p.residual(c))
		if c.HasChange {
			p.Changed++
			switch {
			case c.Change > moveClear:
				p.Up++
			case c.Change < -moveClear:
				p.Down++
			}
		}
	}
	p.all, p.Judged, p.Median = residuals, len(residuals), median(residuals)
	p.Scale = spread(append(p.part(1), residuals...), p.Median)
	return p
}

func (p *Picture) residual(c *Case) float64 {
	r := c.Temp - p.base
	if c.HasOffset {
		return r - c.Offset
	}
	return r - p.unusual
}

// CauseOf says where one of the surveyed cases stands. Its shelf stands out only
// where the case does not do so from its shelf, and no open door explains it.
func (p *Picture) CauseOf(c Case) Finding {
	f := Finding{Median: p.Median, Scale: p.Scale, Judged: p.Judged}
	if p.Room.HasTemp && p.Room.HasUsual {
		f.RoomOff = p.Room.Temp - p.Room.Usual
	}
	if !c.judged() {
		return f
	}
	f.Residual = p.residual(&c)
	p.sortFor(c.Shelf)
	// The enclosure itself, which is told by its residual, does not speak for its shelf.
	mates := append(p.part(2), p.near...)
	if i, ok := slices.BinarySearch(mates, f.Residual); ok {
		mates = slices.Delete(mates, i, i+1)
	}
	own := middleOf(mates)
	f.ShelfBy = own - middleOf(p.far)
	by := math.Abs(f.ShelfBy)
	clear := by > shelfApart || c.HasOffset && allApart(mates, p.far)
	// What warms a shelf warms one of its enclosures twice as much as another.
	apart, like := f.Residual-own, max(standsOut, standsScale*p.Scale)
	if apart*f.ShelfBy > 0 {
		like = max(like, by)
	}
	known := len(mates) >= 1 && len(p.far) >= 2 && p.Judged >= fewPeers
	f.ShelfOff = known && clear && !c.DoorOpen && math.Abs(apart) <= like
	return f
}

// allApart reports whether two and more neighbours are all clearly to one side of the
// others and beyond each of them. Both are sorted.
func allApart(mates, far []float64) bool {
	if len(mates) < 2 || len(far) == 0 {
		return false
	}
	middle, last := middleOf(far), len(far)-1
	return mates[0] > max(far[last], middle+mateApart) || mates[len(mates)-1] < min(far[0], middle-mateApart)
}

// sortFor sorts the residuals of a shelf, and takes them out of those of all, which are sorted.
func (p *Picture) sortFor(shelf int) {
	if p.near != nil && p.shelf == shelf {
		return
	}
	p.shelf, p.near = shelf, p.part(1)
	for i := range p.cases {
		if c := &p.cases[i]; c.Shelf == shelf && c.judged() {
			p.near = append(p.near, p.residual(c))
		}
	}
	slices.Sort(p.near)
	p.far = p.near[len(p.near):]
	n := 0
	for _, r := range p.all {
		if n < len(p.near) && p.near[n] == r {
			n++
		} else {
			p.far = append(p.far, r)
		}
	}
}

// part is one of three parts of the scratch: for all, for a shelf and the others, and for a while.
func (p *Picture) part(i int) []float64 { return p.scratch[i*len(p.cases) : i*len(p.cases)] }

// MiddleChange is the median move of the surveyed enclosures in 30 min, °C.
func (p *Picture) MiddleChange() float64 {
	if p.hasMoved {
		return p.moved
	}
	xs := p.part(2)
	for i := range p.cases {
		if c := &p.cases[i]; c.HasTemp && !c.ProbeDoubt && c.HasChange {
			xs = append(xs, c.Change)
		}
	}
	if p.hasMoved = true; len(xs) > 0 {
		slices.Sort(xs)
		p.moved = xs[len(xs)/2]
	}
	return p.moved
}
