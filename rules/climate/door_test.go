package climate

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// doorStory is an enclosure at 25 °C and 85 % in a room of 22 °C and 45 %;
// open lets the room in, with a time constant of 2 min for water and 8 min for
// heat (common practice: 1.5–2 °C in ten minutes, 15 to 40 points, no source).
func doorStory(open func(min float64) bool, each func(at time.Duration, rh, temp float64)) {
	rh, temp := 85.0, 25.0
	for at := time.Duration(0); at < 3*time.Hour; at += 10 * time.Second {
		target, warm, wet := 85.0, 25.0, 4.0*6
		heat := 20.0 * 6
		if open(at.Minutes()) {
			target, warm, wet, heat = 50, 22.5, 2*6, 8*6
		}
		rh += (target - rh) / wet
		temp += (warm - temp) / heat
		each(at, rh, temp)
	}
}

func doorEvents(withRoom bool, disturbed bool, open func(float64) bool) (events []DoorEvent, minutes []float64) {
	var d Door
	doorStory(open, func(at time.Duration, rh, temp float64) {
		e := d.Observe(DoorReading{
			At: at, Temp: temp, RH: rh, RoomTemp: 22, HasRoom: withRoom, RoomRH: 45, HasRoomRH: withRoom, Disturbed: disturbed,
		})
		if e != DoorQuiet {
			events = append(events, e)
			minutes = append(minutes, at.Minutes())
		}
	})
	return events, minutes
}

func TestDoorOpeningAndAjar(t *testing.T) {
	between := func(from, to float64) func(float64) bool {
		return func(m float64) bool { return m >= from && m < to }
	}
	for name, c := range map[string]struct {
		room, disturbed bool
		open            func(float64) bool
		want            []DoorEvent
	}{
		"shut":                   {true, false, between(0, 0), nil},
		"two minutes":            {true, false, between(60, 62), []DoorEvent{DoorOpened, DoorRecovered}},
		"five minutes":           {true, false, between(60, 65), []DoorEvent{DoorOpened, DoorRecovered}},
		"left open":              {true, false, between(60, 999), []DoorEvent{DoorOpened, DoorAjar}},
		"left open, then shut":   {true, false, between(60, 100), []DoorEvent{DoorOpened, DoorAjar, DoorShut}},
		"left open, no room":     {false, false, between(60, 999), []DoorEvent{DoorOpened, DoorAjar}},
		"left open after a mist": {true, true, between(60, 999), []DoorEvent{DoorOpened, DoorAjar}},
		"after a mist, blind":    {false, true, between(60, 999), nil},
	} {
		got, minutes := doorEvents(c.room, c.disturbed, c.open)
		if len(got) != len(c.want) {
			t.Errorf("%s: events %v at %v, want %v", name, got, minutes, c.want)
			continue
		}
		for i := range got {
			if got[i] != c.want[i] {
				t.Errorf("%s: events %v, want %v", name, got, c.want)
			}
			if got[i] == DoorAjar && minutes[i] > 80 {
				t.Errorf("%s: ajar said after %.0f min, want 20 at most", name, minutes[i]-60)
			}
		}
	}
}

// Lamps that come on dry the air in relative terms only, a mist that decays
// quickly does so by itself, and nonsense does nothing.
func TestWhatIsNoDoor(t *testing.T) {
	var lamps, drying Door
	for at := time.Duration(0); at < 4*time.Hour; at += 10 * time.Second {
		m := at.Minutes()
		temp := 22.0
		if m > 60 {
			temp = 22 + 4*(1-math.Exp(-(m-60)/10))
		}
		rh, err := humidityOfGrams(temp, 17)
		if err != nil {
			t.Fatal(err)
		}
		r := DoorReading{At: at, Temp: temp, RH: rh, RoomTemp: 21, HasRoom: true, RoomRH: 45, HasRoomRH: true}
		if e := lamps.Observe(r); e != DoorQuiet {
			t.Fatalf("lamps on at minute 60: event %v at %.0f", e, m)
		}
		r = DoorReading{At: at, Temp: 25, RH: 70 + 28*math.Exp(-m/12), RoomTemp: 22, HasRoom: true, RoomRH: 45, HasRoomRH: true, Disturbed: m < 20}
		if e := drying.Observe(r); e != DoorQuiet {
			t.Fatalf("a mist that dries fast: event %v at %.0f", e, m)
		}
	}
	before := drying
	drying.Observe(DoorReading{At: 5 * time.Hour, Temp: math.NaN(), RH: 50})
	drying.Observe(DoorReading{At: 5 * time.Hour, Temp: 25, RH: math.NaN()})
	drying.Observe(DoorReading{At: time.Hour, Temp: 25, RH: 50})
	if drying != before {
		t.Error("NaN or a step back in time changed the state")
	}
}

// What comes in within ten minutes decides between a door and a vent, and whether it
// stays decides between ajar and shut again.
func TestDoor_AjarByWhatCameIn(t *testing.T) {
	const level, warm, roomRH, room = 88.0, 25.0, 45.0, 22.5
	at := func(water, share float64) (rh, temp float64) {
		temp = warm - share*(warm-room)
		in, _ := AbsoluteHumidity(warm, level)
		out, _ := AbsoluteHumidity(room, roomRH)
		full, _ := AbsoluteHumidity(temp, 100)
		return 100 * (in - water*(in-out)) / full, temp
	}
	for name, c := range map[string]struct {
		water, share float64 // of the ways to the room
		back         float64 // % from the lowest
		since        time.Duration
		want         DoorEvent
	}{
		"25 air changes, one physics": {0.66, 0.09, 0, doorLast, DoorAjar},
		"25 air changes, another":     {0.39, 0.25, 0, doorLast, DoorAjar},
		"wide open":                   {0.95, 0.6, 0, doorLast, DoorAjar},
		"a vent":                      {0.42, 0.06, 0, doorLast, DoorDraught},
		"a fan inside":                {0.7, 0, 0, doorLast, DoorDraught},
		"on its way back":             {0.6, 0.25, 8, doorLast, DoorQuiet},
		"so slowly that it may be":    {0.6, 0.25, 5, doorLast, DoorAjar},
		"back, but not by half":       {0.6, 0.25, 14, doorLatest, DoorDraught},
	} {
		rh, temp := at(c.water, c.share)
		d := Door{State: DoorOpened, Level: level, Warm: warm, Lowest: rh - c.back}
		r := DoorReading{At: c.since, RoomTemp: room, HasRoom: true, RoomRH: roomRH, HasRoomRH: true}
		if got := d.stays(&r, rh, temp); got != c.want {
			t.Errorf("%s: %v, want %v", name, got, c.want)
		}
	}
}

// What is at a limit counts, to the second and the point.
func TestDoor_AtItsLimits(t *testing.T) {
	room := DoorReading{RoomTemp: 22, HasRoom: true, RoomRH: 45, HasRoomRH: true}
	judge := func(state DoorEvent, after time.Duration, rh float64) DoorEvent {
		d := Door{State: state, Level: 75, Lowest: 50, Warm: 25, Opened: time.Hour}
		r := room
		r.At = time.Hour + after
		return d.judge(&r, rh, 22)
	}
	for _, c := range []struct {
		name  string
		state DoorEvent
		after time.Duration
		rh    float64
		want  DoorEvent
	}{
		{"half is back", DoorOpened, time.Minute, 62.5, DoorRecovered},
		{"not quite half", DoorOpened, time.Minute, 62.4, DoorQuiet},
		{"lower than ever: half of more is needed", DoorOpened, time.Minute, 40, DoorQuiet},
		{"ajar, and back", DoorAjar, time.Hour, 62.5, DoorShut},
		{"ajar for twelve hours", DoorAjar, doorForget, 50, DoorQuiet},
		{"ajar for longer: the level is a new one", DoorAjar, doorForget + 1, 50, DoorForgotten},
		{"wait", DoorOpened, DoorWait - 1, 50, DoorQuiet},
		{"waited", DoorOpened, DoorWait, 50, DoorAjar},
		{"a little is back, which is no way back", DoorOpened, DoorWait, 52, DoorAjar},
		{"on its way back", DoorOpened, DoorWait, 52.1, DoorQuiet},
		{"and no longer waited for", DoorOpened, doorLast, 55, DoorAjar},
		{"more came back", DoorOpened, doorLast, 55.1, DoorDraught},
		{"it is waited for until then", DoorOpened, doorLast - 1, 55, DoorQuiet},
	} {
		if got := judge(c.state, c.after, c.rh); got != c.want {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
	// While the air may still be on its way to the room's, by its temperature, it is waited
	// for; then it is a draught.
	for _, c := range []struct {
		after time.Duration
		temp  float64
		want  DoorEvent
	}{{DoorWait, 24.8, DoorQuiet}, {DoorWait, 24.95, DoorDraught}, {doorLast, 24.8, DoorDraught}} {
		d := Door{State: DoorOpened, Level: 75, Lowest: 66, Warm: 25, Opened: time.Hour}
		r := room
		r.At = time.Hour + c.after
		if got := d.judge(&r, 66, c.temp); got != c.want {
			t.Errorf("after %v, %v °C: %v, want %v", c.after, c.temp, got, c.want)
		}
	}
	for state, want := range map[DoorEvent]DoorEvent{DoorOpened: DoorQuiet, DoorAjar: DoorAjar} {
		d := Door{State: state, Filled: 3, Mark: openMark{Count: 2}}
		if d.Interrupt(); d.State != want || d.Filled != 0 || d.Mark.Count != 0 {
			t.Errorf("%v after nobody looked: %+v", state, d)
		}
	}
	coarse := room
	coarse.Grain = 0.5
	for _, c := range []struct {
		name           string
		r              DoorReading
		warm, temp, rh float64
		water, share   float64
		want           bool
	}{
		{"no room: 15 points and 0.3 °C", DoorReading{}, 0.3, 0, 60, 0, 0, true},
		{"no room: colder by less", DoorReading{}, 0.29, 0, 60, 0, 0, false},
		{"no room: a point less", DoorReading{}, 0.3, 0, 61, 0, 0, false},
		{"no room: warmer", DoorReading{}, 0, 0.3, 60, 0, 0, true},
		{"no room humidity: 15 points", DoorReading{HasRoom: true}, 25, 25, 60, 0, 0, true},
		{"no room humidity: less", DoorReading{HasRoom: true}, 25, 25, 60.1, 0, 0, false},
		{"as warm as the room: by water", room, 22.7, 22, 60, 0.6, 0, true},
		{"as warm: less water", room, 22.7, 22, 60, 0.59, 0, false},
		{"as cold: by water", room, 21.3, 22, 60, 0.6, 0, true},
		{"too coarse to tell of the gap: by water", coarse, 24.9, 24.9, 60, 0.6, 0, true},
		{"too coarse: less water", coarse, 24.9, 24.9, 60, 0.59, 0, false},
		{"coarse, and a gap that is wide", coarse, 25.1, 25.1, 60, 0.6, 0, false},
		{"warmer: both ways together", room, 22.8, 22, 60, 0.32, 0.25, true},
		{"warmer: less of both", room, 22.8, 22, 60, 0.31, 0.25, false},
		{"warmer: temperature barely moved", room, 25, 22, 60, 0.6, 0.03, true},
		{"warmer: a fan alone", room, 25, 22, 60, 0.9, 0.02, false},
		{"warmer: past the room counts once", room, 25, 22, 60, -0.5, 3, false},
	} {
		d := Door{Level: 75, Lowest: 60, Warm: c.warm}
		if got := d.wideOpen(&c.r, c.rh, c.temp, c.water, c.share); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}

// A fall is one below the mean of one to eight minutes before, of 8 points and more,
// with water leaving toward the room; where lamps or a mist disturb it, the temperature
// goes there too.
func TestDoor_Steps(t *testing.T) {
	const now = time.Hour
	for _, c := range []struct {
		name      string
		ages      []time.Duration
		rh, temp  float64
		room      float64 // °C, 0 for unknown
		disturbed bool
		want      bool
	}{
		{"eight points", []time.Duration{time.Minute}, 72, 25, 22, false, true},
		{"less", []time.Duration{time.Minute}, 72.1, 25, 22, false, false},
		{"eight minutes ago", []time.Duration{8 * time.Minute}, 72, 25, 22, false, true},
		{"too fresh", []time.Duration{time.Minute - 1}, 72, 25, 22, false, false},
		{"too old", []time.Duration{8*time.Minute + 1}, 72, 25, 22, false, false},
		{"the mean of three", []time.Duration{time.Minute, 2 * time.Minute, 3 * time.Minute}, 72, 25, 22, false, true},
		{"five points, and cooler", []time.Duration{6 * time.Minute}, 75, 24.45, 22, false, true},
		{"five points, hardly cooler", []time.Duration{6 * time.Minute}, 75, 24.5, 22, false, false},
		{"no room known", []time.Duration{time.Minute}, 72, 25, 0, false, true},
		{"no room known, disturbed", []time.Duration{time.Minute}, 60, 23, 0, true, false},
		{"disturbed, 0.7 °C colder", []time.Duration{time.Minute}, 60, 24.25, 22, true, true},
		{"disturbed, less", []time.Duration{time.Minute}, 60, 24.5, 22, true, false},
		{"disturbed, warmer", []time.Duration{time.Minute}, 60, 26, 22, true, false},
		{"disturbed, a warm room", []time.Duration{time.Minute}, 50, 26, 28, true, true},
		{"disturbed, a warm room, colder", []time.Duration{time.Minute}, 50, 24, 28, true, false},
	} {
		var d Door
		for i, age := range c.ages {
			d.Ring[i] = doorMark{At: now - age, RH: 80, Temp: 25}
			d.Filled++
		}
		r := DoorReading{At: now, RoomTemp: c.room, HasRoom: c.room > 0, RoomRH: 30, HasRoomRH: c.room > 0, Disturbed: c.disturbed}
		level, warm, ok := d.stepped(&r, c.rh, c.temp)
		if ok != c.want || ok && (level != 80 || warm != 25) {
			t.Errorf("%s: %v (%v %%, %v °C)", c.name, ok, level, warm)
		}
	}
	for _, c := range []struct {
		name   string
		gone   float64 // of the water that is in the air
		roomRH float64 // 0 for unknown
		want   bool
	}{
		{"no room: 6.5 %", 0.065, 0, true},
		{"no room: 5.5 %", 0.055, 0, false},
		{"an eighth of the way", 0.125 * 0.5, 40, true},
		{"a ninth of the way", 0.111 * 0.5, 40, false},
		{"a room that is wetter", 0.2, 90, false},
	} {
		r := DoorReading{RoomTemp: 25, HasRoom: c.roomRH > 0, RoomRH: c.roomRH, HasRoomRH: c.roomRH > 0}
		if got := towardRoom(&r, 80, 25, 80*(1-c.gone), 25); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
	// Half of the way to the room's water and a quarter to its temperature.
	in, _ := AbsoluteHumidity(25, 80)
	out, _ := AbsoluteHumidity(22, 45)
	full, _ := AbsoluteHumidity(24.25, 100)
	d := Door{Level: 80, Warm: 25}
	r := DoorReading{RoomTemp: 22, HasRoom: true, RoomRH: 45, HasRoomRH: true}
	water, warm := d.ways(&r, 100*(in+out)/2/full, 24.25)
	near(t, "way to the room's water", water, 0.5, 1e-9)
	near(t, "way to its temperature", warm, 0.25, 1e-9)
}

// Slow air after a visit of five minutes is no door ajar: seen as a shut enclosure that
// takes an hour to be damp again, whose air goes on falling until the door is shut.
func TestDoor_SlowAirAfterAVisit(t *testing.T) {
	for _, ajar := range []bool{false, true} {
		var d Door
		told := time.Duration(0)
		for at := time.Duration(0); at < 2*time.Hour; at += 30 * time.Second {
			m := at.Minutes() - 30
			rh, temp := 92.0, 23.6
			switch {
			case m > 0 && (m < 6 || ajar):
				rh, temp = 50+42*math.Exp(-m/1.5), 23.2
			case m > 0:
				rh, temp = 92-(42*(1-math.Exp(-4)))*math.Exp(-(m-6)/50), 23.2+0.4*(1-math.Exp(-(m-6)/10))
			}
			r := DoorReading{At: at, Temp: temp, RH: rh, RoomTemp: 22, HasRoom: true, RoomRH: 45, HasRoomRH: true}
			if d.Observe(r) == DoorAjar && told == 0 {
				told = at - 30*time.Minute
			}
		}
		if told != 0 != ajar || told > 16*time.Minute {
			t.Errorf("ajar %t: told after %v", ajar, told)
		}
	}
}

// Air that falls for as long as a door may be looked at, behind a probe that takes three
// minutes, has only just turned when a door is usually told: it is waited for.
func TestDoor_TurnsLate(t *testing.T) {
	for _, ajar := range []bool{false, true} {
		var d Door
		shown, told := 89.0, false
		for at := time.Duration(0); at < 2*time.Hour; at += 20 * time.Second {
			m, rh := at.Minutes()-30, 89.0
			switch {
			case m > 0 && (m < 7 || ajar):
				rh = 56 + 33*math.Exp(-m/3)
			case m > 0:
				rh = 89 - 33*(1-math.Exp(-7.0/3))*math.Exp(-(m-7)/40)
			}
			shown += (rh - shown) / 9 // three minutes
			r := DoorReading{At: at, Temp: 20.25 + 0.25*min(max(m, 0), 1), RH: shown, RoomTemp: 22, HasRoom: true, RoomRH: 45, HasRoomRH: true}
			told = told || d.Observe(r) == DoorAjar
		}
		if told != ajar {
			t.Errorf("ajar %t: told %t", ajar, told)
		}
	}
}

// Behind a probe that takes ten minutes the air of a visit goes on falling after it, and
// turns late. That is learned from the first visits; a door left ajar is told all the same.
func TestDoor_ASlowProbeIsLearned(t *testing.T) {
	for _, every := range []time.Duration{30 * time.Second, 2 * time.Minute} {
		var d Door
		var told []time.Duration
		const minutes = 10.0
		rh, temp, air, warm := 90.0, 24.0, 90.0, 24.0
		for at := time.Duration(0); at < 100*time.Hour; at += 30 * time.Second {
			m := math.Mod(at.Minutes()-30, 24*60) // four visits of five minutes, and one that is left open
			if m >= 0 && m < 5 || at > 90*time.Hour {
				air, warm = air+(48-air)/3, warm+(22-warm)/9
			} else {
				air, warm = air+(90-air)/50, warm+(24-warm)/50
			}
			rh, temp = rh+(air-rh)*0.5/minutes, temp+(warm-temp)*0.5/minutes
			if at%every != 0 {
				continue
			}
			if d.Observe(DoorReading{At: at, Temp: temp, RH: rh, RoomTemp: 22, HasRoom: true, RoomRH: 45, HasRoomRH: true}) == DoorAjar {
				told = append(told, at)
			}
		}
		n := len(told)
		if n == 0 || n > 2 || n == 2 && told[0] > 24*time.Hour {
			t.Fatalf("every %v: told at %v", every, told)
		}
		if late := told[n-1] - 90*time.Hour; late < 0 || late > 45*time.Minute {
			t.Errorf("every %v: the door left open is told after %v", every, late)
		}
	}
}

// wetAir is one step of the air in an enclosure with as much wet surface as exchanges its air
// 150 times an hour: vapour comes from the leaves and goes with the draught, and half of the
// heat that it takes comes from the air, the other half from the leaves. A balance of mass
// and heat of this project's own; constants of moist air by the ASHRAE Handbook,
// Fundamentals 2021, chapter 1.
func wetAir(t *testing.T, grams, temp, changes, roomGrams, roomTemp, glass float64, d time.Duration) (float64, float64) {
	const wet, latent, heat, exchange = 150.0, 2450.0, 1200.0, 60e3 // an hour, J/g, J/m³K, J/m³K an hour
	full, err := AbsoluteHumidity(temp, 100)
	if err != nil {
		t.Fatal(err)
	}
	h := d.Hours()
	from := wet * (full - grams)
	grams += h / 2 * (from - changes*(grams-roomGrams))
	temp += h / 8 * (exchange*(glass-temp) - latent/2*from - heat*changes*(temp-roomTemp)) / heat
	return grams, temp
}

// A door among wet leaves: the air stays moist, and cools below the room's.
func TestDoor_AmongWetLeaves(t *testing.T) {
	for _, c := range []struct {
		name          string
		changes       float64 // an hour
		forMin        float64
		poll          time.Duration
		lag           float64 // min, of the probe
		room          bool
		roomTemp, hum float64
		ajar          bool
	}{
		{"wide open, slow polls, blind", 200, 999, 5 * time.Minute, 4, false, 22, 55, true},
		{"open, as warm as the room", 80, 999, 30 * time.Second, 1, true, 22, 50, true},
		{"ajar, as warm as the room", 40, 999, 30 * time.Second, 1, true, 22, 50, true},
		{"open, blind, behind a slow probe", 80, 999, 10 * time.Second, 4, false, 22, 50, true},
		{"a leak, blind", 5, 999, 30 * time.Second, 1, false, 22, 50, false},
		{"a leak", 5, 999, 30 * time.Second, 1, true, 22, 50, false},
		{"three minutes", 80, 3, 30 * time.Second, 1, true, 22, 50, false},
		{"three minutes, blind, behind a slow probe", 80, 3, 10 * time.Second, 2, false, 22, 50, false},
	} {
		const glass, opened = 22.6, 120.0 // °C, min
		roomGrams, err := AbsoluteHumidity(c.roomTemp, c.hum)
		if err != nil {
			t.Fatal(err)
		}
		grams, err := AbsoluteHumidity(glass, 96)
		if err != nil {
			t.Fatal(err)
		}
		temp, step := glass, 5*time.Second
		shownRH, shownTemp, told := 96.0, glass, math.NaN()
		var d Door
		for at := time.Duration(0); at < 4*time.Hour; at += step {
			changes := 0.5
			if m := at.Minutes(); m >= opened && m < opened+c.forMin {
				changes = c.changes
			}
			grams, temp = wetAir(t, grams, temp, changes, roomGrams, c.roomTemp, glass, step)
			full, err := AbsoluteHumidity(temp, 100)
			if err != nil {
				t.Fatal(err)
			}
			shownRH += (min(100, 100*grams/full) - shownRH) * step.Minutes() / c.lag
			shownTemp += (temp - shownTemp) * step.Minutes() / c.lag
			if at%c.poll != 0 {
				continue
			}
			r := DoorReading{At: at, Temp: shownTemp, RH: shownRH}
			if c.room {
				r.RoomTemp, r.HasRoom, r.RoomRH, r.HasRoomRH = c.roomTemp, true, c.hum, true
			}
			if d.Observe(r) == DoorAjar && math.IsNaN(told) {
				told = at.Minutes() - opened
			}
		}
		if got := !math.IsNaN(told); got != c.ajar || told > 60 {
			t.Errorf("%s: told after %.0f min (%.1f °C, %.0f %% at the end), want told: %v", c.name, told, shownTemp, shownRH, c.ajar)
		}
	}
}

// The highest mark is kept, and is that of a look at all of them.
func TestDoor_HighestIsOfTheMarks(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var d Door
		for range 3 * doorBins {
			d.Mark = openMark{doorMark{RH: float64(rapid.IntRange(50, 60).Draw(t, "rh"))}, 1}
			d.closeMark()
			want := 0.0
			for _, m := range d.Ring[:d.Filled] {
				want = max(want, m.RH)
			}
			if rapid.Bool().Draw(t, "asked") && d.highest() != want {
				t.Fatalf("%v, want %v", d.highest(), want)
			}
		}
	})
}
