package sim

import (
	"fmt"
	"time"
)

// A Truth is the state of one enclosure, free of probes.
type Truth struct {
	Air, Litter, Canopy, Substrate float64 // °C; litter and canopy are where probes hang
	Humidity, CanopyHumidity       float64 // %RH at the litter and at the canopy
	AbsoluteHumidity               float64 // g/m³
	Room                           float64 // °C beside the enclosure
	RoomHumidity                   float64 // %RH of the room's air
	LampsOn, Misting, DoorOpen     bool
	AirChanges                     float64 // per hour
	FilmGrams, WetGrams            float64 // water on leaves; in moss and litter
}

// Truth returns the true state of an enclosure and whether there is such a
// one.
func (r *Room) Truth(enclosure string) (Truth, bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	i, ok := r.tankAt[enclosure]
	if !ok {
		return Truth{}, false
	}
	t := &r.tanks[i]
	return Truth{
		Air: t.air, Litter: t.litterAir(), Canopy: t.canopyAir(), Substrate: t.litter,
		Humidity:         r.relative(t.vapour, t.litterAir()),
		CanopyHumidity:   r.relative(t.vapour, t.canopyAir()),
		AbsoluteHumidity: t.vapour,
		Room:             r.house.temp + t.shelfWarmth,
		RoomHumidity:     r.relative(r.house.vapour, r.house.temp),
		LampsOn:          t.lampsOn, Misting: t.flow > 0, DoorOpen: t.fault.door,
		AirChanges: t.changes, FilmGrams: t.film, WetGrams: t.wet,
	}, true
}

// relative returns %RH, at most 100.
func (r *Room) relative(vapour, tempC float64) float64 {
	return min(100, 100*vapour/r.sat.at(tempC))
}

// RoomTruth returns the true temperatures in the room (at the lowest shelf)
// and outdoors in °C.
func (r *Room) RoomTruth() (room, outdoors float64) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.house.temp, r.outdoorC
}

// Watch notes from now on when the warmest spot of an enclosure at which a
// probe hangs first reaches limit °C; a second call starts over. A spot that
// is above the limit already counts as crossing now.
func (r *Room) Watch(enclosure string, limit float64) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	i, ok := r.tankAt[enclosure]
	if !ok {
		return fmt.Errorf("simulated room: watch: no enclosure %q", enclosure)
	}
	t := &r.tanks[i]
	hot := t.hottest()
	t.watch = watch{on: true, limit: limit, last: hot}
	t.watch.note(hot, r.steps)
	return nil
}

// Crossed returns when the watched limit of an enclosure was first reached.
func (r *Room) Crossed(enclosure string) (time.Time, bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	i, ok := r.tankAt[enclosure]
	if !ok || !r.tanks[i].watch.crossed {
		return time.Time{}, false
	}
	after := time.Duration(r.tanks[i].watch.atStep * float64(r.step))
	return r.start.Add(after).In(r.loc), true
}

// Hottest returns the true temperature in °C at the enclosure's warmest spot
// at which a probe hangs, the one that Watch looks at.
func (r *Room) Hottest(enclosure string) (float64, bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	i, ok := r.tankAt[enclosure]
	if !ok {
		return 0, false
	}
	return r.tanks[i].hottest(), true
}
