package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"time"

	"dewline/alert"
	"dewline/alert/mqtt"
	"dewline/configs"
	"dewline/rules"
	"dewline/sensors"
)

// sentinelFile keeps what a sentinel told, across its restarts.
const sentinelFile = "sentinel.json"

// A Sentry is a sentinel at work: it watches rooms through the broker and tells
// its people by its own channels.
type Sentry struct {
	cfg      *configs.Config
	dir      string
	log      *slog.Logger
	now      func() sensors.Instant
	sentinel *alert.Sentinel
	desk     *alert.Desk
	courier  *alert.Courier
	calls    chan func(now sensors.Instant)
	docs     map[string]json.RawMessage
}

// kept is what a Sentry writes to its file.
type kept struct {
	Mono time.Duration              `json:"mono"`
	Docs map[string]json.RawMessage `json:"docs"`
}

// RunSentinel watches the rooms that cfg names until ctx ends.
func RunSentinel(ctx context.Context, cfg *configs.Config, dir string, log *slog.Logger) error {
	s := &Sentry{cfg: cfg, dir: dir, log: log, calls: make(chan func(sensors.Instant), 256), docs: map[string]json.RawMessage{}}
	resume, docs, err := s.load()
	if err != nil {
		log.Error("what was told before cannot be read; it may be told again", "err", err)
	}
	s.now = sensors.NewClock(resume, sensors.KernelSynced).Now
	now := s.now()
	s.sentinel = alert.NewSentinel(now, alert.SentinelOptions{
		Rooms: cfg.Sentinel.Rooms, SilentAfter: cfg.Sentinel.SilentAfter.D(),
		ClockOff: cfg.Sentinel.ClockWithin.D(), StallFor: cfg.Sentinel.StalledAfter.D(),
	})
	s.desk = alert.NewDesk(alert.OptionsFor(cfg))
	d := &Daemon{log: log}
	d.cfg.Store(cfg)
	own := d.buildChannels(ctx)
	s.courier = alert.NewCourier(own.byName, 0, func(r alert.SendResult) {
		s.post(ctx, func(now sensors.Instant) { s.apply(s.desk.Result(now, r)) })
	}, log)

	watch, err := s.watchOptions(ctx)
	if err != nil {
		return err
	}
	var wg sync.WaitGroup
	defer wg.Wait()
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	wg.Go(func() { s.courier.Run(ctx) })
	if own.mqtt != nil {
		wg.Go(func() { _ = own.mqtt.Run(ctx) })
	}
	wg.Go(func() {
		if err := mqtt.Watch(ctx, watch, cfg.Sentinel.Rooms, func(sign mqtt.Sign) {
			s.post(ctx, func(now sensors.Instant) { s.sign(now, sign) })
		}); err != nil {
			log.Error("watching ended", "err", err)
			cancel()
		}
	})
	fx, err := s.desk.Restore(now, docs)
	if err != nil {
		log.Error("part of what was told before cannot be read", "err", err)
	}
	s.apply(fx)
	s.sentinel.Restore(now, s.desk.Open())
	log.Info("watching", "rooms", cfg.Sentinel.Rooms, "broker", cfg.MQTT.Broker)
	s.loop(ctx)
	return nil
}

func (s *Sentry) watchOptions(ctx context.Context) (mqtt.Options, error) {
	password, err := secret(s.cfg.MQTT.PasswordFile)
	if err != nil {
		return mqtt.Options{}, fmt.Errorf("read the broker's password: %w", err)
	}
	tlsConfig, err := clientTLS(s.cfg.MQTT)
	if err != nil {
		return mqtt.Options{}, err
	}
	host, err := os.Hostname()
	if err != nil {
		host = "second"
	}
	return mqtt.Options{
		Broker: s.cfg.MQTT.Broker, ClientID: "dewline-sentinel-" + host, Username: s.cfg.MQTT.Username,
		Password: password, TLS: tlsConfig, Log: s.log,
		OnState: func(up bool) {
			s.post(ctx, func(now sensors.Instant) {
				s.sentinel.Connection(now, up)
				s.apply(s.desk.ChannelState(now, "mqtt", up))
			})
		},
	}, nil
}

// loop is the goroutine that owns sentinel and desk.
func (s *Sentry) loop(ctx context.Context) {
	ticker := time.NewTicker(time.Second)
	defer ticker.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case f := <-s.calls:
			f(s.now())
		case <-ticker.C:
			now := s.now()
			s.found(now, s.sentinel.Tick(now))
			s.apply(s.desk.Tick(now))
		}
	}
}

func (s *Sentry) post(ctx context.Context, f func(now sensors.Instant)) {
	select {
	case s.calls <- f:
	case <-ctx.Done():
	}
}

func (s *Sentry) sign(now sensors.Instant, sign mqtt.Sign) {
	if sign.Heartbeat != nil {
		if !sign.Retained {
			s.found(now, s.sentinel.Heartbeat(now, *sign.Heartbeat))
		}
		return
	}
	s.found(now, s.sentinel.Status(now, sign.Room, sign.Status == "online", sign.Retained))
}

func (s *Sentry) found(now sensors.Instant, ts []rules.Transition) {
	if len(ts) > 0 {
		s.apply(s.desk.Transitions(now, ts))
	}
}

// apply sends what is due and keeps what was told.
func (s *Sentry) apply(fx alert.Effects) {
	s.courier.Submit(fx.Send...)
	if len(fx.Put) == 0 && len(fx.Drop) == 0 {
		return
	}
	for _, d := range fx.Put {
		s.docs[d.Key] = d.Data
	}
	for _, key := range fx.Drop {
		delete(s.docs, key)
	}
	if err := s.save(); err != nil {
		s.log.Error("what was told cannot be kept; after a restart it may be told again", "err", err)
	}
}

func (s *Sentry) save() error {
	b, err := json.Marshal(kept{Mono: s.now().Mono, Docs: s.docs})
	if err != nil {
		return fmt.Errorf("encode what was told: %w", err)
	}
	return writeFile(filepath.Join(s.dir, sentinelFile), b)
}

func (s *Sentry) load() (time.Duration, []alert.Doc, error) {
	b, err := os.ReadFile(filepath.Join(s.dir, sentinelFile))
	if errors.Is(err, fs.ErrNotExist) {
		return 0, nil, nil
	}
	if err != nil {
		return 0, nil, err
	}
	var k kept
	if err := json.Unmarshal(b, &k); err != nil {
		return 0, nil, fmt.Errorf("read %s: %w", sentinelFile, err)
	}
	var docs []alert.Doc
	for key, data := range k.Docs {
		s.docs[key] = data
		docs = append(docs, alert.Doc{Key: key, Data: data})
	}
	return k.Mono, docs, nil
}
