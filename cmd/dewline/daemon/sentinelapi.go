package daemon

import (
	"context"
	"errors"

	"dewline/alert"
	"dewline/cmd/dewline/core"
	"dewline/rules"
	"dewline/sensors"
)

// Command carries out what a person asks of the sentinel: its notices can be
// acknowledged, and nothing else of it can be changed.
func (s *Sentry) Command(ctx context.Context, c alert.Command) alert.Reply {
	err := checkCommand(c)
	if err == nil && (c.Action != string(rules.Acknowledge) || c.Notice == "") {
		err = errors.New("a sentinel's notices can be acknowledged by their id; ask the room itself for anything else")
	}
	if err == nil {
		err = s.call(ctx, func(now sensors.Instant) error {
			_, fx, err := s.desk.Acknowledge(now, c.Notice, c.Version, c.By)
			s.apply(fx)
			return err
		})
	}
	if err != nil {
		s.log.Warn("refused", "action", c.Action, "notice", core.Short(c.Notice), "by", core.Short(c.By), "why", err)
		return alert.Reply{ID: c.ID, Error: err.Error()}
	}
	s.log.Info("acknowledged", "notice", c.Notice, "by", c.By, "why", c.Why)
	return alert.Reply{ID: c.ID, OK: true}
}

// Look returns what the sentinel has open, in the form of a room's.
func (s *Sentry) Look(ctx context.Context) (*alert.Snapshot, error) {
	snap := &alert.Snapshot{Room: s.id, RoomName: s.cfg.Room.Name, Version: s.o.Version, Started: s.started}
	return snap, s.call(ctx, func(now sensors.Instant) error {
		snap.At, snap.Cycle, snap.Telling = now, s.ticks, s.desk.Telling(now)
		return nil
	})
}

// Drill sends a test notice to a person, "" for the first, and returns its id.
func (s *Sentry) Drill(ctx context.Context, person, _ string) (id string, err error) {
	err = s.call(ctx, func(now sensors.Instant) (err error) {
		var fx alert.Effects
		id, fx, err = s.desk.NewDrill(now, person)
		s.apply(fx)
		return err
	})
	return id, err
}
