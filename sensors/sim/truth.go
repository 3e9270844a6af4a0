package sim

import "time"

// A Truth is the state of one enclosure, free of probes.
type Truth struct {
	Air, Litter, Canopy, Substrate float64 // °C; litter and canopy are where probes hang
	Hottest                        float64 // °C at the warmest spot at which a probe hangs
	Humidity, CanopyHumidity       float64 // %RH at the litter and at the canopy
	AbsoluteHumidity               float64 // g/m³
	Room                           float64 // °C beside the enclosure
	LampsOn, Misting, DoorOpen     bool
	AirChanges                     float64 // per hour
	FilmGrams                      float64 // water on leaves
}

// Truth returns the true state of an enclosure, false where there is none such.
func (r *Room) Truth(enclosure string) (Truth, bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	i, ok := r.tankAt[enclosure]
	if !ok {
		return Truth{}, false
	}
	t := &r.tanks[i]
	return Truth{
		Air: t.air, Litter: t.litterAir(), Canopy: t.canopyAir(), Substrate: t.litter, Hottest: t.hottest(),
		Humidity:         r.relative(t.vapour, t.litterAir()),
		CanopyHumidity:   r.relative(t.vapour, t.canopyAir()),
		AbsoluteHumidity: t.vapour,
		Room:             r.house.temp + t.shelfWarmth,
		LampsOn:          t.lampsOn, Misting: t.flow > 0, DoorOpen: t.fault.door,
		AirChanges: t.changes, FilmGrams: t.film,
	}, true
}

// relative returns %RH, at most 100.
func (r *Room) relative(vapour, tempC float64) float64 {
	return min(100, 100*vapour/r.sat.at(tempC))
}

func (r *Room) unix() float64 { return r.unix0 + float64(r.steps)*r.dt }

func (r *Room) wall() time.Time {
	return r.start.Add(time.Duration(r.steps) * r.step).In(r.loc)
}
