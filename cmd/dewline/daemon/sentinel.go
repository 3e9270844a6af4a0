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
	"syscall"
	"time"

	"dewline/alert"
	"dewline/alert/mqtt"
	"dewline/alert/words"
	"dewline/cmd/dewline/core"
	"dewline/cmd/dewline/web"
	"dewline/configs"
	"dewline/configs/unit"
	"dewline/rules"
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
		inbox: make(inbox, 256), memory: &toldFile{path: filepath.Join(o.Dir, sentinelFile)}, manager: newManager(o.Log),
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
	s.rec = newRecorder(s.memory, s.log, nil)
	now := s.now()
	s.sentinel = alert.NewSentinel(now, alert.SentinelOptions{
		ID: s.id, Rooms: s.cfg.Sentinel.Rooms, SilentAfter: s.cfg.Sentinel.SilentAfter.D(),
		ClockOff: s.cfg.Sentinel.ClockWithin.D(), StallFor: s.cfg.Sentinel.StalledAfter.D(),
	})
	s.sentinel.Connection(now, false)
	s.desk = alert.NewDesk(s.options())
	s.desk.Start(onsetLeap())
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
	board := boardOf(s.o.Dir, "/", s.log)
	s.channels = buildChannels(s.cfg, s.id, s.log, hooks{
		state: func(name string, down error) {
			s.post(ctx, func(now sensors.Instant) {
				if name == "mqtt" && down != nil {
					s.sentinel.Connection(now, false)
				}
				s.apply(s.desk.ChannelState(now, name, down))
			})
		},
		mqtt: mqtt.Options{
			Instance: board.instance, Former: board.former,
			Now:       func() (time.Time, bool) { t := s.now(); return t.Wall, t.Synced },
			OnCommand: s.Command, // what is refused the client logs
			Watch:     s.cfg.Sentinel.Rooms,
			OnSight:   func() { s.post(ctx, func(now sensors.Instant) { s.sentinel.Connection(now, true) }) },
			OnOther: func(instance string) {
				s.post(ctx, func(now sensors.Instant) { s.found(now, s.sentinel.Other(now, instance)) })
			},
			OnSign: func(sign mqtt.Sign) {
				select {
				case s.inbox <- func(now sensors.Instant) { s.sign(now, sign) }:
				default: // the next one says as much
				}
			},
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
		case <-s.manager.feed:
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
	inbox
	memory  *toldFile
	rec     *recorder // writes to memory
	started time.Time
	ticks   uint64
	manager *manager
	duty    string // who is told first; empty for the order of the file
}

func (s *Sentry) options() alert.Options {
	opt := alert.OptionsFor(s.cfg).InTurn(s.duty)
	opt.Room, opt.Group = s.id, sentinelGroup
	return opt
}

// heartbeat lets another sentinel watch this one.
func (s *Sentry) heartbeat() alert.Heartbeat {
	now := s.now()
	return alert.Heartbeat{
		Room: s.id, Time: now.Wall, ClockSet: now.Synced, Uptime: time.Since(s.started).Seconds(), Version: s.o.Version,
		Cycle: s.ticks, OpenWake: s.desk.Stats(now).OpenWake, Stalled: s.desk.StalledChannels(now),
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

// watchDuty lets the one who is on duty now be told first.
func (s *Sentry) watchDuty(now sensors.Instant) {
	if first := s.cfg.DutyAt(now.Wall); now.Synced && first != s.duty {
		s.duty = first
		s.apply(s.desk.Reconfigure(now, s.options()))
	}
}

func (s *Sentry) found(now sensors.Instant, ts []rules.Transition) {
	for i := range ts {
		t := &ts[i]
		s.log.Info("room", "alarm", t.Key.Alarm, "room", t.Key.Subject, "state", t.To, "text", words.Sentence(&t.Onset, unit.Celsius))
	}
	if len(ts) > 0 {
		s.apply(s.desk.Transitions(now, ts))
	}
}

// apply keeps what was told and sends what is due, in this order: a kill between the two
// must not give a follow-up the version of the notice that it follows. But a card that
// hangs or fails holds no message back for long.
func (s *Sentry) apply(fx alert.Effects) {
	if len(fx.Docs) > 0 {
		written := s.rec.Put(fx.Docs, nil)
		if len(fx.Send) > 0 && !s.rec.ill(time.Now()) {
			onDisk(context.Background(), written, recordWait)
		}
	}
	s.courier.Submit(fx.Send...)
}

// A toldFile is the file of what a sentinel told; its recorder writes to it.
type toldFile struct {
	path string
	now  func() sensors.Instant
	kept toldDocs
}

type toldDocs struct {
	Mono time.Duration              `json:"mono"`
	Docs map[string]json.RawMessage `json:"docs"`
}

// Append and Write are for readings, of which a sentinel has none.
func (m *toldFile) Append(sensors.Reading) {}

func (m *toldFile) Write(_ context.Context, c store.Commit) error { return m.Commit(c) }

// Commit writes all that is open anew.
func (m *toldFile) Commit(c store.Commit) error {
	for _, d := range c.Docs {
		if m.kept.Docs[d.Key] = d.Value; d.Value == nil {
			delete(m.kept.Docs, d.Key)
		}
	}
	m.kept.Mono = m.now().Mono
	b, err := json.Marshal(m.kept)
	if err != nil {
		return fmt.Errorf("encode what was told: %w", err)
	}
	return writeFile(m.path, b)
}

// load reads what an earlier run left.
func (m *toldFile) load() (docs []store.Doc, err error) {
	b, err := os.ReadFile(m.path)
	if err == nil {
		err = json.Unmarshal(b, &m.kept)
	}
	if errors.Is(err, fs.ErrNotExist) {
		err = nil
	}
	if err != nil || m.kept.Docs == nil {
		m.kept = toldDocs{Docs: map[string]json.RawMessage{}}
	}
	for key, data := range m.kept.Docs {
		docs = append(docs, store.Doc{Key: key, Value: data})
	}
	if err != nil {
		err = fmt.Errorf("read %s: %w", m.path, err)
	}
	return docs, err
}

// sentinelLock keeps two sentinels off one directory: they would tell
// everything twice and overwrite what the other told.
const sentinelLock = "sentinel.lock"

var errTwoSentinels = errors.New("another sentinel works there: stop it first, or give this one a directory and a room.id of its own")

// lock takes the directory until release is called. The kernel lets go of it
// when the process ends, however it does. A directory that cannot be locked
// for another reason does not stop the watch.
func (s *Sentry) lock() (release func(), err error) {
	path := filepath.Join(s.o.Dir, sentinelLock)
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err == nil {
		if err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err == nil {
			return func() { _ = f.Close() }, nil
		}
		_ = f.Close()
	}
	if errors.Is(err, syscall.EWOULDBLOCK) {
		return nil, fmt.Errorf("lock the directory %s: %w", s.o.Dir, errTwoSentinels)
	}
	s.log.Warn("the directory cannot be locked against a second sentinel", "dir", s.o.Dir, "err", err)
	return func() {}, nil
}

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
