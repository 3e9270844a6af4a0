package climate

import (
	"math"
	"testing"
	"time"
)

// Cost of a step; compare as ratios within one run:
//
//	go test ./rules/climate -run '^$' -bench . -benchmem
//
// A reading of one enclosure is Step/everything; a forecast is made once a
// minute at most, a refit once a night.

func BenchmarkMoistAir(b *testing.B) {
	for name, f := range map[string]func(c, rh float64) (float64, error){
		"saturation": func(c, _ float64) (float64, error) { return SaturationPressure(c) },
		"dew point":  DewPoint,
		"grams":      AbsoluteHumidity,
		"vpd":        VPD,
		"wet bulb":   func(c, rh float64) (float64, error) { return WetBulb(c, rh, StandardPressure) },
	} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for i := 0; b.Loop(); i++ {
				if _, err := f(20+float64(i%100)/10, 80); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// steps are the estimators of one enclosure.
type steps struct {
	trend   Trend
	thermal *Thermal
	offset  HourOffset
	dose    Dose
	mist    MistDetector
	watch   MistWatch
	night   Night
	lamps   LampWatch
	door    Door
}

// reading is a day of an enclosure every 10 s: lamps, two mists, warm at noon.
func reading(i int) (at time.Duration, temp, rh, hour float64, on bool) {
	at = time.Duration(i) * 10 * time.Second
	hour = math.Mod(at.Hours(), 24)
	on = hour >= 8 && hour < 20
	temp, rh = 23, 85
	if on {
		temp = 26 + 3*math.Sin((hour-8)/12*math.Pi)
	}
	if m := math.Mod(hour, 10) * 60; m < 60 {
		rh = 98 - m/5
	}
	return at, temp + 0.01*float64(i%7), rh, hour, on
}

func (s *steps) step(i int) {
	at, temp, rh, hour, on := reading(i)
	lamps := LampsOff
	if on {
		lamps = LampsOn
	}
	s.trend.Observe(at, temp)
	s.thermal.Observe(ThermalReading{At: at, Air: temp, Room: 22, HasRoom: true, Lamps: lamps, Hour: hour})
	s.offset.Observe(hour, temp-22)
	s.dose.Observe(limits, at, temp)
	s.mist.Observe(at, temp, rh)
	s.watch.Verdict(at, &s.mist)
	s.night.Observe(at, temp, on)
	s.lamps.Observe(at, temp, 22, true, on)
	s.door.Observe(DoorReading{At: at, Temp: temp, RH: rh, RoomTemp: 22, HasRoom: true, RoomRH: 45, HasRoomRH: true})
}

func BenchmarkStep(b *testing.B) {
	s := steps{thermal: NewThermal(91)}
	each := []struct {
		name string
		step func(i int)
	}{
		{"nothing", func(i int) { reading(i) }},
		{"trend", func(i int) { at, temp, _, _, _ := reading(i); s.trend.Observe(at, temp) }},
		{"thermal", func(i int) {
			at, temp, _, hour, _ := reading(i)
			s.thermal.Observe(ThermalReading{At: at, Air: temp, Room: 22, HasRoom: true, Lamps: LampsOn, Hour: hour})
		}},
		{"dose", func(i int) { at, temp, _, _, _ := reading(i); s.dose.Observe(limits, at, temp) }},
		{"mist", func(i int) { at, temp, rh, _, _ := reading(i); s.mist.Observe(at, temp, rh) }},
		{"night", func(i int) { at, temp, _, _, on := reading(i); s.night.Observe(at, temp, on) }},
		{"lamps", func(i int) { at, temp, _, _, on := reading(i); s.lamps.Observe(at, temp, 22, true, on) }},
		{"door", func(i int) {
			at, temp, rh, _, _ := reading(i)
			s.door.Observe(DoorReading{At: at, Temp: temp, RH: rh, RoomTemp: 22, HasRoom: true, RoomRH: 45, HasRoomRH: true})
		}},
	}
	for _, e := range each {
		s = steps{thermal: NewThermal(91)}
		b.Run(e.name, func(b *testing.B) {
			b.ReportAllocs()
			for i := 1; b.Loop(); i++ {
				e.step(i)
			}
		})
	}
	s = steps{thermal: NewThermal(91)}
	b.Run("everything", func(b *testing.B) {
		b.ReportAllocs()
		for i := 1; b.Loop(); i++ {
			s.step(i)
		}
	})
}

func learnedThermal(b testing.TB) (*Thermal, time.Duration) {
	m := NewThermal(91)
	at, _ := feed(m, newTwin(), 0, feedOptions{days: 7, room: roomCourse})
	if !m.Refit() {
		b.Fatal("no fit was taken")
	}
	return m, at
}

func BenchmarkForecast(b *testing.B) {
	m, at := learnedThermal(b)
	o := Outlook{
		At: at, Air: 29, Room: 27, HasRoom: true, HasRoomTrend: true, RoomTrend: Slope{PerHour: 2, Sigma: 0.1},
		LampsOn: true, Lethal: 31, LampChanges: []time.Duration{2 * time.Hour},
	}
	b.ReportAllocs()
	for b.Loop() {
		if f, ok := m.Forecast(o); !ok || !f.Lethal.Known {
			b.Fatal(f)
		}
	}
}

func BenchmarkRefit(b *testing.B) {
	m, _ := learnedThermal(b)
	b.ReportAllocs()
	for b.Loop() {
		if m.Refit() {
			b.Fatal("a fit to the same days was taken")
		}
	}
}

func BenchmarkSlope(b *testing.B) {
	var tr Trend
	for at := time.Duration(0); at <= time.Hour; at += 10 * time.Second {
		tr.Observe(at, 25+math.Sin(at.Minutes()))
	}
	b.ReportAllocs()
	for b.Loop() {
		tr.current = false
		tr.Slope()
	}
}

func BenchmarkFindCause(b *testing.B) {
	room, cases := rack()
	for range 3 {
		cases = append(cases, cases[:12]...)
	}
	scratch := make([]float64, 0, 3*len(cases))
	b.ReportAllocs()
	for b.Loop() {
		p := Survey(room, cases, scratch)
		p.CauseOf(cases[7])
	}
}

// Nothing on a reading's way allocates.
func TestStepsDoNotAllocate(t *testing.T) {
	s := steps{thermal: NewThermal(91)}
	i := 0
	day := 8640
	if n := testing.AllocsPerRun(2*day, func() { i++; s.step(i) }); n != 0 {
		t.Errorf("%v allocations a step", n)
	}
	m, at := learnedThermal(t)
	room, cases := rack()
	scratch := make([]float64, 0, 3*len(cases))
	for name, f := range map[string]func(){
		"forecast": func() {
			m.Forecast(Outlook{At: at, Air: 29, Room: 27, HasRoom: true, LampsOn: true, Lethal: 30})
		},
		"what if": func() { m.WhatIf(25, 33, 0, true, 30) },
		"slope":   func() { s.trend.current = false; s.trend.Slope() },
		"cause":   func() { p := Survey(room, cases, scratch); p.CauseOf(cases[3]) },
		"lamps":   func() { s.lamps.closeSlot(s.lamps.Slot + 1); s.lamps.Since.Next = 0; s.lamps.closeCourse() },
	} {
		if n := testing.AllocsPerRun(50, f); n != 0 {
			t.Errorf("%s: %v allocations", name, n)
		}
	}
}
