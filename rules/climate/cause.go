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
	Mates     []int   // of which these are the cases, itself included
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
	ShelfOff bool    `json:"shelf_off"` // its shelf stands out, and it not from its shelf
	Residual float64 `json:"residual"`  // °C, own offset-corrected difference to the room
	Median   float64 `json:"median"`    // of all residuals
	ShelfBy  float64 `json:"shelf_by"`  // °C by which the shelf's median differs from the others'
	Scale    float64 `json:"scale"`     // robust standard deviation of all residuals
	Judged   int     `json:"judged"`    // enclosures that took part
	RoomOff  float64 `json:"room_off"`  // °C, room minus usual; 0 where unknown
}

// A Picture is the state of all enclosures of a room together. It refers to
// the surveyed cases and to scratch, and is good until those are reused. Who asks of
// all in turn is answered from residuals that were sorted once.
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
	scratch []float64
	all     []float64 // all residuals, sorted; nil until they are asked for
	far     rest      // of the shelf that was asked for last
	middle  float64   // see MiddleChange
	hasMid  bool
}

// rest is where one shelf stands: its residuals, sorted, and all others.
type rest struct {
	known               bool
	shelf               int
	near                []float64
	least, median, most float64 // of the others
	num                 int     // of the others
}

// allApart reports whether two and more neighbours, without the enclosure itself, are all
// clearly to one side of the others and beyond each of them.
func (r *rest) allApart(self float64) bool {
	if len(r.near) < 3 {
		return false
	}
	low, high := r.near[0], r.near[len(r.near)-1]
	if low == self {
		low = r.near[1]
	}
	if high == self {
		high = r.near[len(r.near)-2]
	}
	return low > max(r.most, r.median+mateApart) || high < min(r.least, r.median-mateApart)
}

// Survey looks at all enclosures. scratch is used for sorting; with a capacity
// of 2*len(cases) nothing is allocated. Without a room probe residuals are taken
// against zero, which the usual temperature of each makes up for where it is known.
func Survey(room RoomCase, cases []Case, scratch []float64) Picture {
	p := Picture{Room: room, cases: cases, scratch: scratch[:0]}
	p.base = room.Temp
	if !room.HasTemp {
		p.base = 0
		for i := range cases {
			if c := &cases[i]; c.HasOffset {
				p.scratch = append(p.scratch, c.Offset)
			}
		}
		p.unusual, p.scratch = median(p.scratch), p.scratch[:0]
	}
	for i := range cases {
		c := &cases[i]
		if !c.judged() {
			continue
		}
		p.scratch = append(p.scratch, p.residual(c))
		p.Judged++
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
	p.Median = median(p.scratch)
	p.Scale = spread(p.scratch, p.Median)
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
	f := Finding{Median: p.Median, Scale: p.Scale, Judged: p.Judged, RoomOff: p.roomOff()}
	if !c.judged() {
		return f
	}
	f.Residual = p.residual(&c)
	own, others, peers := p.shelfMedians(&c, f.Residual)
	f.ShelfBy = own - others
	far := math.Abs(f.ShelfBy)
	clear := far > shelfApart || c.HasOffset && p.farOf(&c).allApart(f.Residual)
	// What warms a shelf warms one of its enclosures twice as much as another.
	apart, like := f.Residual-own, max(standsOut, standsScale*p.Scale)
	if apart*f.ShelfBy > 0 {
		like = max(like, far)
	}
	f.ShelfOff = peers && clear && !c.DoorOpen && p.Judged >= fewPeers && math.Abs(apart) <= like
	return f
}

// shelfMedians returns the median residual of an enclosure's neighbours on its shelf
// and that of all on other shelves; ok needs some of both. The enclosure itself, which
// is told by its residual, does not speak for its shelf.
func (p *Picture) shelfMedians(of *Case, self float64) (own, others float64, ok bool) {
	far := p.farOf(of)
	var left []float64
	if i, ok := slices.BinarySearch(far.near, self); ok {
		left = far.near[i : i+1]
	}
	own, n := medianWithout(far.near, left)
	return own, far.median, n >= 1 && far.num >= 2
}

// farOf looks once for all enclosures of a shelf that are asked for in a row.
func (p *Picture) farOf(of *Case) *rest {
	if p.far.known && p.far.shelf == of.Shelf {
		return &p.far
	}
	if p.all == nil {
		p.all = p.scratch[:0]
		for i := range p.cases {
			p.all = p.take(p.all, &p.cases[i])
		}
		slices.Sort(p.all)
	}
	near := p.all[len(p.all):]
	for _, i := range of.Mates {
		near = p.take(near, &p.cases[i])
	}
	slices.Sort(near)
	p.far = rest{known: true, shelf: of.Shelf, near: near}
	if p.far.median, p.far.num = medianWithout(p.all, near); p.far.num > 0 {
		p.far.least, p.far.most = nthWithout(p.all, near, 0), nthWithout(p.all, near, p.far.num-1)
	}
	return &p.far
}

// take adds the residual of a case that takes part.
func (p *Picture) take(xs []float64, c *Case) []float64 {
	if c.judged() {
		xs = append(xs, p.residual(c))
	}
	return xs
}

// medianWithout is the median of all but few of them, and how many those are. Both
// are sorted.
func medianWithout(all, few []float64) (median float64, n int) {
	n = len(all) - len(few)
	switch {
	case n <= 0:
		return 0, 0
	case n%2 == 1:
		return nthWithout(all, few, n/2), n
	}
	return (nthWithout(all, few, n/2-1) + nthWithout(all, few, n/2)) / 2, n
}

// nthWithout is the n-th, from 0, of all but few of them.
func nthWithout(all, few []float64, n int) float64 {
	for _, x := range few {
		if i, _ := slices.BinarySearch(all, x); i > n {
			break
		}
		n++
	}
	return all[n]
}

// MiddleChange is the median move of the surveyed enclosures in 30 min, °C.
func (p *Picture) MiddleChange() float64 {
	if p.hasMid {
		return p.middle
	}
	p.hasMid = true
	p.all, p.far = nil, rest{} // they lie in the scratch
	xs := p.scratch[:0]
	for i := range p.cases {
		if c := &p.cases[i]; c.HasTemp && !c.ProbeDoubt && c.HasChange {
			xs = append(xs, c.Change)
		}
	}
	if len(xs) > 0 {
		slices.Sort(xs)
		p.middle = xs[len(xs)/2]
	}
	return p.middle
}

func (p *Picture) roomOff() float64 {
	if p.Room.HasTemp && p.Room.HasUsual {
		return p.Room.Temp - p.Room.Usual
	}
	return 0
}
