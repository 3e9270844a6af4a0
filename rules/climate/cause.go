package climate

import "math"

// A CauseKind is what is at fault, with the same names as in package rules.
type CauseKind string

// The kinds of cause.
const (
	NoCause        CauseKind = "" // nothing stands out
	RoomCause      CauseKind = "room"
	ShelfCause     CauseKind = "shelf"
	EnclosureCause CauseKind = "enclosure"
	ProbeCause     CauseKind = "probe"
	LampsCause     CauseKind = "lamps" // all run warm or cool while the room is as usual
	DoorCause      CauseKind = "door"
)

const (
	standsOut   = 0.8 // °C; an enclosure's least distance from its peers
	standsScale = 4.0 // robust standard deviations
	shelfApart  = 1.0 // °C between a shelf's median and the others'
	moveClear   = 1.0 // °C in 30 min
	moveShare   = 0.7 // of the enclosures
	roomOffBy   = 1.0 // °C between room and usual
	roomMoves   = 0.5 // °C in 30 min
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
	Offset    float64 // own usual offset to the room at this hour, K
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

// A Finding is the cause of one enclosure's excursion with the numbers behind
// it.
type Finding struct {
	Kind     CauseKind `json:"kind"`
	Shelf    int       `json:"shelf"`
	Residual float64   `json:"residual"` // °C, own offset-corrected difference to the room
	Median   float64   `json:"median"`   // of all residuals
	ShelfBy  float64   `json:"shelf_by"` // °C by which the shelf's median differs from the others'
	Scale    float64   `json:"scale"`    // robust standard deviation of all residuals
	Moving   int       `json:"moving"`   // enclosures that moved the same way by > 1 °C in 30 min
	Judged   int       `json:"judged"`   // enclosures that took part
	RoomOff  float64   `json:"room_off"` // °C, room minus usual; 0 where unknown
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

	base    float64 // what residuals are taken against, °C
	cases   []Case
	scratch []float64
}

// Survey looks at all enclosures. scratch is used for sorting; with a capacity
// of len(cases) nothing is allocated. Without a room probe residuals are taken
// against zero, and only their differences mean something.
func Survey(room RoomCase, cases []Case, scratch []float64) Picture {
	p := Picture{Room: room, cases: cases, scratch: scratch[:0]}
	if room.HasTemp {
		p.base = room.Temp
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
		r -= c.Offset
	}
	return r
}

// CauseOf says what is at fault for one of the surveyed cases, in the order in
// which a keeper would rule things out: a doubtful probe and an open door
// explain themselves, then the one that stands out from its peers, then its
// shelf, then what all have in common.
func (p *Picture) CauseOf(c Case) Finding {
	f := Finding{
		Shelf: c.Shelf, Median: p.Median, Scale: p.Scale, Judged: p.Judged,
		Moving: max(p.Up, p.Down), RoomOff: p.roomOff(),
	}
	if !c.judged() {
		f.Kind = ProbeCause
		return f
	}
	f.Residual = p.residual(&c)
	own, others, peers := p.shelfMedians(c.Shelf, f.Residual)
	f.ShelfBy = own - others
	limit := max(standsOut, standsScale*p.Scale)
	shelfOff := peers && math.Abs(f.ShelfBy) > shelfApart
	apart := f.Residual - p.Median
	if shelfOff {
		apart = f.Residual - own
	}
	switch {
	case c.DoorOpen:
		f.Kind = DoorCause
	case p.Judged < fewPeers:
		f.Kind = p.alone(&f)
	case math.Abs(apart) > limit:
		f.Kind = EnclosureCause
	case shelfOff:
		f.Kind = ShelfCause
	default:
		f.Kind = p.common(&f)
	}
	return f
}

// shelfMedians returns the median residual of an enclosure's neighbours on its shelf
// and that of all on other shelves; ok needs some of both. The enclosure itself, which
// is told by its residual, does not speak for its shelf.
func (p *Picture) shelfMedians(shelf int, self float64) (own, others float64, ok bool) {
	side := func(same bool) (float64, int) {
		xs, left := p.scratch[:0], !same
		for i := range p.cases {
			c := &p.cases[i]
			if !c.judged() || (c.Shelf == shelf) != same {
				continue
			}
			r := p.residual(c)
			if !left && r == self {
				left = true
				continue
			}
			xs = append(xs, r)
		}
		return median(xs), len(xs)
	}
	own, n := side(true)
	others, k := side(false)
	return own, others, n >= 1 && k >= 2
}

func (p *Picture) roomOff() float64 {
	if p.Room.HasTemp && p.Room.HasUsual {
		return p.Room.Temp - p.Room.Usual
	}
	return 0
}

// moves reports whether the room or most enclosures move together.
func (p *Picture) moves() bool {
	together := p.Changed >= fewPeers && float64(max(p.Up, p.Down)) >= moveShare*float64(p.Changed)
	return together || p.Room.HasChange && math.Abs(p.Room.Change) >= roomMoves
}

// common says what all have in common. Only lamps warm every enclosure and
// leave the room as it is.
func (p *Picture) common(f *Finding) CauseKind {
	roomFine := p.Room.HasTemp && p.Room.HasUsual && math.Abs(f.RoomOff) < roomOffBy
	switch {
	case p.moves(), math.Abs(f.RoomOff) >= roomOffBy:
		return RoomCause
	case roomFine && math.Abs(p.Median) > roomOffBy:
		return LampsCause
	case roomFine:
		return NoCause
	default:
		return RoomCause
	}
}

// alone judges where there are too few peers: by the own residual, which needs
// a room probe and a known offset.
func (p *Picture) alone(f *Finding) CauseKind {
	switch {
	case p.Room.HasTemp && math.Abs(f.Residual) > standsOut && !p.moves():
		return EnclosureCause
	case p.moves(), math.Abs(f.RoomOff) >= roomOffBy:
		return RoomCause
	default:
		return NoCause
	}
}
