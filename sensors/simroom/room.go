package simroom

import (
	"context"
	"math/rand/v2"
	"time"

	"dewline/configs"
	"dewline/sensors"
)

// A Room is a running simulation. Its methods may be called from several
// goroutines.
type Room struct{}

// New builds a room in thermal balance at o.Start. The error names every
// reference that does not resolve.
func New(o Options) (*Room, error) { return nil, nil }

// Now returns the room's wall time, in the room's location.
func (r *Room) Now() time.Time { return time.Time{} }

// Advance moves the room on by d. What is left of a step is kept for the next
// call, so that the way in which time is cut up changes nothing.
func (r *Room) Advance(d time.Duration) {}

// AdvanceTo moves the room on to wall time t; a time in the past does nothing.
func (r *Room) AdvanceTo(t time.Time) {}

// Sample reads one probe as its driver would, faults included: errors carry
// the reason that a driver would give.
func (r *Room) Sample(id sensors.ProbeID) (sensors.Sample, error) { return sensors.Sample{}, nil }

// Sampler returns the probe as something that a poller can own. Each sample
// first moves the room on to now(); a nil now leaves the clock to others.
func (r *Room) Sampler(id sensors.ProbeID, now func() time.Time) Sampler { return Sampler{} }

// A Sampler is one simulated probe.
type Sampler struct{}

// Sample reads the probe.
func (s Sampler) Sample(ctx context.Context) (sensors.Sample, error) { return sensors.Sample{}, nil }

// Inject plans faults; one whose time has come acts from the next step on.
func (r *Room) Inject(faults ...Fault) error { return nil }

// Repair ends every fault of that kind on that target at once and reports how
// many there were.
func (r *Room) Repair(k Kind, on Target) int { return 0 }

// Clone returns an independent copy that goes on from the same state, for
// looking at what will have been.
func (r *Room) Clone() *Room { return nil }

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
func (r *Room) Truth(enclosure string) (Truth, bool) { return Truth{}, false }

// RoomTruth returns the true temperatures in the room (at the lowest shelf)
// and outdoors in °C.
func (r *Room) RoomTruth() (room, outdoors float64) { return 0, 0 }

// Watch notes from now on when the warmest spot of an enclosure at which a
// probe hangs first reaches limit °C.
func (r *Room) Watch(enclosure string, limit float64) error { return nil }

// Crossed returns when the watched limit of an enclosure was first reached.
func (r *Room) Crossed(enclosure string) (time.Time, bool) { return time.Time{}, false }

// FromConfig describes a room with the configuration's enclosures, schedules
// and those probes whose family is "simulated".
func FromConfig(cfg *configs.Config, seed uint64, start time.Time) (Options, error) {
	return Options{}, nil
}

// TOML writes the room as a configuration with simulated probes.
func (o Options) TOML() []byte { return nil }

// RandomRoom draws a sensible, calm room of 4 to 48 enclosures, starting at
// some hour of some day of 2026.
func RandomRoom(rng *rand.Rand) Options { return Options{} }

// RandomFault draws one fault that can befall the room, beginning at from.
func RandomFault(rng *rand.Rand, o Options, from time.Time) Fault { return Fault{} }

// A Beat is one event of a told story.
type Beat struct {
	Title string // for people
	Fault Fault
}

// Story tells a day in the room that begins at 06:00 local time on start's
// date and lasts 24 h: a clogged nozzle, a silent probe, and an
// air-conditioner failure on a hot day that is repaired in the evening.
func Story(o Options, start time.Time) []Beat { return nil }
