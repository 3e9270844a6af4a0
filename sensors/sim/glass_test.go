package sim

import (
	"math"
	"testing"
)

const testStep = 10.0 // s

// onePole is a tank whose air alone counts, with the given time constant in
// hours.
func onePole(tauHours float64) twoNode {
	return newTwoNode(Glass{
		AirToRoom: 1, AirCapacity: tauHours * 3600, LitterToRoom: 1, LitterCapacity: 1000,
	}, 0, testStep)
}

func within(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: %.4f, want %.4f within %g", what, got, want, tolerance)
	}
}

// The first-order step response T = Ti-(Ti-T0)exp(-t/tau), a textbook
// solution (Incropera & DeWitt, lumped capacitance), worked by hand.
func TestStepResponse(t *testing.T) {
	curve := map[int]float64{1: 25.9673, 2: 27.1606, 4: 28.3233, 12: 28.9876}
	n, temp := onePole(2), 24.0
	for step := 1; step <= 12*360; step++ {
		temp, _ = n.step(temp, 0, 29, 0, 0)
		if want, ok := curve[step/360]; ok && step%360 == 0 {
			within(t, "step response", temp, want, 1e-4)
		}
	}
	for _, c := range []struct{ tau, from, room, limit, hours float64 }{
		{2, 24, 35, 30, 1.5769}, {1.5, 25, 32, 30, 1.8791}, {3, 24, 29, 28, 4.8283},
		{2, 26, 31, 30, 3.2189}, {4, 24, 40, 32, 2.7726}, {1, 26, 30, 30.5, math.Inf(1)},
	} {
		got := hoursTo(onePole(c.tau), c.from, c.limit, func(float64) (float64, float64) { return c.room, 0 })
		if math.IsInf(c.hours, 1) != math.IsInf(got, 1) || math.Abs(got-c.hours) > 0.003 {
			t.Errorf("tau %g h, %g to %g in %g °C: %.4f h, want %.4f", c.tau, c.from, c.limit, c.room, got, c.hours)
		}
	}
}

// hoursTo runs air from a temperature until it reaches a limit, at most 48 h;
// drive gives room and lamp rise by the hour.
func hoursTo(n twoNode, temp, limit float64, drive func(hours float64) (roomC, rise float64)) float64 {
	for step := range 48 * 360 {
		hours := float64(step) / 360
		if temp >= limit {
			return hours
		}
		room, rise := drive(hours)
		temp, _ = n.step(temp, 0, room, rise*n.room, 0)
	}
	return math.Inf(1)
}

// A room that warms at a steady rate with the lamps on:
// T = Tr0+dL+s(t-tau)+(T0-Tr0-dL+s tau)exp(-t/tau), the exact solution of the
// first-order equation, worked by hand; and the hours that follow for an
// air-conditioner failure at +1, +2 and +3 °C/h.
func TestRisingRoom(t *testing.T) {
	curve := map[int]float64{1: 26.2131, 2: 26.7358, 4: 28.2707, 8: 32.0366}
	n, temp := onePole(2), 26.0
	for step := 1; step <= 8*360; step++ {
		temp, _ = n.step(temp, 0, 23.5+float64(step-1)/360, 2.5*n.room, 0)
		if want, ok := curve[step/360]; ok && step%360 == 0 {
			within(t, "rising room", temp, want, 0.003)
		}
	}
	for _, c := range []struct{ rate, to28, to30 float64 }{{1, 3.68, 5.90}, {2, 2.4, 3.7}, {3, 1.9, 2.9}} {
		drive := func(hours float64) (float64, float64) { return 23.5 + c.rate*hours, 2.5 }
		within(t, "hours to 28 °C", hoursTo(onePole(2), 26, 28, drive), c.to28, 0.06)
		within(t, "hours to 30 °C", hoursTo(onePole(2), 26, 30, drive), c.to30, 0.06)
	}
}

// A daily sine of the room reaches a one-pole tank as 1/sqrt(1+(w tau)²), late
// by atan(w tau)/w: 0.97 and 1.0 h, 0.89 and 1.8 h, 0.69 and 3.1 h.
func TestDailySine(t *testing.T) {
	for _, c := range []struct{ tau, share, late float64 }{{1, 0.97, 1.0}, {2, 0.89, 1.8}, {4, 0.69, 3.1}} {
		n, temp := onePole(c.tau), 0.0
		top, at := 0.0, 0.0
		for step := range 4 * 8640 {
			hours := float64(step) / 360
			temp, _ = n.step(temp, 0, math.Sin(2*math.Pi*hours/24), 0, 0)
			if hours > 72 && temp > top {
				top, at = temp, hours-72
			}
		}
		within(t, "share of the room's swing", top, c.share, 0.006)
		within(t, "hours late", at-6, c.late, 0.06)
	}
}

// Heat loss, capacity and warming of bare 5 mm glass tanks by size, computed
// from U = 4 W/m²K (from memory).
func TestGlassFor(t *testing.T) {
	for _, c := range []struct{ litres, loss, hours, per10W float64 }{
		{40, 2.7, 2.9, 3.7}, {91, 4.5, 4.0, 2.2}, {162, 6.7, 3.7, 1.5}, {243, 9.0, 4.4, 1.1}, {504, 14.6, 5.1, 0.7},
	} {
		g := GlassFor(c.litres)
		within(t, "loss", g.Loss(), c.loss, 0.01)
		within(t, "capacity over loss", (g.AirCapacity+g.LitterCapacity)/g.Loss()/3600, c.hours, 0.06)
		n := newTwoNode(g, 0, testStep)
		_, mid := n.balance(0, 10*(1-lampLitterShare), 10*lampLitterShare)
		air, _ := n.balance(0, 10*(1-lampLitterShare), 10*lampLitterShare)
		within(t, "rise per 10 W", (air+mid)/2, c.per10W, 0.15*c.per10W)
	}
	small, mid := GlassFor(60), GlassFor(20)
	if small.Loss() < 2.7 || small.Loss() > 4.5 || mid.Loss() >= 2.7 || mid.AirCapacity <= 0 {
		t.Errorf("between and beyond the sizes: %+v, %+v", small, mid)
	}
}

// What a four-node model of the 91 L tank shows for a step of 20 W of lamps
// and for a step of the room: the two nodes have to answer alike to 12 %.
func TestTwoTimeConstants(t *testing.T) {
	lamps := [4]float64{0, 20 * (1 - lampLitterShare), 20 * lampLitterShare}
	room := [4]float64{1}
	for _, c := range []struct {
		what   string
		drive  [4]float64
		litter bool
		share  float64
		hours  float64
	}{
		{"lamps, air half way", lamps, false, 0.50, 0.47},
		{"lamps, air", lamps, false, 0.63, 0.9},
		{"lamps, air at last", lamps, false, 0.90, 7},
		{"lamps, litter", lamps, true, 0.63, 6},
		{"room, air", room, false, 0.63, 0.95},
		{"room, litter", room, true, 0.63, 6},
	} {
		n := newTwoNode(GlassFor(91), 0, testStep)
		endAir, endLitter := n.balance(c.drive[0], c.drive[1], c.drive[2])
		air, litter, hours := 0.0, 0.0, 0.0
		for step := 0; hours == 0 && step < 48*360; step++ {
			air, litter = n.step(air, litter, c.drive[0], c.drive[1], c.drive[2])
			if got := air / endAir; !c.litter && got >= c.share {
				hours = float64(step) / 360
			}
			if got := litter / endLitter; c.litter && got >= c.share {
				hours = float64(step) / 360
			}
		}
		within(t, c.what, hours, c.hours, 0.12*c.hours)
	}
}

// The step is exact: one of 10 s and ten of 1 s come to the same.
func TestStepIsExact(t *testing.T) {
	long, short := newTwoNode(GlassFor(91), 0.4, 10), newTwoNode(GlassFor(91), 0.4, 1)
	a1, l1 := 21.0, 25.0
	a2, l2 := a1, l1
	for range 200 {
		a1, l1 = long.step(a1, l1, 23, 12, 5)
		for range 10 {
			a2, l2 = short.step(a2, l2, 23, 12, 5)
		}
	}
	within(t, "air", a1, a2, 1e-9)
	within(t, "litter", l1, l2, 1e-9)
}

// A 50 W heater that sticks in a 91 L tank: more than 5 °C in the first hour
// and about 11 °C in the end, by the same loss.
func TestHeaterStuck(t *testing.T) {
	n := newTwoNode(GlassFor(91), 0, testStep)
	air, litter := 0.0, 0.0
	for range 360 {
		air, litter = n.step(air, litter, 0, 50, 0)
	}
	if air < 5 {
		t.Errorf("%.1f °C in the first hour", air)
	}
	endAir, endLitter := n.balance(0, 50, 0)
	within(t, "end", (endAir+endLitter)/2, 11, 1.5)
}

// A power cut in winter, worked by hand for a first-order tank in a
// first-order house: tank at 24 °C with 4 h in a room of 21 °C with 20 h (or
// 8 h in a poor house), 0 °C outdoors.
func TestWinterPowerCut(t *testing.T) {
	for _, c := range []struct{ tau, to18, to15, to10 float64 }{{20, 7, 11, 19}, {8, 4.6, 6.6, 10.5}} {
		room := newHouse(House{Tau: hours(c.tau), Uncontrolled: true}, testStep)
		room.temp, room.noPower = 21, true
		n, temp, sat := onePole(4), 24.0, newSatTable()
		got := map[float64]float64{}
		for step := range 24 * 360 {
			room.step(sat, 0, -3, 0)
			temp, _ = n.step(temp, 0, room.temp, 0, 0)
			for _, limit := range []float64{18, 15, 10} {
				if _, ok := got[limit]; !ok && temp <= limit {
					got[limit] = float64(step) / 360
				}
			}
		}
		within(t, "hours to 18 °C", got[18], c.to18, 0.5)
		within(t, "hours to 15 °C", got[15], c.to15, 0.6)
		within(t, "hours to 10 °C", got[10], c.to10, 0.6)
	}
}
