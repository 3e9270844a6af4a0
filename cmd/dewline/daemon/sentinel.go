package daemon

import (
	"context"
	"errors"
	"path/filepath"
	"sync"
	"time"

	"dewline/alert"
	"dewline/alert/mqtt"
	"dewline/cmd/dewline/web"
	"dewline/sensors"
	"dewline/store"
)

// RunSentinel watches the rooms that the configuration names until ctx ends.
func RunSentinel(ctx context.Context, o SentinelOptions) error {
	if o.Config.MQTT.Broker == "" {
		return errors.New("watch the rooms: name the broker of their signs of life in [mqtt]")
	}
	s := &Sentry{
		o: o, cfg: o.Config, id: "sentinel-" + o.Config.Room.ID, log: o.Log, started: time.Now(),
		inbox: make(inbox, 256), memory: &memory{path: filepath.Join(o.Dir, sentinelFile)}, manager: newManager(o.Log),
	}
	release, err := s.lock()
	if err != nil {
		return err
	}
	defer release()
	docs, err := s.memory.load()
	if err != nil {
		s.log.Error("what was told before cannot be read; it may be told again", "err", err)
	}
	s.now = sensors.NewClock(s.memory.kept.Mono, sensors.KernelSynced).Now
	s.memory.now = s.now
	s.rec = newRecorder(s.memory, s.log, func(bool, string) {})
	now := s.now()
	s.sentinel = alert.NewSentinel(now, alert.SentinelOptions{
		ID: s.id, Rooms: s.cfg.Sentinel.Rooms, SilentAfter: s.cfg.Sentinel.SilentAfter.D(),
		ClockOff: s.cfg.Sentinel.ClockWithin.D(), StallFor: s.cfg.Sentinel.StalledAfter.D(),
	})
	s.sentinel.Connection(now, false)
	s.desk = alert.NewDesk(s.options())
	s.run(ctx, docs)
	return nil
}

// run starts the parts, resumes what was told and works until ctx ends.
func (s *Sentry) run(ctx context.Context, docs []store.Doc) {
	defer running(context.WithoutCancel(ctx), func(ctx context.Context, done *sync.WaitGroup) { done.Go(func() { s.rec.Run(ctx) }) })()
	ctx, cancel := context.WithCancel(ctx)
	var wg sync.WaitGroup
	defer wg.Wait()
	defer cancel()
	s.channels = buildChannels(s.cfg, s.id, s.log, hooks{
		command: s.Command,
		board:   boardOf(s.o.Dir, "/", s.log),
		now:     func() (time.Time, bool) { t := s.now(); return t.Wall, t.Synced },
		refused: func(alert.Command, string) {}, // the client has logged it
		state: func(name string, down error) {
			s.post(ctx, func(now sensors.Instant) {
				if name == "mqtt" && down != nil {
					s.sentinel.Connection(now, false)
				}
				s.apply(s.desk.ChannelState(now, name, down))
			})
		},
		watch: s.cfg.Sentinel.Rooms,
		sight: func() { s.post(ctx, func(now sensors.Instant) { s.sentinel.Connection(now, true) }) },
		sign: func(sign mqtt.Sign) {
			select {
			case s.inbox <- func(now sensors.Instant) { s.sign(now, sign) }:
			default: // the next one says as much
			}
		},
	})
	s.courier = alert.NewCourier(s.channels.byName, 0, func(r alert.SendResult) {
		s.post(ctx, func(now sensors.Instant) { s.apply(s.desk.Result(now, r)) })
	}, s.log)
	s.resume(s.now(), docs)
	wg.Go(func() { s.courier.Run(ctx) })
	s.channels.run(ctx, &wg)
	defer web.ServeControl(s.o.ControlPath, web.SentinelControl(s), s.log, &wg)()
	s.log.Info("watching", "rooms", s.cfg.Sentinel.Rooms, "broker", s.cfg.MQTT.Broker, "as", s.id)
	s.manager.tell("READY=1")
	s.loop(ctx)
	s.manager.tell("STOPPING=1")
}

// resume goes on from what was told before.
func (s *Sentry) resume(now sensors.Instant, docs []store.Doc) {
	s.watchDuty(now) // before the notices, which go to whoever is first
	fx, err := s.desk.Restore(now, docs)
	if err != nil {
		s.log.Error("part of what was told before cannot be read", "err", err)
	}
	s.apply(fx)
	s.found(now, s.sentinel.Restore(now, s.desk.Open()))
}

func (s *Sentry) loop(ctx context.Context) {
	ticker := time.NewTicker(time.Second)
	defer ticker.Stop()
	beat := time.NewTicker(s.cfg.MQTT.Heartbeat.D())
	defer beat.Stop()
	outside := time.NewTicker(s.cfg.Outside.Every.D())
	defer outside.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case f := <-s.inbox:
			f(s.now())
		case <-ticker.C:
			now := s.now()
			s.ticks++
			s.found(now, s.sentinel.Tick(now))
			s.watchDuty(now)
			s.apply(s.desk.Tick(now))
		case <-s.manager.C():
			s.manager.tell("WATCHDOG=1")
		case <-beat.C:
			s.channels.heartbeat(s.heartbeat())
			if client := s.channels.broker(); client != nil {
				client.Watching(s.cfg.Sentinel.Rooms, s.now().Wall)
			}
		case <-outside.C:
			if s.sentinel.Sees() { // a sentinel that sees nothing is no good sign
				s.channels.outside(s.heartbeat())
			}
		}
	}
}
