package room

import (
	"slices"
	"time"

	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/sensors"
)

// fewEnclosures are surveyed whenever somebody asks. More, which may all tell at once,
// are surveyed once a poll: no enclosure moves the middle of so many.
const fewEnclosures = 100

// Survey looks at all enclosures together, as they are now. What it returns is good
// until the next call.
func (v *View) Survey(now sensors.Instant) *climate.Picture {
	if since := now.Mono - v.picAt; len(v.Enclosures) > fewEnclosures && v.pic.Judged > 0 && since >= 0 && since < v.Cfg.Room.Poll.D() {
		return &v.pic
	}
	v.cases = v.cases[:0]
	above, below := 0, 0
	for i := range v.Enclosures {
		en := &v.Enclosures[i]
		c := v.CaseOf(en, now)
		v.cases = append(v.cases, c)
		if !c.HasTemp {
			continue
		}
		switch low, high, _ := v.Band(en); {
		case en.Now.Main > high:
			above++
		case en.Now.Main < low:
			below++
		}
	}
	v.pic, v.picAt = climate.Survey(v.RoomCase(now), v.cases, v.surveyed), now.Mono
	v.pic.Above, v.pic.Below = above, below
	return &v.pic
}

// RoomCase is the room as the survey counts it.
func (v *View) RoomCase(now sensors.Instant) (room climate.RoomCase) {
	if t, ok := v.RoomTemp(now.Mono); ok {
		room.Temp, room.HasTemp = float64(t)/100, true
		room.Change, room.HasChange = v.Air.Trend.Change()
		if hour := v.Hour(now); hour >= 0 {
			room.Usual, room.HasUsual = v.Air.Usual.At(hour)
		}
	}
	return room
}

// CaseOf is one enclosure as the survey counts it.
func (v *View) CaseOf(en *Enclosure, now sensors.Instant) climate.Case {
	c := climate.Case{Shelf: en.Shelf, Temp: float64(en.Now.Main) / 100, HasTemp: en.Now.HasTemp}
	if en.OutOfService() {
		c.HasTemp = false
	}
	if _, ok := v.RoomTemp(now.Mono); !ok { // its own days are all there is
		c.Temp = float64(en.Now.Hot) / 100
		c.Offset, c.HasOffset = en.St.Thermal.UsualAir(v.EstAt(now.Mono))
	} else if hour := v.Hour(now); hour >= 0 {
		c.Offset, c.HasOffset = en.St.Offset.At(hour)
	}
	c.Change, c.HasChange = en.St.Trend.Change()
	c.DoorOpen = v.DoorOpen(en)
	c.ProbeDoubt = v.Doubtful(en, now, 0) != nil
	return c
}

// Doubtful returns the probe of the enclosure that is doubted on that side (0
// for either), the hottest first, nil for none. A probe that leapt down is no
// reason for heat, and neither is a node's clock.
func (v *View) Doubtful(en *Enclosure, now sensors.Instant, side float64) *Probe {
	doubt := func(p *Probe) bool {
		leapt := p.Leapt(now.Mono) && side*float64(p.St.Leap) >= 0
		return p.St.Doubtful && p.St.Reason != sensors.WrongClock || leapt || p.Apart() || p.Stands(now.Mono)
	}
	var found *Probe
	for _, i := range en.Probes {
		if p := &v.Probes[i]; (found == nil || i == en.Now.HotProbe) && doubt(p) {
			found = p
		}
	}
	return found
}

// RoomState is what is remembered of the room's air.
type RoomState struct {
	Trend climate.Trend      `json:"trend"`
	Usual climate.HourOffset `json:"usual"` // temperature by hour of day
	// UsualHum is its humidity by hour of day, in %.
	UsualHum climate.HourOffset `json:"usual_hum,omitzero"`
	SlowAt   time.Duration      `json:"slow_at"`
	// LampsLook is the number of the last look at the lamps, lest a restart looks out of turn.
	LampsLook int64 `json:"lamps_look,omitempty"`
}

// RoomTemp is the median of the room's trustworthy probes, in hundredths of °C.
func (v *View) RoomTemp(now time.Duration) (int32, bool) { return v.median(v.InRoom, now, false) }

// RoomHum is the same for humidity, in hundredths of a percent.
func (v *View) RoomHum(now time.Duration) (int32, bool) { return v.median(v.InRoom, now, true) }

// median is that of the temperature of some probes, or of their humidity.
func (v *View) median(probes []int, now time.Duration, humidity bool) (int32, bool) {
	if len(probes) == 0 {
		return 0, false
	}
	var values Few
	for _, i := range probes {
		switch p := &v.Probes[i]; {
		case humidity && p.HumUsable(&v.Cfg.Rules, now):
			values.Add(int32(p.St.Hum))
		case !humidity && p.Usable(&v.Cfg.Rules, now):
			values.Add(int32(p.St.Temp))
		}
	}
	return values.Median()
}

// AirAround is the air that could be blown into an enclosure, nil where nothing
// of it is known.
func (v *View) AirAround(now time.Duration) *alarm.Air {
	a := alarm.Air{Room: v.wetBulb(v.InRoom, now), Outside: v.wetBulb(v.Outside, now)}
	if a == (alarm.Air{}) {
		return nil
	}
	return &a
}

// wetBulb is that of the air at some probes in °C, nil where it is not known.
func (v *View) wetBulb(probes []int, now time.Duration) *float64 {
	t, ok := v.median(probes, now, false)
	h, has := v.median(probes, now, true)
	if !ok || !has {
		return nil
	}
	return WetBulbOf(float64(t)/100, float64(h)/100)
}

// WetBulbOf is the wet bulb in °C of air of a temperature and a relative humidity
// at standard pressure, nil for air that there is not.
func WetBulbOf(celsius, percent float64) *float64 {
	wet, err := climate.WetBulb(celsius, percent, climate.StandardPressure)
	if err != nil {
		return nil
	}
	return &wet
}

// Middle is the median temperature of everything that moves.
func (v *View) Middle(now time.Duration) (int32, bool) {
	v.Ints = v.Ints[:0]
	for i := range v.Enclosures {
		if en := &v.Enclosures[i]; en.Now.HasTemp {
			v.Ints = append(v.Ints, en.Now.Main)
		}
	}
	if t, ok := v.RoomTemp(now); ok {
		v.Ints = append(v.Ints, t)
	}
	if len(v.Ints) < 2 {
		return 0, false
	}
	slices.Sort(v.Ints)
	return v.Ints[len(v.Ints)/2], true
}

// Hour is the local hour of day, negative while the clock is unset.
func (v *View) Hour(now sensors.Instant) float64 {
	if now.Same(&v.At) {
		return v.hourNow
	}
	if !now.Synced {
		return -1
	}
	t := now.Wall.In(v.Loc)
	return float64(t.Hour()) + float64(t.Minute())/60
}
