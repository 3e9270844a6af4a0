package daemon

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"syscall"
	"time"

	"dewline/alert"
	"dewline/alert/mqtt"
	"dewline/alert/words"
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
	inbox
	docs     map[string]json.RawMessage
	started  time.Time
	ticks    uint64
	manager  *manager
	duty     string // who is told first; empty for the order of the file
	brokerSeen
}

// A brokerSeen is the sentinel's own view of the broker.
type brokerSeen struct {
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

// steadyBroker: through a connection that comes and goes a sentinel sees nothing.
const steadyBroker = 30 * time.Second

// watchBroker tells that a sentinel without a broker watches nothing.
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

// sentinelLock keeps two sentinels off one directory: they would tell
// everything twice and overwrite what the other told.
const sentinelLock = "sentinel.lock"

// errTwoSentinels says that the directory is in use.
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
