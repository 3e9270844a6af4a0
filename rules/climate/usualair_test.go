package climate

import (
	"math"
	"testing"
	"time"
)

// What the air usually is at a time of day is the median of its days, from three days on,
// beside a mist that disturbed it, and says nothing of hours that were never seen.
func TestUsualAir(t *testing.T) {
	feed := func(days int, mist bool) *Thermal {
		m := NewThermal(90)
		for at := time.Duration(0); at < time.Duration(days)*24*time.Hour; at += 5 * time.Minute {
			hour := math.Mod(at.Hours(), 24)
			m.Observe(ThermalReading{At: at, Air: 20 + math.Floor(hour/6) + float64(at/(24*time.Hour))/10, Hour: hour, Exclude: mist && hour >= 12 && hour < 12.3})
		}
		return m
	}
	for _, c := range []struct {
		name  string
		days  int
		mist  bool
		at    time.Duration // of the next day
		want  float64
		known bool
	}{
		{"three days", 3, false, 12*time.Hour + time.Minute, 22.1, true},
		{"two days", 2, false, 12*time.Hour + time.Minute, 0, false},
		{"four days", 4, false, 12*time.Hour + time.Minute, 22.15, true},
		{"misted each day", 3, true, 12*time.Hour + 15*time.Minute, 22.1, true},
		{"by night", 3, false, time.Hour, 20.1, true},
	} {
		got, known := feed(c.days, c.mist).UsualAir(time.Duration(c.days)*24*time.Hour + c.at)
		if known != c.known || math.Abs(got-c.want) > 0.006 {
			t.Errorf("%s: %v %v, want %v %v", c.name, got, known, c.want, c.known)
		}
	}
}

// Without a room each stands against its own usual temperature, and one of which nothing is
// known against what the others usually are.
func TestSurvey_WithoutARoom(t *testing.T) {
	usual := func(is, was float64) Case { return Case{Temp: is, HasTemp: true, Offset: was, HasOffset: true} }
	fresh := Case{Temp: 24.2, HasTemp: true}
	p := Survey(RoomCase{}, []Case{usual(24, 24), usual(22, 22.2), usual(26, 26), fresh}, make([]float64, 0, 8))
	for i, want := range []float64{0, -0.2, 0, 0.2} {
		if got := p.CauseOf(p.cases[i]).Residual; math.Abs(got-want) > 1e-9 {
			t.Errorf("%d: %v, want %v", i, got, want)
		}
	}
	if math.Abs(p.Median) > 1e-9 {
		t.Errorf("all are as usual, and %v apart", p.Median)
	}
	q := Survey(RoomCase{Temp: 20, HasTemp: true}, []Case{usual(24, 4), fresh}, make([]float64, 0, 8))
	if got := q.CauseOf(fresh).Residual; math.Abs(got-4.2) > 1e-9 {
		t.Errorf("beside a room: %v", got)
	}
}

// Air is damper than usual by more than a little, and by a good part of what it lacks.
func TestDamper(t *testing.T) {
	for _, c := range []struct {
		level, rh float64
		days      uint8
		want      bool
	}{{80, 88, 9, true}, {80, 87.9, 9, false}, {96, 98.5, 9, true}, {96, 98.4, 9, false}, {80, 99, courseFew, false}} {
		w := MistWatch{}
		w.Level.Mean[12], w.Level.Days[12] = float32(c.level), c.days
		if got := w.Damper(12.5, c.rh); got != c.want {
			t.Errorf("%+v: %v", c, got)
		}
	}
}
