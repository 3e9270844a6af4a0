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

func TestFindCause(t *testing.T) {
	for name, c := range map[string]struct {
		change  func(*RoomCase, []Case)
		subject int
		want    CauseKind
	}{
		"all as usual": {func(*RoomCase, []Case) {}, 5, NoCause},
		"the room warms and all follow": {func(r *RoomCase, cs []Case) {
			r.Temp, r.Change = 26, 1.5
			for i := range cs {
				cs[i].Temp += 2
				cs[i].Change = 1.3
			}
		}, 5, RoomCause},
		"the room is warm and stays so": {func(r *RoomCase, cs []Case) {
			r.Temp = 27
			for i := range cs {
				cs[i].Temp += 4
			}
		}, 0, RoomCause},
		"no room probe, but most moved": {func(r *RoomCase, cs []Case) {
			*r = RoomCase{}
			for i := range cs {
				cs[i].Temp += 2
				cs[i].Change = 1.4
			}
		}, 3, RoomCause},
		"one shelf is warm": {func(_ *RoomCase, cs []Case) {
			for i := range 4 {
				cs[i].Temp += 2
			}
		}, 2, ShelfCause},
		"another shelf is warm": {func(_ *RoomCase, cs []Case) {
			for i := range 4 {
				cs[i].Temp += 2
			}
		}, 7, NoCause},
		"one enclosure is warm": {func(_ *RoomCase, cs []Case) { cs[7].Temp += 3 }, 7, EnclosureCause},
		"its neighbour is not":  {func(_ *RoomCase, cs []Case) { cs[7].Temp += 3 }, 6, NoCause},
		"one enclosure on a warm shelf": {func(_ *RoomCase, cs []Case) {
			for i := range 4 {
				cs[i].Temp += 2
			}
			cs[1].Temp += 3
		}, 1, EnclosureCause},
		"one enclosure in a warming room": {func(r *RoomCase, cs []Case) {
			r.Temp, r.Change = 26, 1.5
			for i := range cs {
				cs[i].Temp += 2
				cs[i].Change = 1.3
			}
			cs[9].Temp += 4
		}, 9, EnclosureCause},
		"a doubtful probe":   {func(_ *RoomCase, cs []Case) { cs[4].Temp, cs[4].ProbeDoubt = 60, true }, 4, ProbeCause},
		"a silent probe":     {func(_ *RoomCase, cs []Case) { cs[4].HasTemp = false }, 4, ProbeCause},
		"an impossible one":  {func(_ *RoomCase, cs []Case) { cs[4].Temp = math.NaN() }, 4, ProbeCause},
		"an open door":       {func(_ *RoomCase, cs []Case) { cs[4].DoorOpen = true; cs[4].Temp -= 2 }, 4, DoorCause},
		"all lamps stuck on": {func(_ *RoomCase, cs []Case) { addAll(cs, 2.5) }, 4, LampsCause},
	} {
		room, cases := rack()
		c.change(&room, cases)
		p := Survey(room, cases, make([]float64, 0, len(cases)))
		f := p.CauseOf(cases[c.subject])
		if f.Kind != c.want {
			t.Errorf("%s: cause %q of %+v, want %q", name, f.Kind, f, c.want)
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
	if p.Judged != 7 || math.Abs(p.Median) > 0.2 || p.CauseOf(cases[8]).Kind != NoCause {
		t.Errorf("%d judged, median %.2f, cause %v", p.Judged, p.Median, p.CauseOf(cases[8]).Kind)
	}
}

func TestCauseWithFewEnclosures(t *testing.T) {
	room := RoomCase{Temp: 23, HasTemp: true, Usual: 23, HasUsual: true}
	warm := Case{Temp: 27, HasTemp: true, Offset: 1, HasOffset: true}
	p := Survey(room, []Case{warm}, nil)
	if f := p.CauseOf(warm); f.Kind != EnclosureCause {
		t.Errorf("alone and 3 °C over its usual: %q", f.Kind)
	}
	room.Temp = 26
	p = Survey(room, []Case{warm}, nil)
	if f := p.CauseOf(warm); f.Kind != RoomCause {
		t.Errorf("alone in a room that is 3 °C too warm: %q", f.Kind)
	}
	p = Survey(RoomCase{}, []Case{warm}, nil)
	if f := p.CauseOf(warm); f.Kind != NoCause {
		t.Errorf("alone without a room probe: %q, nothing can be said", f.Kind)
	}
	p = Survey(RoomCase{}, nil, nil)
	if f := p.CauseOf(Case{}); f.Kind != ProbeCause || f.Judged != 0 {
		t.Errorf("nobody at all: %+v", f)
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
