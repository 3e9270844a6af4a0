package climate

import (
	"math"
	"testing"
	"time"
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
			if got[i] == DoorAjar && minutes[i] > 75 {
				t.Errorf("%s: ajar said after %.0f min, want 15 at most", name, minutes[i]-60)
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
		want         DoorEvent
	}{
		"25 air changes, one physics": {0.66, 0.09, 0, DoorAjar},
		"25 air changes, another":     {0.39, 0.25, 0, DoorAjar},
		"wide open":                   {0.95, 0.6, 0, DoorAjar},
		"a vent":                      {0.42, 0.06, 0, DoorDraught},
		"a fan inside":                {0.7, 0, 0, DoorDraught},
		"on its way back":             {0.6, 0.25, 8, DoorDraught},
	} {
		rh, temp := at(c.water, c.share)
		d := Door{State: DoorOpened, Level: level, Warm: warm, Lowest: rh - c.back}
		r := DoorReading{At: doorLast, RoomTemp: room, HasRoom: true, RoomRH: roomRH, HasRoomRH: true}
		if got := d.stays(&r, rh, temp); got != c.want {
			t.Errorf("%s: %v, want %v", name, got, c.want)
		}
	}
}
