package daemon

import (
	"context"
	"sync"
	"time"

	"dewline/configs"
	"dewline/sensors"
	"dewline/sensors/sim"
	"dewline/sensors/table"
)

// A Simulation is the source of a simulated room. It keeps the time: one poll
// follows the other at Speed times real time, or as fast as the rules can
// follow where that is slower.
type Simulation struct {
	sensors.Poller // of nothing
	room           *sim.Room
	every          time.Duration
	speed          float64
	length         time.Duration // simulated; 0 for ever
	probes         []simProbe
	begin          <-chan struct{} // nil for at once

	mu  sync.Mutex // guards now
	now sensors.Instant
}

type simProbe struct {
	id    sensors.ProbeID
	judge *sensors.Judge
}

// NewSimulation returns a source that polls room, which must hold every probe
// of cfg. speed is in simulated seconds per second.
func NewSimulation(cfg *configs.Config, room *sim.Room, speed float64, length time.Duration) *Simulation {
	s := &Simulation{room: room, every: cfg.Room.Poll.D(), speed: speed, length: length}
	for _, p := range cfg.Probes {
		id := sensors.ProbeID(p.ID)
		s.probes = append(s.probes, simProbe{id: id, judge: table.NewJudge(id, p.Family)})
	}
	s.now = sensors.Instant{Wall: room.Now(), Synced: true}
	return s
}

// Clock starts the simulated clock's running time at resume.
func (s *Simulation) Clock(resume time.Duration) func() sensors.Instant {
	s.mu.Lock()
	s.now.Mono = resume
	s.mu.Unlock()
	return s.Now
}

// Now returns the simulated moment.
func (s *Simulation) Now() sensors.Instant {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.now
}

// beginAnyway is the wait after which a held simulation begins, in real time.
const beginAnyway = 10 * time.Second

// Hold lets the first poll wait for begin to be closed, and each other one for the
// channels: at a thousand times real time an hour passes before one is connected.
func (s *Simulation) Hold(begin <-chan struct{}) { s.begin = begin }

// Run polls until ctx ends or the length is reached.
func (s *Simulation) Run(ctx context.Context, sink Sink) error {
	pace := time.NewTimer(beginAnyway)
	defer pace.Stop()
	if s.begin != nil {
		select {
		case <-s.begin:
		case <-pace.C:
		case <-ctx.Done():
			return nil
		}
	}
	began, simulated := time.Now(), time.Duration(0)
	for s.length == 0 || simulated < s.length {
		due := began.Add(time.Duration(float64(simulated) / s.speed))
		if wait := time.Until(due); wait > 0 {
			pace.Reset(wait)
			select {
			case <-pace.C:
			case <-ctx.Done():
				return nil
			}
		} else if ctx.Err() != nil {
			return nil
		}
		s.poll(sink)
		if s.begin != nil {
			sink.Settle(ctx)
		}
		simulated += s.every
	}
	return nil
}

func (s *Simulation) poll(sink Sink) {
	s.room.Advance(s.every)
	s.mu.Lock()
	s.now.Mono += s.every
	s.now.Wall = s.room.Now()
	now := s.now
	s.mu.Unlock()
	for _, p := range s.probes {
		sample, err := s.room.Sample(p.id)
		sink.Reading(p.judge.Read(now, sample, err))
	}
	sink.Tick(now)
}

// KeepsTime is true: simulated time passes with the polls.
func (s *Simulation) KeepsTime() bool { return true }

// Correct puts calibrations in force.
func (s *Simulation) Correct(c *sensors.Corrections) {
	for _, p := range s.probes {
		p.judge.Correct(c)
	}
}
