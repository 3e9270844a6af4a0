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
	"slices"
	"sync"
	"time"

	"dewline/alert"
	"dewline/alert/mqtt"
	"dewline/alert/words"
	"dewline/cmd/dewline/web"
	"dewline/configs"
	"dewline/configs/unit"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// sentinelFile keeps what a sentinel told, across its restarts.
const sentinelFile = "sentinel.json"

// sentinelGroup is how long a sentinel's notice waits for company: every room
// is a cause of its own, so there is little to wait for.
const sentinelGroup = 2 * time.Second

// SentinelOptions are what a sentinel is built from.
type SentinelOptions struct {
	Config *configs.Config
	Dir    string // of what was told
	// ControlPath is the local control socket; empty for none.
	ControlPath string
	Version     string
	Log         *slog.Logger
}

// A Sentry is a sentinel at work: it watches rooms through the broker and tells
// its people by its own channels. It has topics of its own, dewline/sentinel-
// and its room's id, so that it can be answered and watched like a room and
// never speaks in a room's name.
type Sentry struct {
	o        SentinelOptions
	cfg      *configs.Config
	id       string
	log      *slog.Logger
	now      func() sensors.Instant
	sentinel *alert.Sentinel
	desk     *alert.Desk
	courier  *alert.Courier
	channels *channels
	calls    chan func(now sensors.Instant)
	docs     map[string]json.RawMessage
	started  time.Time
	ticks    uint64
	manager  *manager
	duty     string // who is told first; empty for the order of the file

	// What follows is the sentinel's own view of the broker.
	downSince time.Duration // 0 while connected
	upSince   time.Duration
	down      time.Duration // how long it was away, less how long it was there since
	looked    time.Duration // when down was counted
	blind     uint64        // the onset of the open alarm; 0 for none
	blindAt   sensors.Instant
}

// kept is what a Sentry writes to its file.
type kept struct {
	Mono time.Duration              `json:"mono"`
	Docs map[string]json.RawMessage `json:"docs"`
}

// sentinelID is the name of a sentinel in topics and message ids.
func sentinelID(cfg *configs.Config) string { return "sentinel-" + cfg.Room.ID }

// RunSentinel watches the rooms that the configuration names until ctx ends.
func RunSentinel(ctx context.Context, o SentinelOptions) error {
	s := &Sentry{
		o: o, cfg: o.Config, id: sentinelID(o.Config), log: o.Log, started: time.Now(),
		calls: make(chan func(sensors.Instant), 256), docs: map[string]json.RawMessage{}, manager: newManager(o.Log),
	}
	release, err := s.lock()
	if err != nil {
		return err
	}
	defer release()
	resume, docs, err := s.load()
	if err != nil {
		s.log.Error("what was told before cannot be read; it may be told again", "err", err)
	}
	s.now = sensors.NewClock(resume, sensors.KernelSynced).Now
	now := s.now()
	s.downSince = max(now.Mono, 1)
	s.sentinel = alert.NewSentinel(now, alert.SentinelOptions{
		Rooms: s.cfg.Sentinel.Rooms, SilentAfter: s.cfg.Sentinel.SilentAfter.D(),
		ClockOff: s.cfg.Sentinel.ClockWithin.D(), StallFor: s.cfg.Sentinel.StalledAfter.D(),
	})
	s.sentinel.Connection(now, false)
	s.desk = alert.NewDesk(s.options())
	return s.run(ctx, docs)
}

// run starts the parts, resumes what was told and works until ctx ends.
func (s *Sentry) run(ctx context.Context, docs []alert.Doc) error {
	asked := ctx
	ctx, cancel := context.WithCancelCause(ctx)
	var wg sync.WaitGroup
	defer wg.Wait()
	defer cancel(nil)
	s.channels = buildChannels(s.cfg, s.id, s.log, hooks{
		command: s.Command,
		board:   boardOf(s.o.Dir, "/", s.log),
		now:     func() (time.Time, bool) { t := s.now(); return t.Wall, t.Synced },
		refused: func(alert.Command, string) {}, // the client has logged it
		state: func(name string, down error) {
			s.post(ctx, func(now sensors.Instant) {
				if down != nil {
					s.apply(s.desk.ChannelDown(now, name, down.Error()))
					return
				}
				s.apply(s.desk.ChannelState(now, name, true))
			})
		},
	})
	s.courier = alert.NewCourier(s.channels.byName, 0, func(r alert.SendResult) {
		s.post(ctx, func(now sensors.Instant) { s.apply(s.desk.Result(now, r)) })
	}, s.log)
	s.resume(s.now(), docs)
	wg.Go(func() { s.courier.Run(ctx) })
	s.channels.run(ctx, &wg)
	wg.Go(func() {
		watch, err := s.watchOptions(ctx)
		if err != nil { // told, by the channels that are left, as a broker that is not reached
			s.log.Error("no room can be watched", "err", err, "do", "mend [mqtt] or its secret and restart")
			return
		}
		if err := mqtt.Watch(ctx, watch, s.cfg.Sentinel.Rooms, func(sign mqtt.Sign) {
			s.post(ctx, func(now sensors.Instant) { s.sign(now, sign) })
		}); err != nil {
			cancel(fmt.Errorf("watch the rooms: %w", err))
		}
	})
	defer web.ServeControl(s.o.ControlPath, web.SentinelControl(s), s.log, &wg)()
	s.log.Info("watching", "rooms", s.cfg.Sentinel.Rooms, "broker", s.cfg.MQTT.Broker, "as", s.id)
	s.manager.tell("READY=1")
	s.loop(ctx)
	s.manager.tell("STOPPING=1")
	if asked.Err() == nil { // nobody stopped it, and it must not look so
		return context.Cause(ctx)
	}
	return nil
}

func (s *Sentry) watchOptions(ctx context.Context) (mqtt.Options, error) {
	password, err := secret(s.cfg.MQTT.PasswordFile)
	if err != nil {
		return mqtt.Options{}, fmt.Errorf("read the broker's password: %w", err)
	}
	tlsConfig, err := clientTLS(s.cfg.MQTT, nil)
	if err != nil {
		return mqtt.Options{}, err
	}
	return mqtt.Options{
		Broker: s.cfg.MQTT.Broker, ClientID: "dewline-watch-" + s.id, Username: s.cfg.MQTT.Username,
		Password: password, TLS: tlsConfig, Log: s.log,
		OnState: func(down error) { s.post(ctx, func(now sensors.Instant) { s.connection(now, down == nil) }) },
	}, nil
}

// resume goes on from what was told before. A room that is no longer watched
// is let go: nobody would ever hear that it is well.
func (s *Sentry) resume(now sensors.Instant, docs []alert.Doc) {
	s.watchDuty(now) // before the notices, which go to whoever is first
	fx, err := s.desk.Restore(now, docs)
	if err != nil {
		s.log.Error("part of what was told before cannot be read", "err", err)
	}
	s.apply(fx)
	open := s.desk.Open()
	var gone []rules.Transition
	for i := range open {
		n := &open[i].Notice
		n.Members = slices.DeleteFunc(slices.Clone(n.Members), func(m alert.Member) bool {
			switch {
			case m.Key.Subject == s.id:
				if m.Active() {
					s.blind, s.blindAt = m.Seq, m.Since
				}
				return true
			case slices.Contains(s.cfg.Sentinel.Rooms, m.Key.Subject):
				return false
			}
			if m.Active() {
				gone = append(gone, rules.Transition{
					At: now, Key: m.Key, Seq: m.Seq, Since: m.Since, From: m.State, To: alarm.Norm, Priority: m.Priority,
					Cause: n.Cause, Text: fmt.Sprintf("Room %s is no longer watched.", m.Key.Subject),
				})
			}
			return true
		})
	}
	s.sentinel.Restore(now, open)
	s.found(now, gone)
}

// loop is the goroutine that owns sentinel and desk.
func (s *Sentry) loop(ctx context.Context) {
	ticker := time.NewTicker(time.Second)
	defer ticker.Stop()
	beat := time.NewTicker(orUsual(s.cfg.MQTT.Heartbeat.D(), 30*time.Second))
	defer beat.Stop()
	outside := time.NewTicker(orUsual(s.cfg.Outside.Every.D(), time.Minute))
	defer outside.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case f := <-s.calls:
			f(s.now())
		case <-ticker.C:
			now := s.now()
			s.ticks++
			s.found(now, s.sentinel.Tick(now))
			s.watchBroker(now)
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
			if s.downSince == 0 { // a sentinel that sees nothing is no good sign
				s.channels.outside(s.heartbeat())
			}
		}
	}
}

func orUsual(d, usual time.Duration) time.Duration {
	if d > 0 {
		return d
	}
	return usual
}

// heartbeat is the sentinel's own sign of life, by which another sentinel can
// watch it.
func (s *Sentry) heartbeat() alert.Heartbeat {
	now := s.now()
	return alert.Heartbeat{
		Room: s.id, Time: now.Wall, ClockSet: now.Synced, Uptime: time.Since(s.started).Seconds(), Version: s.o.Version,
		Cycle: s.ticks, OpenWake: s.desk.Stats(now).OpenWake, Stalled: s.desk.StalledChannels(now),
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

// connection takes in that the watch lost or regained the broker.
func (s *Sentry) connection(now sensors.Instant, up bool) {
	s.sentinel.Connection(now, up)
	switch {
	case up:
		s.downSince, s.upSince = 0, now.Mono
	case s.downSince == 0:
		s.downSince = max(now.Mono, 1)
	}
}

// watchDuty lets the one who is on duty now be told first.
func (s *Sentry) watchDuty(now sensors.Instant) {
	if first := s.cfg.DutyAt(now.Wall); now.Synced && first != s.duty {
		s.duty = first
		s.apply(s.desk.Reconfigure(now, s.options()))
	}
}

// options are what the desk works by now.
func (s *Sentry) options() alert.Options {
	opt := alert.OptionsFor(s.cfg).InTurn(s.duty)
	opt.Room, opt.Group = s.id, sentinelGroup
	return opt
}

// steadyBroker is how long a connection must hold to count as restored: one that
// comes and goes lets a sentinel see nothing.
const steadyBroker = 30 * time.Second

// watchBroker tells, by the channels that are left, that a sentinel without a
// broker watches nothing.
func (s *Sentry) watchBroker(now sensors.Instant) {
	passed, after := now.Mono-max(s.looked, min(s.downSince, now.Mono)), s.cfg.Sentinel.StalledAfter.D()
	if s.looked = now.Mono; s.downSince != 0 {
		s.down = min(s.down+passed, after)
	} else if s.down = max(s.down-passed, 0); now.Mono-s.upSince >= min(after, steadyBroker) {
		s.down = 0
	}
	blind := s.down >= after || s.blind != 0 && s.down > 0
	if blind == (s.blind != 0) || !blind && s.downSince != 0 {
		return // nothing new, or not yet seen to work since a restart
	}
	t := rules.Transition{
		At: now, Key: rules.Key{Alarm: rules.DeliveryStalled, Subject: s.id}, Priority: rules.Today,
		Cause: rules.Cause{Kind: rules.CauseDewline, ID: s.id}, From: alarm.Unack, To: alarm.Norm,
		Detail: rules.Detail{Turn: alarm.TurnOver},
	}
	if blind {
		s.blind, s.blindAt = uint64(now.Mono.Milliseconds())+1, now
		t.From, t.To = alarm.Norm, alarm.Unack
		t.Detail = rules.Detail{Turn: alarm.TurnActive, Active: true, Is: alarm.Fact{ID: alarm.FactSentinelBlind, For: s.down}}
	}
	t.Seq, t.Since = s.blind, s.blindAt
	if !blind {
		s.blind = 0
	}
	s.found(now, []rules.Transition{t})
}

func (s *Sentry) found(now sensors.Instant, ts []rules.Transition) {
	for i := range ts {
		t := &ts[i]
		s.log.Info("room", "alarm", t.Key.Alarm, "room", t.Key.Subject, "state", t.To, "text", words.Sentence(t.Said(), unit.Celsius))
	}
	if len(ts) > 0 {
		s.apply(s.desk.Transitions(now, ts))
	}
}

// apply sends what is due and keeps what was told.
func (s *Sentry) apply(fx alert.Effects) {
	// Kept before it is sent: a kill between the two must not give a follow-up
	// the version of the notice that it follows.
	if len(fx.Put) > 0 || len(fx.Drop) > 0 {
		s.keep(fx)
	}
	s.courier.Submit(fx.Send...)
}

// keep writes what is open to the sentinel's file.
func (s *Sentry) keep(fx alert.Effects) {
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
	return writeFile(filepath.Join(s.o.Dir, sentinelFile), b)
}

func (s *Sentry) load() (time.Duration, []alert.Doc, error) {
	b, err := os.ReadFile(filepath.Join(s.o.Dir, sentinelFile))
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
