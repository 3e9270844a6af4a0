package climate

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// rack is twelve enclosures on three shelves, each with its own usual offset,
// in a room of 23 °C that is as usual.
func rack() (RoomCase, []Case) {
	room := RoomCase{Temp: 23, HasTemp: true, HasChange: true, Usual: 23, HasUsual: true}
	var cases []Case
	for i := range 12 {
		offset := 1.5 + 0.3*float64(i%4)
		noise := 0.1 * math.Sin(float64(i)*2.1)
		cases = append(cases, Case{
			Shelf: i / 4, Temp: room.Temp + offset + noise, HasTemp: true,
			Offset: offset, HasOffset: true, HasChange: true,
		})
	}
	return room, cases
}

func TestShelfThatStandsOut(t *testing.T) {
	for name, c := range map[string]struct {
		change  func(*RoomCase, []Case)
		subject int
		want    bool // its shelf stands out
	}{
		"all as usual": {func(*RoomCase, []Case) {}, 5, false},
		"the room warms and all follow": {func(r *RoomCase, cs []Case) {
			r.Temp, r.Change = 26, 1.5
			for i := range cs {
				cs[i].Temp += 2
				cs[i].Change = 1.3
			}
		}, 5, false},
		"the room is warm and stays so": {func(r *RoomCase, cs []Case) {
			r.Temp = 27
			for i := range cs {
				cs[i].Temp += 4
			}
		}, 0, false},
		"no room probe, but most moved": {func(r *RoomCase, cs []Case) {
			*r = RoomCase{}
			for i := range cs {
				cs[i].Temp += 2
				cs[i].Change = 1.4
			}
		}, 3, false},
		"one shelf is warm": {func(_ *RoomCase, cs []Case) {
			for i := range 4 {
				cs[i].Temp += 2
			}
		}, 2, true},
		"all of one shelf are warm by less": {func(_ *RoomCase, cs []Case) {
			for i := range 4 {
				cs[i].Temp += 0.7
			}
		}, 2, true},
		"all of one shelf by less, and it by twice as much": {func(_ *RoomCase, cs []Case) {
			for i := range 4 {
				cs[i].Temp += 0.7
			}
			cs[2].Temp += 0.7
		}, 2, true},
		"all of one shelf by little": {func(_ *RoomCase, cs []Case) {
			for i := range 4 {
				cs[i].Temp += 0.4
			}
		}, 2, false},
		"all of one shelf but one": {func(_ *RoomCase, cs []Case) {
			for i := range 3 {
				cs[i].Temp += 0.9
			}
		}, 2, false},
		"all of one shelf, and one of another": {func(_ *RoomCase, cs []Case) {
			for i := range 5 {
				cs[i].Temp += 0.9
			}
		}, 2, false},
		"another shelf is warm": {func(_ *RoomCase, cs []Case) {
			for i := range 4 {
				cs[i].Temp += 2
			}
		}, 7, false},
		"its only neighbour is warm": {func(_ *RoomCase, cs []Case) {
			cs[0].Shelf, cs[1].Shelf = 9, 9
			cs[0].Temp += 6
		}, 0, false},
		"one enclosure is warm": {func(_ *RoomCase, cs []Case) { cs[7].Temp += 3 }, 7, false},
		"its neighbour is not":  {func(_ *RoomCase, cs []Case) { cs[7].Temp += 3 }, 6, false},
		"one enclosure on a warm shelf": {func(_ *RoomCase, cs []Case) {
			for i := range 4 {
				cs[i].Temp += 2
			}
			cs[1].Temp += 3
		}, 1, false},
		"one enclosure in a warming room": {func(r *RoomCase, cs []Case) {
			r.Temp, r.Change = 26, 1.5
			for i := range cs {
				cs[i].Temp += 2
				cs[i].Change = 1.3
			}
			cs[9].Temp += 4
		}, 9, false},
		"a doubtful probe":   {func(_ *RoomCase, cs []Case) { cs[4].Temp, cs[4].ProbeDoubt = 60, true }, 4, false},
		"a silent probe":     {func(_ *RoomCase, cs []Case) { cs[4].HasTemp = false }, 4, false},
		"an impossible one":  {func(_ *RoomCase, cs []Case) { cs[4].Temp = math.NaN() }, 4, false},
		"an open door":       {func(_ *RoomCase, cs []Case) { cs[4].DoorOpen = true; cs[4].Temp -= 2 }, 4, false},
		"all lamps stuck on": {func(_ *RoomCase, cs []Case) { addAll(cs, 2.5) }, 4, false},
	} {
		room, cases := rack()
		c.change(&room, cases)
		p := Survey(room, cases, make([]float64, 0, len(cases)))
		f := p.CauseOf(cases[c.subject])
		if f.ShelfOff != c.want {
			t.Errorf("%s: %+v, want the shelf %v", name, f, c.want)
		}
		if !finite(f.Residual) || !finite(f.Median) || !finite(f.Scale) {
			t.Errorf("%s: evidence is not finite: %+v", name, f)
		}
	}
}

// Who asks of one enclosure after the other hears what a look at all cases says each
// time: the median of its neighbours without it, and that of all other shelves.
func TestShelfBy_isOfAllOthers(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 8))
	for range 300 {
		cases := make([]Case, 1+rng.IntN(30))
		for i := range cases { // few temperatures, so that many are equal
			cases[i] = Case{Shelf: rng.IntN(4), Temp: 20 + float64(rng.IntN(6)), HasTemp: rng.IntN(8) > 0, ProbeDoubt: rng.IntN(8) == 0,
				Change: float64(rng.IntN(5)), HasChange: true}
		}
		p := Survey(RoomCase{}, cases, make([]float64, 0, rng.IntN(2*len(cases)+1)))
		for i := range cases {
			if rng.IntN(10) == 0 {
				p.MiddleChange()
			}
			f, want := p.CauseOf(cases[i]), 0.0
			if cases[i].judged() {
				want = shelfBy(cases, i)
			}
			if f.ShelfBy != want {
				t.Fatalf("case %d of %+v is by %v, want %v", i, cases, f.ShelfBy, want)
			}
		}
	}
}

// shelfBy is by how much the middle of a case's neighbours is above that of all others.
func shelfBy(cases []Case, of int) float64 {
	var own, others []float64
	for i := range cases {
		switch c := &cases[i]; {
		case !c.judged() || i == of:
		case c.Shelf == cases[of].Shelf:
			own = append(own, c.Temp)
		default:
			others = append(others, c.Temp)
		}
	}
	middle := func(xs []float64) float64 {
		slices.Sort(xs)
		if n := len(xs); n > 0 {
			return (xs[(n-1)/2] + xs[n/2]) / 2
		}
		return 0
	}
	return middle(own) - middle(others)
}

func addAll(cs []Case, c float64) {
	for i := range cs {
		cs[i].Temp += c
	}
}

// A probe that lies must not move the median that its neighbours are judged by.
func TestDoubtfulProbesTakeNoPart(t *testing.T) {
	room, cases := rack()
	for i := range 5 {
		cases[i].Temp, cases[i].ProbeDoubt = 85, true
	}
	p := Survey(room, cases, nil)
	if p.Judged != 7 || math.Abs(p.Median) > 0.2 || p.CauseOf(cases[8]).ShelfOff {
		t.Errorf("%d judged, median %.2f, %+v", p.Judged, p.Median, p.CauseOf(cases[8]))
	}
}

func TestHourOffset(t *testing.T) {
	var o HourOffset
	course := func(h float64) float64 { return 1 + 2*math.Sin(h/24*2*math.Pi) }
	feed := func(day int, extra float64) {
		for m := range 24 * 60 {
			h := float64(m) / 60
			o.Observe(h, course(h)+extra)
		}
	}
	feed(0, 0)
	feed(1, 0)
	if _, ok := o.At(12.5); ok {
		t.Error("two days are usual, want three")
	}
	for day := 2; day < 10; day++ {
		feed(day, 0)
	}
	near(t, "spread of days alike", o.Spread(), 0.01, 1e-9)
	for day := 10; day < 14; day++ {
		feed(day, 6) // a heat wave is not usual
	}
	near(t, "spread with a heat wave of more than one day in twenty", o.Spread(), 6, 0.02)
	for h := 0.0; h < 22; h += 0.7 {
		got, ok := o.At(h)
		if !ok {
			t.Fatalf("nothing usual at %.1f h", h)
		}
		near(t, "usual offset", got, course(h), 0.06)
	}
	o.Observe(-1, 50)
	o.Observe(25, 50)
	o.Observe(3, math.NaN())
	if got, ok := o.At(-1); ok {
		t.Errorf("an unset clock has a usual offset %v", got)
	}
}

// An hour's value is kept from three readings on, and what is usual is the median of
// fourteen days, between the middles of hours along a straight line.
func TestHourOffset_AtItsLimits(t *testing.T) {
	var o HourOffset
	day := func(hour, n int, v float64) {
		for range n {
			o.Observe(float64(hour), v)
		}
		o.Observe(float64((hour+1)%24), 0)
	}
	for range 3 {
		day(8, 2, 9)
	}
	if _, ok := o.At(8.5); ok {
		t.Error("hours with two readings are known")
	}
	for range 3 {
		day(8, 3, 2)
	}
	for h, want := range map[float64]bool{8: true, 8.5: true, 8.99: true, 9: false, 7.99: false} {
		if got, ok := o.At(h); ok != want || ok && got != 2 {
			t.Errorf("at %v: %v, %v", h, got, ok)
		}
	}
	for range 3 {
		day(9, 3, 4)
	}
	if got, ok := o.At(9); !ok || got != 3 {
		t.Errorf("between both: %v, %v", got, ok)
	}
	for i := range 20 {
		day(8, 3, float64(i))
	}
	if got, ok := o.At(8.5); !ok || got != 12.5 {
		t.Errorf("median of the last fourteen of 20 days: %v, %v", got, ok)
	}
	o = HourOffset{}
	for range 3 {
		day(23, 3, 2)
	}
	if _, ok := o.At(23.99); !ok {
		t.Error("the last hour is not known")
	}
	if _, ok := o.At(24); ok {
		t.Error("there is a 25th hour")
	}
}

// What stands out does so by more than 1 °C, from neighbours on its shelf and at least
// two on others; one degree in half an hour is no move yet.
func TestShelf_AtItsLimits(t *testing.T) {
	look := func(warm float64, same, others int, change float64) (Picture, Finding) {
		var cases []Case
		for range same {
			cases = append(cases, Case{Shelf: 1, Temp: warm, HasTemp: true, HasChange: true, Change: change})
		}
		for range others {
			cases = append(cases, Case{Shelf: 2, Temp: 0, HasTemp: true, HasChange: true, Change: -change})
		}
		p := Survey(RoomCase{Temp: 5, HasTemp: true, Usual: 3, HasUsual: true}, cases, nil)
		return p, p.CauseOf(cases[0])
	}
	for _, c := range []struct {
		name         string
		warm         float64
		same, others int
		want         bool
	}{
		{"by 1 °C", 1, 2, 2, false}, {"by more", 1.01, 2, 2, true}, {"colder", -1.01, 2, 2, true},
		{"alone on its shelf", 3, 1, 3, false}, {"one other on other shelves", 3, 3, 1, false},
		{"three in all", 3, 2, 1, false},
	} {
		if _, f := look(c.warm, c.same, c.others, 0); f.ShelfOff != c.want {
			t.Errorf("%s: %+v", c.name, f)
		}
	}
	if _, f := look(2, 2, 2, 0); f.RoomOff != 2 || f.ShelfBy != 2 || f.Residual != -3 || f.Judged != 4 {
		t.Errorf("%+v", f)
	}
	for change, want := range map[float64][3]int{1: {0, 0, 5}, 1.01: {2, 3, 5}, -1.01: {3, 2, 5}} {
		if p, _ := look(0, 2, 3, change); [3]int{p.Up, p.Down, p.Changed} != want {
			t.Errorf("moved by %v: %d up, %d down of %d", change, p.Up, p.Down, p.Changed)
		}
	}
	// It does not stand out from its shelf by more than 0.8 °C, or than that from the others.
	for own, want := range map[float64]bool{2: true, 2.81: true, 4: true, 4.01: false, 1.2: true, 1.19: false} {
		cases := []Case{{Shelf: 1, Temp: own, HasTemp: true}, {Shelf: 1, Temp: 2, HasTemp: true}, {Shelf: 1, Temp: 2, HasTemp: true}}
		for range 9 {
			cases = append(cases, Case{Shelf: 2, HasTemp: true})
		}
		p := Survey(RoomCase{}, cases, nil)
		if f := p.CauseOf(cases[0]); f.ShelfOff != want {
			t.Errorf("%v °C on a shelf of 2: %+v", own, f)
		}
	}
}
