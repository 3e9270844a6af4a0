package climate

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"dewline/configs/draws"

	"pgregory.net/rapid"
)

// twin is an enclosure that is exactly what the model takes it for.
type twin struct {
	p     params
	room  filter
	lamps filter
}

func newTwin() *twin {
	p := params{Fast: 0.5, Slow: 4, FastPart: 0.6, LampFast: 1.8, LampSlow: 0.9}
	for h := range p.Offset {
		p.Offset[h] = 0.5 + 0.2*math.Sin(float64(h)/12*2*math.Pi) // twice a day: lamps cannot pass for it
	}
	return &twin{p: p, room: filter{22, 22}}
}

// at steps the twin by a minute.
func (w *twin) at(room float64, on bool, hour float64) float64 {
	fast, slow := -math.Expm1(-1/60.0/w.p.Fast), -math.Expm1(-1/60.0/w.p.Slow)
	input := 0.0
	if on {
		input = 1
	}
	w.room.step(room, fast, slow)
	w.lamps.step(input, fast, slow)
	return w.p.value(w.room, w.lamps, hour)
}

// roomCourse is a room that moves by its day and its weather.
func roomCourse(h float64) float64 {
	return 22 + 1.5*math.Sin((h-9)/24*2*math.Pi) + 0.7*math.Sin(h/61*2*math.Pi)
}

type feedOptions struct {
	days     float64
	room     func(h float64) float64
	noise    float64
	lampless bool
	exclude  func(h float64) bool
}

// feed runs a twin and a model side by side, one reading a minute.
func feed(m *Thermal, w *twin, from time.Duration, o feedOptions) (at time.Duration, air float64) {
	rng := rand.New(rand.NewPCG(7, 7))
	for at = from; at < from+fromHours(24*o.days); at += time.Minute {
		h := at.Hours()
		hour := math.Mod(h, 24)
		on := hour >= 8 && hour < 20
		air = w.at(o.room(h), on && !o.lampless, hour)
		r := ThermalReading{
			At: at, Air: air + o.noise*rng.NormFloat64(), Room: o.room(h), HasRoom: true, Lamps: LampsOff, Hour: hour,
			Exclude: o.exclude != nil && o.exclude(h),
		}
		if on {
			r.Lamps = LampsOn
		}
		m.Observe(r)
	}
	return at, air
}

// One pole in steps of 5 min, time constant 2 h: a = 0.959189,
// 1 − a = 0.040811, lamps of 3 °C add 0.122432 °C in the first step (the
// project's own example).
func TestFilterStepExample(t *testing.T) {
	move, mean := factors(2)
	x := slotTime.Hours() / 2
	near(t, "move in a slot", move, 1-math.Exp(-x), 1e-12)
	near(t, "mean over a slot", mean, (1-math.Exp(-x))/x, 1e-12)
	step := -math.Expm1(-(5 * time.Minute).Hours() / 2)
	near(t, "1 − a", step, 0.040811, 5e-7)
	lamps := filter{}
	lamps.step(1, step, step)
	near(t, "first step of lamps of 3 °C", 3*lamps.Fast, 0.122432, 1e-6)
}

// A room's daily sine of amplitude A reaches the enclosure as
// A/√(1+(2πτ/24)²): 0.97, 0.89 and 0.69 for 1, 2 and 4 h (the project's own
// figures from first-order theory).
func TestFilterDampsTheDay(t *testing.T) {
	for tau, want := range map[float64]float64{1: 0.97, 2: 0.89, 4: 0.69} {
		f, top := filter{}, 0.0
		step := -math.Expm1(-1 / 60.0 / tau)
		for m := range 5 * 1440 {
			f.step(math.Sin(float64(m)/1440*2*math.Pi), step, step)
			if m > 4*1440 {
				top = max(top, f.Fast)
			}
		}
		near(t, "amplitude", top, want, 0.01)
	}
}

func TestThermalLearns(t *testing.T) {
	m, w := NewThermal(91), newTwin()
	feed(m, w, 0, feedOptions{days: 5, room: roomCourse, noise: 0.05})
	if !m.Refit() {
		t.Fatal("no fit was taken")
	}
	f := m.Params
	if !f.Learned || f.Residual > 0.15 {
		t.Errorf("fit %+v", f)
	}
	near(t, "lamp gain", m.LampsTake(200*time.Hour), 2.7, 0.35)
	near(t, "hours to 63 % of a room's step", m.Params.effectiveTau(), w.p.effectiveTau(), 0.2*w.p.effectiveTau())
	for _, h := range []float64{3, 9, 15, 21} {
		near(t, "offset to the room", m.Params.offset(h), w.p.offset(h), 0.35)
	}
	if m.Refit() {
		t.Error("the same data once more are no better")
	}
}

func TestThermalRefuses(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	wild := func(m *Thermal, days float64) {
		for at := time.Duration(0); at < fromHours(24*days); at += time.Minute {
			m.Observe(ThermalReading{At: at, Air: 25 + 3*rng.NormFloat64(), Room: roomCourse(at.Hours()), HasRoom: true, Hour: math.Mod(at.Hours(), 24)})
		}
	}
	for name, fill := range map[string]func(m *Thermal){
		"nothing seen": func(*Thermal) {},
		"one day": func(m *Thermal) {
			feed(m, newTwin(), 0, feedOptions{days: 1, room: roomCourse})
		},
		"all excluded": func(m *Thermal) {
			feed(m, newTwin(), 0, feedOptions{days: 5, room: roomCourse, exclude: func(float64) bool { return true }})
		},
		"room held within half a degree": func(m *Thermal) {
			feed(m, newTwin(), 0, feedOptions{days: 5, room: func(h float64) float64 { return 22 + 0.2*math.Sin(h) }})
		},
		"air that has nothing to do with the room": func(m *Thermal) { wild(m, 5) },
		"a cellar vault of 40 h": func(m *Thermal) {
			w := newTwin()
			w.p.Fast, w.p.Slow, w.p.LampFast, w.p.LampSlow = 40, 40, 0, 0
			feed(m, w, 0, feedOptions{days: 7, room: func(h float64) float64 { return 22 + 4*math.Sin(h/30) }, lampless: true})
		},
		"a probe that hangs in the room": func(m *Thermal) {
			w := newTwin()
			w.p.Fast, w.p.Slow, w.p.LampFast, w.p.LampSlow = 0.05, 0.05, 0, 0
			feed(m, w, 0, feedOptions{days: 5, room: roomCourse, lampless: true})
		},
	} {
		m := NewThermal(91)
		if fill(m); m.Refit() || m.Params.Learned {
			t.Errorf("%s: a fit was taken: %+v", name, m.Params)
		}
	}
}

// A week of nonsense must not push out a good fit.
func TestThermalKeepsTheBetterFit(t *testing.T) {
	m, w := NewThermal(91), newTwin()
	at, _ := feed(m, w, 0, feedOptions{days: 5, room: roomCourse})
	if !m.Refit() {
		t.Fatal("no fit was taken")
	}
	before := m.Params
	// Six days with a lamp that does nothing, then a sound one to judge by.
	at, _ = feed(m, w, at, feedOptions{days: 6, room: roomCourse, lampless: true})
	feed(m, w, at, feedOptions{days: 1, room: roomCourse})
	if m.Refit() || m.Params != before {
		t.Errorf("fit %+v, was %+v", m.Params, before)
	}
}

// The forecast of a model of one pole must agree with the closed form of a
// rising room.
func TestForecastAgainstClosedForm(t *testing.T) {
	m := NewThermal(91)
	m.Params = params{Fast: 2, Slow: 2, FastPart: 1, LampFast: 2.5, LampSlow: 0, Drift: 0.05, Learned: true}
	for at := time.Duration(0); at <= time.Hour; at += time.Minute {
		m.Observe(ThermalReading{At: at, Air: 26, Room: 23.5, HasRoom: true, Lamps: LampsOn, Hour: 12})
	}
	o := Outlook{
		At: time.Hour, Air: 26, Room: 23.5, HasRoom: true, HasRoomTrend: true, RoomTrend: Slope{PerHour: 2, Sigma: 0.05},
		LampsOn: true, Lethal: 28,
	}
	f, ok := m.Forecast(o)
	if !ok || !f.Lethal.Known || !f.Learned {
		t.Fatalf("no forecast: %+v", f)
	}
	// A room that goes on rising steadily, 2.4 h to 28 °C, is the warm edge of
	// what is taken for likely; the middle lets it level off.
	if e := f.Lethal; e.From > 144*time.Minute || e.To < 144*time.Minute || e.From > e.Mid || e.Mid > e.To {
		t.Errorf("28 °C in %v to %v (%v), want 2 h 24 min inside", e.From, e.To, e.Mid)
	}
	if g := f.LampsOff; !g.Known || g.Mid < 45*time.Minute || g.From > g.To {
		t.Errorf("lamps off gain %v to %v (%v)", g.From, g.To, g.Mid)
	}
	o.Air = 28.5
	if f, _ := m.Forecast(o); !f.Lethal.Known || f.Lethal.From != 0 || f.Lethal.To != 0 {
		t.Errorf("above the ceiling already: %+v", f.Lethal)
	}
}

func TestForecastStaysSilent(t *testing.T) {
	m := NewThermal(91)
	if f, ok := m.Forecast(Outlook{Air: 25, HasRoom: true}); ok {
		t.Errorf("a model that saw nothing says %+v", f)
	}
	for at := time.Duration(0); at <= 2*time.Hour; at += time.Minute {
		m.Observe(ThermalReading{At: at, Air: 24, Room: 22, HasRoom: true, Lamps: LampsOff, Hour: 3})
	}
	o := Outlook{At: 2 * time.Hour, Air: 24, Room: 22, HasRoom: true, HasRoomTrend: true, RoomTrend: Slope{Sigma: 0.05}, Lethal: 32}
	f, ok := m.Forecast(o)
	if !ok || f.Lethal.Known || f.LampsOff.Known {
		t.Errorf("a calm enclosure 8 °C below its ceiling: %+v", f)
	}
	o.Air = math.NaN()
	if _, ok := m.Forecast(o); ok {
		t.Error("NaN has a forecast")
	}
	if _, ok := m.Forecast(Outlook{At: 2 * time.Hour, Air: 24}); ok {
		t.Error("neither room nor trend has a forecast")
	}
}

// Without a room probe there is the trend alone, which is taken to slow down: that it may
// go straight on is held beside it by package room.
func TestForecastWithoutARoom(t *testing.T) {
	m := NewThermal(91)
	var tr Trend
	air := 26.0
	for at := time.Duration(0); at <= time.Hour; at += time.Minute {
		air = 26 + 3*at.Hours()
		tr.Observe(at, air)
		m.Observe(ThermalReading{At: at, Air: air, Lamps: LampsOff, Hour: 3})
	}
	s, _ := tr.Slope()
	f, ok := m.Forecast(Outlook{At: time.Hour, Air: air, Trend: s, HasTrend: true, Lethal: 31})
	if !ok || !f.Lethal.Known || f.Lethal.Mid < 40*time.Minute || f.Lethal.Mid > time.Hour || f.Lethal.From >= f.Lethal.Mid || f.Lethal.To <= f.Lethal.Mid {
		t.Errorf("2 °C to go at 3 °C/h: %+v", f.Lethal)
	}
}

// What if: a model of one pole in a room held at 33 °C reaches the lethal limit
// when the step response does.
func TestWhatIfAgainstStepTime(t *testing.T) {
	m := NewThermal(91)
	m.Params = params{Fast: 2, Slow: 2, FastPart: 1, LampFast: 2, Learned: true}
	for at := time.Duration(0); at <= time.Hour; at += time.Minute {
		m.Observe(ThermalReading{At: at, Air: 26, Room: 24, HasRoom: true, Lamps: LampsOn, Hour: 12})
	}
	w := m.WhatIf(26, 33, math.NaN(), true, 30)
	want, _ := stepTime(2*time.Hour, 26, 35, 30)
	near(t, "hours to the ceiling, lamps on", w.ToLethal.Hours(), want.Hours(), 0.02)
	near(t, "peak, lamps on", w.Peak, 35, 0.01)
	off := m.WhatIf(26, 33, math.NaN(), false, 30)
	want, _ = stepTime(2*time.Hour, 26, 33, 30)
	near(t, "hours to the ceiling, lamps off", off.ToLethal.Hours(), want.Hours(), 0.02)
	if never := m.WhatIf(26, 25, math.NaN(), false, 30); never.Reached || never.Peak != 26 {
		t.Errorf("a cooler room: %+v", never)
	}
	fresh := NewThermal(0).WhatIf(25, 33, math.NaN(), true, 30)
	if !fresh.Reached || fresh.Learned || !finite(fresh.Peak) {
		t.Errorf("a model that saw nothing: %+v", fresh)
	}
}

// Any order of readings, gaps, NaN and refits leaves finite numbers, and a copy
// through JSON goes on exactly like the original.
func TestThermalSurvivesAnything(t *testing.T) {
	draws.Check(t, func(t *rapid.T) {
		m := NewThermal(rapid.Float64Range(-5, 1000).Draw(t, "litres"))
		temp := rapid.OneOf(rapid.Float64Range(-40, 85), rapid.SampledFrom([]float64{math.NaN(), math.Inf(1)}))
		gap := rapid.OneOf(rapid.IntRange(-60, 900), rapid.Just(30*3600), rapid.Just(20*86400))
		at := time.Duration(0)
		step := func(m *Thermal, at time.Duration, air, room float64, has bool, lamps Lamps) Forecast {
			m.Observe(ThermalReading{At: at, Air: air, Room: room, HasRoom: has, Lamps: lamps, Hour: math.Mod(at.Hours(), 24)})
			f, _ := m.Forecast(Outlook{At: at, Air: air, Room: room, HasRoom: has && finite(room), Lethal: 32, LampsOn: lamps == LampsOn})
			return f
		}
		for range rapid.IntRange(1, 120).Draw(t, "n") {
			at += time.Duration(gap.Draw(t, "s")) * time.Second
			air, room := temp.Draw(t, "air"), temp.Draw(t, "room")
			has, lamps := rapid.Bool().Draw(t, "has"), Lamps(rapid.IntRange(0, 2).Draw(t, "lamps"))
			raw, err := json.Marshal(m)
			if err != nil {
				t.Fatalf("marshal: %v", err)
			}
			twin := new(Thermal)
			if err := json.Unmarshal(raw, twin); err != nil {
				t.Fatalf("unmarshal: %v", err)
			}
			a, b := step(m, at, air, room, has, lamps), step(twin, at, air, room, has, lamps)
			if a != b {
				t.Fatalf("after JSON: %+v, was %+v", b, a)
			}
		}
		m.Refit()
		if f := m.Params; !finite(m.LampsTake(200*time.Hour)) || !finite(f.Residual) || f.Fast <= 0 {
			t.Fatalf("fit %+v", f)
		}
	})
}

func TestHistoryRefusesOtherText(t *testing.T) {
	var h history
	h.clear()
	text, err := h.MarshalText()
	if err != nil {
		t.Fatal(err)
	}
	if err := h.UnmarshalText(text); err != nil {
		t.Errorf("own text: %v", err)
	}
	for _, bad := range []string{"", "####", string(text[:len(text)-4])} {
		if err := h.UnmarshalText([]byte(bad)); err == nil {
			t.Errorf("%.10q is accepted", bad)
		}
	}
}

func TestSolve4(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	for range 50 {
		var a [4][5]float64
		var want [4]float64
		for i := range 4 {
			want[i] = rng.NormFloat64()
			for j := range 4 {
				a[i][j] = rng.NormFloat64()
			}
		}
		a[0][0] = 0 // needs another pivot
		for i := range 4 {
			for j := range 4 {
				a[i][4] += a[i][j] * want[j]
			}
		}
		got, ok := solve4(a)
		for i := range 4 {
			if !ok || math.Abs(got[i]-want[i]) > 1e-8 {
				t.Fatalf("%v, %v; want %v", got, ok, want)
			}
		}
	}
	if _, ok := solve4([4][5]float64{{1, 2, 3, 4, 1}, {2, 4, 6, 8, 1}, {0, 1, 0, 0, 1}, {0, 0, 1, 0, 1}}); ok {
		t.Error("two rows that say the same are solved")
	}
}

// stairs is a room that moves in steps of ten minutes, as the week is kept.
func stairs(h float64) float64 { return roomCourse(math.Floor(h*slotsHour+1e-6) / slotsHour) }

// An enclosure whose time constants are among those tried is found as it is, to what
// minutes and hundredths of °C leave open.
func TestRefit_FindsTheEnclosureItself(t *testing.T) {
	m, w := NewThermal(91), newTwin()
	w.p = params{Fast: 0.6, Slow: 5, FastPart: 0.55, LampFast: 1.7, LampSlow: 1.1}
	for h := range w.p.Offset {
		w.p.Offset[h] = 0.6
	}
	feed(m, w, 0, feedOptions{days: 7, room: stairs})
	if !m.Refit() {
		t.Fatal("no fit was taken")
	}
	p := m.Params
	if p.Fast != 0.6 || p.Slow != 5 {
		t.Errorf("time constants of %v and %v h", p.Fast, p.Slow)
	}
	near(t, "fast part", p.FastPart, 0.55, 0.01)
	near(t, "lamps, fast", p.LampFast, 1.7, 0.02)
	near(t, "lamps, slow", p.LampSlow, 1.1, 0.02)
	for h := range p.Offset {
		near(t, "offset", p.Offset[h], 0.6, 0.02)
	}
	if p.Residual > 0.01 || p.Drift > 0.01 {
		t.Errorf("residual %v, drift %v", p.Residual, p.Drift)
	}
	// The state goes on where the enclosure is.
	near(t, "room, fast", m.Room.Fast, w.room.Fast, 0.02)
	near(t, "room, slow", m.Room.Slow, w.room.Slow, 0.02)
	near(t, "lamps, fast", m.Lamp.Fast, w.lamps.Fast, 0.01)
	near(t, "lamps, slow", m.Lamp.Slow, w.lamps.Slow, 0.01)
	near(t, "usual room, middle", m.Usual.Mid, 22, 0.3)
	var rooms []float64
	for n := range slotCount {
		rooms = append(rooms, stairs((float64(n)+0.01)/slotsHour))
	}
	slices.Sort(rooms)
	near(t, "usual room, low", m.Usual.Low, rooms[slotCount/20], 0.02)
	near(t, "usual room, high", m.Usual.High, rooms[slotCount-1-slotCount/20], 0.02)
}

// The residual is the root mean square of what the last day's model missed, the drift
// that of how this changed within an hour.
func TestScoreOfAModel(t *testing.T) {
	m := NewThermal(91)
	rng := rand.New(rand.NewPCG(9, 9))
	const split = 200
	var miss [slotsDay + split]float64
	var residual, drift, drifts float64
	for n := range miss {
		miss[n] = math.Round(100*rng.NormFloat64()) / 100
		air := int16(math.Round(100 * (pivotTemp + miss[n])))
		if n == 250 {
			air = noTemp // a gap
		}
		*m.Week.at(int64(n)) = slot{air: air, room: pivotTemp * 100, lamps: 0, hour: noHour}
	}
	for n := split; n < len(miss); n++ {
		if n == 250 {
			continue
		}
		residual += miss[n] * miss[n] / (slotsDay - 1)
		if n != 256 {
			d := miss[n] - miss[n-slotsHour]
			drift += d * d
			drifts++
		}
	}
	m.Slot = int64(len(miss))
	p := params{Fast: 1, Slow: 2}
	a, b := m.score(&p, 0, split)
	near(t, "residual", a, math.Sqrt(residual), 1e-9)
	near(t, "drift", b, math.Sqrt(drift/drifts), 1e-9)
	if a, b = m.score(&p, m.Slot, m.Slot); !math.IsInf(a, 1) || b != priorDrift {
		t.Errorf("of no slots: %v, %v", a, b)
	}
}

// A path is the solution of two first-order responses to the room, the lamps and heat
// that is not accounted for, all held for five minutes: Euler's method in steps of a
// second comes to the same.
func TestPathAgainstEuler(t *testing.T) {
	m := NewThermal(91)
	m.Params = params{Fast: 0.5, Slow: 4, FastPart: 0.6, LampFast: 1.8, LampSlow: 0.9}
	m.Started, m.HasRoom, m.LastHour = true, true, -1
	m.Room, m.Lamp = filter{22.5, 22}, filter{0.9, 0.5}
	s := scenario{
		extra: filter{0.4, 0.3}, input: 1.2, inputTau: 6, rest: 0.5, roomRate: 1, roomTau: 2.5, scale: 1.1,
	}
	c := course{air: 26, level: 23}
	for i := range c.lamps {
		c.lamps[i] = 1
		if i > 24 {
			c.lamps[i] = 0
		}
	}
	for _, off := range []bool{false, true} {
		s.lampsOff = off
		var got path
		m.run(&c, &s, &got)
		p, share := &m.Params, 1.8/2.7
		room, lamps, extra := m.Room, m.Lamp, s.extra
		value := func() float64 {
			return p.FastPart*room.Fast + (1-p.FastPart)*room.Slow + p.LampFast*lamps.Fast + p.LampSlow*lamps.Slow +
				share*extra.Fast + (1-share)*extra.Slow
		}
		now, dt := value(), 1/3600.0
		for i := 1; i <= pathSteps; i++ {
			h := float64(i) * pathStep.Hours()
			moved := s.roomRate * s.roomTau * (1 - math.Exp(-h/s.roomTau))
			heat := s.extra.Slow + (s.input-s.extra.Slow)*math.Exp(-(h-pathStep.Hours())/s.inputTau)
			on := c.lamps[i]
			if off {
				on = 0
			}
			for range 300 {
				room.step(c.level+moved, dt/p.Fast, dt/p.Slow)
				lamps.step(on, dt/p.Fast, dt/p.Slow)
				extra.step(heat, dt/p.Fast, dt/p.Slow)
			}
			rest := s.rest * restTau * (1 - math.Exp(-h/restTau))
			near(t, "path", got[i], c.air+s.scale*(value()-now)+rest, 0.002)
		}
	}
}

// What if, with two time constants: the sum of two exponentials.
func TestWhatIfOfTwoTimeConstants(t *testing.T) {
	m := NewThermal(91)
	m.Params = params{Fast: 0.5, Slow: 5, FastPart: 0.7, LampFast: 1.5, LampSlow: 0.5, Learned: true}
	m.Started, m.HasRoom, m.LastHour = true, true, -1
	m.Room, m.Lamp = filter{24, 24}, filter{1, 1}
	at := func(h, room float64, on float64) float64 { // 26.4 °C now, of which 0.4 fade as slowly as the substrate
		fast, slow := math.Exp(-h/0.5), math.Exp(-h/5)
		return 0.7*(room+(24-room)*fast) + 0.3*(room+(24-room)*slow) + 1.5*(on+(1-on)*fast) + 0.5*(on+(1-on)*slow) + 0.4*slow
	}
	for _, c := range []struct {
		room, on float64
	}{{33, 1}, {33, 0}, {29, 1}} {
		w := m.WhatIf(26.4, c.room, math.NaN(), c.on == 1, 30)
		if !w.Reached {
			t.Fatalf("%+v: %+v", c, w)
		}
		near(t, "°C when the limit is said to be reached", at(w.ToLethal.Hours(), c.room, c.on), 30, 0.01)
		near(t, "peak", w.Peak, at(24, c.room, c.on), 0.001)
	}
	if w := m.WhatIf(30, 20, math.NaN(), false, 30); !w.Reached || w.ToLethal != 0 || w.Peak != 30 {
		t.Errorf("at the limit now: %+v", w)
	}
}

// What lamps that go off gain is the difference of the times, end by end; never reached
// then, the lethal limit is later by the rest of six hours at least.
func TestForecast_WhatLampsOffGain(t *testing.T) {
	eta := func(from, mid, to time.Duration, open bool) Eta {
		return Eta{Known: true, From: from * time.Minute, Mid: mid * time.Minute, To: to * time.Minute, Open: open}
	}
	for name, c := range map[string]struct{ without, with, want Eta }{
		"each end":                {eta(60, 90, 120, false), eta(80, 120, 170, false), eta(20, 30, 50, false)},
		"never then":              {eta(60, 90, 120, false), Eta{}, eta(270, 270, 360, true)},
		"open then":               {eta(60, 90, 120, false), eta(80, 120, 360, true), eta(20, 30, 30, true)},
		"open before":             {eta(60, 90, 360, true), eta(110, 120, 360, true), eta(30, 30, 50, false)},
		"the middle gains least":  {eta(60, 90, 120, false), eta(80, 100, 150, false), eta(10, 10, 30, false)},
		"the far end gains least": {eta(60, 90, 120, false), eta(80, 120, 125, false), eta(5, 30, 30, false)},
		"nothing, or a bit less":  {eta(60, 90, 120, false), eta(55, 85, 110, false), eta(0, 0, 0, false)},
	} {
		if got := gain(c.without, c.with); got != c.want {
			t.Errorf("%s: %+v, want %+v", name, got, c.want)
		}
	}
}

// A limit is reached where the line between two steps crosses it: the middle, the warm
// end first, the cool end last.
func TestForecast_Reach(t *testing.T) {
	var b band
	for i := range b.mid {
		b.mid[i] = 25 + 0.25*float64(i)
		b.wide[i] = 0.125 * float64(i)
	}
	e := b.reach(28.125, 0)
	if want := (Eta{Known: true, From: 41*time.Minute + 40*time.Second, Mid: 62*time.Minute + 30*time.Second, To: 125 * time.Minute}); e != want {
		t.Errorf("%+v, want %+v", e, want)
	}
	if e = b.reach(40, 0); !e.Known || !e.Open || e.To != Horizon || e.Mid != 5*time.Hour {
		t.Errorf("the cool end never: %+v", e)
	}
	if e = b.reach(43, 0); e.Mid != Horizon {
		t.Errorf("at the horizon: %+v", e)
	}
	if e = b.reach(43.1, 0); e != (Eta{}) {
		t.Errorf("not within it: %+v", e)
	}
	if e = b.reach(25, 0); e != (Eta{Known: true}) {
		t.Errorf("there already: %+v", e)
	}
}

// peakOf is the highest that the next six hours are expected to bring.
func peakOf(m *Thermal, o Outlook) Span {
	base, sigma := m.likely(&o)
	var c course
	var b band
	m.courseOf(&o, &c)
	m.spread(&c, base, sigma, &b)
	s := Span{Low: math.Inf(-1), Mid: math.Inf(-1), High: math.Inf(-1)}
	for i, v := range b.mid {
		s.Low, s.Mid, s.High = max(s.Low, v-b.wide[i]), max(s.Mid, v), max(s.High, v+b.wide[i])
	}
	return s
}

// Without other doubt a range is what a probe and wandering air leave open: 1.65 standard
// deviations of 0.06 °C and of a walk by its drift per √h.
func TestForecast_LeastRange(t *testing.T) {
	m := NewThermal(91)
	m.Started = true
	s := scenario{scale: 1, roomTau: roomTau, inputTau: inputLong}
	var b band
	m.spread(&course{air: 26}, s, sigmas{air: 0.06, drift: 0.3}, &b)
	for i := range b.mid {
		want := 1.65 * math.Sqrt(0.06*0.06+0.09*float64(i)/12)
		near(t, "wide", b.wide[i], want, 1e-9)
		near(t, "middle", b.mid[i], 26, 1e-9)
	}
	// A rate that is unsure widens it by what is still to come of it.
	s.rest = -1
	m.spread(&course{air: 26}, s, sigmas{air: 0.06, rest: 0.5}, &b)
	unsure := 0.5 * restTau * (1 - math.Exp(-6/restTau))
	near(t, "wide", b.wide[pathSteps], 1.65*math.Sqrt(0.0036+unsure*unsure), 1e-9)
}

// The course ahead is that of the lamps by schedule and of the room as yesterday.
func TestForecast_Course(t *testing.T) {
	m := NewThermal(91)
	for n := range int64(slotsDay + 40) {
		*m.Week.at(n) = slot{air: noTemp, room: int16(2000 + 10*n), lamps: noLamps, hour: noHour}
	}
	*m.Week.at(24) = slot{air: noTemp, room: noTemp, lamps: noLamps, hour: noHour}
	m.LastHour, m.LastRoom = 10, 21
	for h := range m.Params.Offset {
		m.Params.Offset[h] = float64(h)
	}
	o := Outlook{At: 20*slotTime + slotsDay*slotTime, Air: 26, Room: 23, HasRoom: true, LampsOn: true, LampChanges: []time.Duration{32*time.Minute + 30*time.Second, 67 * time.Minute}}
	var c course
	m.courseOf(&o, &c)
	if c.air != 26 || c.level != 23 {
		t.Errorf("%v, %v", c.air, c.level)
	}
	for i := range c.lamps {
		want := 1.0
		if i >= 7 && i < 14 { // by the nearest five minutes
			want = 0
		}
		if c.lamps[i] != want {
			t.Errorf("lamps in %d min: %v", 5*i, c.lamps[i])
		}
	}
	for i, want := range map[int]float64{0: 0, 1: 0, 2: 0.1, 4: 0.2, 8: 0.3, 9: 0.3, 10: 0.5} {
		near(t, "the room's move", c.shape[i], want, 1e-9)
	}
	near(t, "offset now", c.offset[0], 9.5, 1e-9)
	near(t, "offset in an hour", c.offset[12], 10.5, 1e-9)
	o.HasRoom = false
	if m.courseOf(&o, &c); c.level != 21 {
		t.Errorf("no room now: %v °C", c.level)
	}
	// It moved by 0.3 °C in half an hour then.
	if rate, ok := m.usualRoomRate(o.At + 10*slotTime); !ok || math.Abs(rate-0.6) > 1e-9 {
		t.Errorf("yesterday's rate: %v, %v", rate, ok)
	}
	for slot, want := range map[time.Duration]bool{22: true, 23: false, 24: true, 26: false, 27: true} {
		if _, ok := m.usualRoomRate((slotsDay + slot) * slotTime); ok != want {
			t.Errorf("around slot %d: %v", slot, ok)
		}
	}
}

// R² is 1 less the squares that are left over those about the mean; what is left by hour
// of day becomes the offset, half of it and a quarter of each neighbour's, where two slots
// weigh as no knowledge.
func TestOffsetsOfAModel(t *testing.T) {
	m := NewThermal(91)
	const end = 400
	var all []float64
	for n := range int64(end) {
		rest := 1.0
		hour := uint8(n % slotsDay)
		if h := int(hour) / slotsHour; h == 10 {
			rest = 3
		}
		all = append(all, rest)
		*m.Week.at(n) = slot{air: int16(100 * (pivotTemp + rest)), room: pivotTemp * 100, hour: hour}
	}
	p := params{Fast: 1, Slow: 2}
	r2 := m.learnOffsets(&p, 0, end)
	// From the 73rd slot on, an hour of 10 has twelve slots, one of 12 and later 18, of 0 to
	// 9 12.
	raw := func(h int) float64 {
		n, sum := 0.0, 0.0
		for i := burnIn; i < end; i++ {
			if i%slotsDay/slotsHour == h {
				n++
				sum += all[i]
			}
		}
		return sum / (n + 2)
	}
	for h := range 24 {
		near(t, "offset", p.Offset[h], 0.25*raw((h+23)%24)+0.5*raw(h)+0.25*raw((h+1)%24), 1e-9)
	}
	var mean, about, left float64
	for _, x := range all[burnIn:] {
		mean += x / (end - burnIn)
	}
	for i := burnIn; i < end; i++ {
		about += (all[i] - mean) * (all[i] - mean)
		d := all[i] - p.offset((float64(i%slotsDay)+0.5)/slotsHour)
		left += d * d
	}
	near(t, "R²", r2, 1-left/about, 1e-9)
}

// The rate is what the response does in the next moment.
func TestRateOfAModel(t *testing.T) {
	m := NewThermal(91)
	m.Params = params{Fast: 0.5, Slow: 4, FastPart: 0.6, LampFast: 1.8, LampSlow: 0.9}
	m.HasRoom, m.Room, m.Lamp, m.LastRoom = true, filter{22.5, 22}, filter{0.9, 0.5}, 25
	const dt = 1e-5
	for _, on := range []bool{false, true} {
		room, lamps, input := m.Room, m.Lamp, 0.0
		if on {
			input = 1
		}
		room.step(25, dt/0.5, dt/4)
		lamps.step(input, dt/0.5, dt/4)
		want := (m.Params.response(room, lamps) - m.Params.response(m.Room, m.Lamp)) / dt
		near(t, "°C/h", m.rate(&Outlook{LampsOn: on}), want, 1e-6)
	}
}

// A room that leaves where it usually is goes on for longer than one inside of it.
func TestForecast_RoomThatIsHeld(t *testing.T) {
	m := NewThermal(91)
	m.HasUsual, m.Usual = true, Span{Low: 20, High: 24}
	for _, c := range []struct {
		room float64
		want float64
	}{{19.5, roomTau}, {19.6, roomHeldTau}, {24.4, roomHeldTau}, {24.5, roomTau}} {
		s, u := m.likely(&Outlook{Room: c.room, HasRoomTrend: true, RoomTrend: Slope{PerHour: -2, Sigma: 0.3}})
		if s.roomTau != c.want || s.roomRate != -2 {
			t.Errorf("%v °C: %+v", c.room, s)
		}
		near(t, "its uncertainty", u.room, math.Hypot(0.3, 0.1+0.15*2), 1e-9)
	}
}

// A model that was never stepped, and knows no room, starts as one whose air and lamps have
// been as they are for long.
func TestWhatIf_NeverStepped(t *testing.T) {
	for _, on := range []bool{false, true} {
		const air = 26
		m, long := NewThermal(90), NewThermal(90)
		level, lamps := float64(air), filter{}
		if on {
			level, lamps = air-m.Params.LampFast-m.Params.LampSlow, filter{1, 1}
		}
		long.Started, long.HasRoom, long.Room, long.Lamp = true, true, filter{level, level}, lamps
		got, want := m.WhatIf(air, 32, math.NaN(), on, 29), long.WhatIf(air, 32, math.NaN(), on, 29)
		if got != want || !got.Reached || got.ToLethal <= 0 {
			t.Errorf("lamps %v: %+v, want %+v", on, got, want)
		}
	}
}

// What the clock brings in the day ahead counts, and a model that was never stepped takes
// the air as level so far.
func TestWhatIf_ByTheClock(t *testing.T) {
	m := NewThermal(91)
	m.Params = params{Fast: 0.5, Slow: 5, FastPart: 0.7, Learned: true}
	m.Params.Offset[15] = 4
	m.Started, m.HasRoom, m.LastHour, m.Room = true, true, 10.5, filter{24, 24}
	w := m.WhatIf(24, 24, math.NaN(), false, 27)
	if !w.Reached || math.Abs(w.Peak-28) > 1e-9 || math.Abs(w.ToLethal.Hours()-4.75) > 1e-6 {
		t.Errorf("in five hours it is 4 °C warmer, in 4 h 45 min 3: %+v", w)
	}
	fresh := NewThermal(91)
	gain := fresh.Params.LampFast + fresh.Params.LampSlow
	if w := fresh.WhatIf(27, 27-gain, math.NaN(), true, 30); w.Reached || math.Abs(w.Peak-27) > 1e-9 {
		t.Errorf("a room that is cooler by what the lamps give: %+v", w)
	}
}

// A slot of ten minutes is unfit to learn from where one reading of it is, and one without
// a reading is a gap; the room of a week is remembered.
func TestThermal_Slots(t *testing.T) {
	for c, want := range map[float64]int16{0: 0, 23.456: 2346, -0.005: -1, -0.004: 0, 1e9: 32000, -1e9: -32000} {
		if got := centi(c); got != want {
			t.Errorf("%v °C are %d", c, got)
		}
	}
	m := NewThermal(91)
	for i := range 60 {
		at := 48*time.Hour + time.Duration(i)*time.Minute
		if i >= 20 && i < 50 {
			continue
		}
		r := ThermalReading{At: at, Air: 24 + float64(i), Room: 20 + float64(i), HasRoom: true, Lamps: LampsOff, Hour: 10, Exclude: i == 13}
		if i%10 < 5 {
			r.Lamps = LampsOn
		}
		m.Observe(r)
	}
	m.Observe(ThermalReading{At: 49 * time.Hour, Air: 24, Hour: -1})
	first := m.Week.at(48 * slotsHour)
	if want := (slot{air: 2850, room: 2450, lamps: 100, hour: 60}); *first != want {
		t.Errorf("%+v, want %+v", *first, want)
	}
	if s := m.Week.at(48*slotsHour + 1); s.air != noTemp || s.room != 3450 {
		t.Errorf("a doubtful reading is learned from: %+v", s)
	}
	for i := int64(2); i < 5; i++ {
		if s := m.Week.at(48*slotsHour + i); s.air != noTemp || s.room != noTemp || s.lamps != noLamps || s.hour != noHour {
			t.Errorf("slot %d is a gap: %+v", i, s)
		}
	}
	week := NewThermal(91) // what lies a week back is not taken for what a gap lacks
	for i := range slotCount + 10 {
		if i < slotCount-6 || i > slotCount {
			week.Observe(ThermalReading{At: time.Duration(i) * slotTime, Air: 24, Room: 22, HasRoom: true, Hour: 10})
		}
	}
	for n, known := range map[int64]bool{slotCount - 7: true, slotCount - 6: false, slotCount: false, slotCount + 1: true} {
		if s := week.Week.at(n); (s.air == 2400) != known || (s.air == noTemp) == known {
			t.Errorf("slot %d of a week with a gap: %+v", n, s)
		}
	}
	for _, c := range []struct {
		at, span time.Duration
		want     bool
	}{
		{49 * time.Hour, time.Hour, true}, {49 * time.Hour, 55 * time.Minute, true}, {49 * time.Hour, 30 * time.Minute, false},
		{49 * time.Hour, slotTime, true}, {49 * time.Hour, slotTime - 1, false}, {48*time.Hour + slotCount*slotTime, slotCount * slotTime, false},
		{time.Hour, 2 * time.Hour, false},
	} {
		if v, ok := m.RoomBefore(c.at, c.span); ok != c.want || ok && c.span == time.Hour && v != 24.5 {
			t.Errorf("%v before %v: %v, %v", c.span, c.at, v, ok)
		}
	}
}

// Lamps that never switched tell nothing of what they add: that stays as it was believed.
func TestRefit_LampsThatNeverSwitch(t *testing.T) {
	m := NewThermal(91)
	w, want := newTwin(), priors(91)
	for at := time.Duration(0); at < 5*24*time.Hour; at += time.Minute {
		room, hour := roomCourse(at.Hours()), math.Mod(at.Hours(), 24)
		m.Observe(ThermalReading{At: at, Air: w.at(room, false, hour), Room: room, HasRoom: true, Lamps: LampsOff, Hour: hour})
	}
	if !m.Refit() || math.Abs(m.Params.LampFast-want.LampFast) > 0.01 || math.Abs(m.Params.LampSlow-want.LampSlow) > 0.01 {
		t.Errorf("lamps %v and %v", m.Params.LampFast, m.Params.LampSlow)
	}
}

// A learned model that is off at one hour each day says nothing of the lamps: what is as
// usual at its hour counts for half.
func TestThermal_LacksByTheModelAndTheHour(t *testing.T) {
	m := Thermal{HasRoom: true, LastRoom: 22, LastHour: 9, Room: filter{Fast: 22, Slow: 22}, Params: params{Learned: true, FastPart: 0.5}}
	for h := range m.Params.Offset {
		m.Params.Offset[h] = 4
	}
	for _, c := range []struct{ air, residual, want float64 }{{25, 0, 0.5}, {25, -1, 1}, {26, -1, 0.5}, {24.5, -1, 1.25}} {
		if got := m.Lacks(c.air, c.residual); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("air %v, residual %v: lacks %v, want %v", c.air, c.residual, got, c.want)
		}
	}
}

// What lamps take when they go off is theirs in the end, and little of it at first.
func TestThermal_LampsTake(t *testing.T) {
	m := NewThermal(0)
	near(t, "at once", m.LampsTake(0), 0, 1e-9)
	near(t, "after a quarter of an hour", m.LampsTake(15*time.Minute), 0.82, 0.01) // 2.5 °C in 0.4 and 6 h
	near(t, "in the end", m.LampsTake(100*time.Hour), 2.5, 1e-6)
}
