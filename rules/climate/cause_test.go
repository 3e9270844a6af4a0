package climate

import (
	"math"
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
	for day := 10; day < 14; day++ {
		feed(day, 6) // a heat wave is not usual
	}
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
