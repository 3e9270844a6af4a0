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
	"syscall"
	"time"

	"dewline/alert"
	"dewline/alert/mqtt"
	"dewline/alert/words"
	"dewline/configs"
	"dewline/configs/unit"
	"dewline/rules"
	"dewline/sensors"
	"dewline/store"
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
	memory  *memory
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
		s.log.Info("room", "alarm", t.Key.Alarm, "room", t.Key.Subject, "state", t.To, "text", words.Sentence(t.Said(), unit.Celsius))
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
			select {
			case <-written:
			case <-time.After(recordWait):
			}
		}
	}
	s.courier.Submit(fx.Send...)
}

// A memory is the file of what a sentinel told; its recorder writes to it.
type memory struct {
	path string
	now  func() sensors.Instant
	kept kept
}

// kept is what the file holds.
type kept struct {
	Mono time.Duration              `json:"mono"`
	Docs map[string]json.RawMessage `json:"docs"`
}

// Append and Write are for readings, of which a sentinel has none.
func (m *memory) Append(sensors.Reading) {}

func (m *memory) Write(_ context.Context, c store.Commit) error { return m.Commit(c) }

// Commit writes all that is open anew.
func (m *memory) Commit(c store.Commit) error {
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
func (m *memory) load() (docs []store.Doc, err error) {
	b, err := os.ReadFile(m.path)
	if err == nil {
		err = json.Unmarshal(b, &m.kept)
	}
	if errors.Is(err, fs.ErrNotExist) {
		err = nil
	}
	if err != nil || m.kept.Docs == nil {
		m.kept = kept{Docs: map[string]json.RawMessage{}}
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
