// Package sim is a physical room in numbers: weather, a house with conditioning, racks of
// planted enclosures of two time constants each, lamps, misting and probes, and the faults
// that befall them on command. One seed gives one room, to the last digit.
//
// It serves the demo and the tests of all that judges climate, which may look at the truth
// behind the probes. It shares no formula with the rules that it puts to the test.
//
// Conductances are in W/K for heat and m³/h for vapour, capacities in J/K, temperatures in
// °C, absolute humidities in g/m³.
package sim

import (
	"fmt"
	"sync"
	"time"

	"dewline/sensors"
)

// warmUp is how long a room lives unseen before its start, so that it starts
// in its own rhythm.
const warmUp = 48 * time.Hour

// A Room is a running simulation. Its methods may be called from several
// goroutines.
type Room struct {
	mu    sync.Mutex
	sat   *satTable
	start time.Time
	loc   *time.Location
	step  time.Duration
	dt    float64 // step in seconds
	unix0 float64 // start in Unix seconds

	steps int64         // since start; negative while warming up
	spare time.Duration // asked for but less than a step

	weather weather
	house   house
	timers  timers
	tanks   []tank
	probes  []probe
	tankAt  map[string]int
	probeAt map[sensors.ProbeID]int

	faults    []planned
	nextEvent int64 // step at which a fault begins or ends
}

// New builds a room that has lived for two days at o.Start. The error names
// every reference that does not resolve.
func New(o Options) (*Room, error) {
	o = o.withDefaults()
	if err := o.validate(); err != nil {
		return nil, fmt.Errorf("simulated room: %w", err)
	}
	r := &Room{
		sat: newSatTable(), start: o.Start, loc: o.Location, step: o.Step,
		dt: o.Step.Seconds(), unix0: float64(o.Start.UnixNano()) / 1e9,
		tankAt: make(map[string]int), probeAt: make(map[sensors.ProbeID]int),
		nextEvent: never,
	}
	r.weather = newWeather(o.Climate, o.Seed, o.Location, o.Start)
	r.house = newHouse(o.House, r.dt)
	r.timers = newTimers(o)
	r.addTanks(o)
	r.addProbes(o)
	r.steps = -int64(warmUp / r.step)
	r.settle()
	for r.steps < 0 {
		r.oneStep()
	}
	for i := range r.probes {
		r.probes[i].meet(r)
	}
	return r, nil
}

// settle puts everything into the balance of the moment.
func (r *Room) settle() {
	out, dew := r.weather.at(r.unix())
	r.house.outdoors, r.house.outdoorDew = out, dew
	r.timers.minute(r, r.wall())
	r.house.temp = r.house.set()
	if r.house.Uncontrolled {
		r.house.temp = out + r.house.OtherGain
	}
	r.house.vapour = r.house.Humidity / 100 * r.sat.at(r.house.temp)
	r.refresh()
	for i := range r.tanks {
		t := &r.tanks[i]
		t.air, t.litter = t.node.balance(r.house.temp+t.shelfWarmth,
			t.lampW*(1-lampLitterShare), t.lampW*lampLitterShare)
		t.vapour = 0.85 * r.sat.at(t.air)
		t.wet = wetHolds * t.scale
	}
}

// Now returns the room's wall time, in the room's location.
func (r *Room) Now() time.Time {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.wall().Add(r.spare)
}

// Advance moves the room on by d. What is left of a step is kept for the next call.
func (r *Room) Advance(d time.Duration) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.spare += max(d, 0)
	for r.spare >= r.step {
		r.spare -= r.step
		r.oneStep()
	}
}

// oneStep takes what holds at its beginning as constant for its length.
func (r *Room) oneStep() {
	if r.steps >= r.nextEvent {
		r.applyFaults()
	}
	r.timers.step(r)
	out, dew := r.weather.at(r.unix())
	r.house.step(r.sat, out, dew, r.timers.lit)
	r.steps++
	roomC, vapour := r.house.temp, r.house.vapour
	for i := range r.tanks {
		r.tanks[i].step(r.sat, r.dt, roomC, vapour)
	}
	for i := range r.probes {
		r.probes[i].follow(r)
	}
}

// Sample reads one probe as its driver would, faults included.
func (r *Room) Sample(id sensors.ProbeID) (sensors.Sample, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	i, ok := r.probeAt[id]
	if !ok {
		return sensors.Sample{}, sensors.Faultf(sensors.BusError, "simulated room: no probe %q", id)
	}
	return r.probes[i].sample(r)
}

// Clone returns an independent copy that goes on from the same state, for
// looking at what will have been.
func (r *Room) Clone() *Room {
	r.mu.Lock()
	defer r.mu.Unlock()
	c := &Room{
		sat: r.sat, start: r.start, loc: r.loc, step: r.step, dt: r.dt, unix0: r.unix0,
		steps: r.steps, spare: r.spare, weather: r.weather, house: r.house,
		timers: r.timers.clone(), tankAt: r.tankAt, probeAt: r.probeAt,
		nextEvent: r.nextEvent,
	}
	c.tanks = append(c.tanks, r.tanks...)
	c.probes = append(c.probes, r.probes...)
	c.faults = append(c.faults, r.faults...)
	return c
}
