package daemon

import (
	"context"
	"log/slog"
	"net"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"dewline/alert"
	"dewline/alert/sounder"
	"dewline/configs"
	"dewline/rules"
	"dewline/rules/room"
	"dewline/sensors"
	"dewline/store"
)

// Options are what a Daemon is built from.
type Options struct {
	Config *configs.Config
	// ConfigPath is read again on Reload; empty refuses to reload.
	ConfigPath string
	// ConfigRefused says why the file is refused, though a configuration is in force.
	ConfigRefused string
	Dir           string // of the data; empty takes Config.Store.Dir
	Log           *slog.Logger
	Version       string
	// Source builds what delivers readings. It is called again on a reload
	// that changes the probes.
	Source func(cfg *configs.Config, now func() sensors.Instant, ageing map[sensors.ProbeID]sensors.Ageing) (Source, error)
	// Clock returns the time, with its running time going on from resume; nil
	// takes the board's clock.
	Clock func(resume time.Duration) func() sensors.Instant
	// Channels replaces the configured channels; nil builds them.
	Channels map[string]alert.Channel
	// OpenSounder takes hold of what sounds in the room; nil takes the board's.
	OpenSounder func(configs.Sounder) (sounder.Output, error)
	// Observe is told of every transition, on the loop's goroutine; nil for
	// nobody.
	Observe func(rules.Transition)
	// Open opens the record; nil takes store.Open.
	Open func(context.Context, store.Options) (*store.Store, store.Report, error)
	// Listener serves the page instead of Config.HTTP.Listen.
	Listener net.Listener
	// ControlPath is the local control socket; empty for none.
	ControlPath string
	// ClimateEvery is how often climate documents are published; 10 s.
	ClimateEvery time.Duration
	// PublishEvery is how often a new snapshot is made; 1 s.
	PublishEvery time.Duration
}

// A base is what every part may read at any time.
type base struct {
	o       Options
	log     *slog.Logger
	now     func() sensors.Instant // set by startClock
	started time.Time

	cfg      atomic.Pointer[configs.Config]
	loadedAt atomic.Pointer[time.Time]
	refused  atomic.Pointer[string] // why the file is refused; empty where it is not
	// leap is the running time of a record that opened late: what sources say is
	// in the time since the start, everything else in that of the record.
	leap atomic.Int64
	book calibrationBook
}

// Config returns the configuration in force.
func (b *base) Config() *configs.Config { return b.cfg.Load() }

// Now returns the time, with running time since the first start.
func (b *base) Now() sensors.Instant { return b.now() }

// A Sink takes what a source measures. Reading may be called from several
// goroutines; a call may block for a moment while the rules catch up.
type Sink struct {
	Reading func(sensors.Reading)
	// Contact takes what a contact says; nil where nobody asks.
	Contact func(sensors.Contact)
	// Tick lets time pass where the source keeps the time itself.
	Tick func(sensors.Instant)
	// Settle waits until what came before is decided and told, for a second at
	// most: for a source whose time can outrun the channels.
	Settle func(context.Context)
}

// A Source delivers readings until its context ends, or until there are no
// more (a simulation's end).
type Source interface {
	Run(ctx context.Context, sink Sink) error
	// KeepsTime says that the source calls Sink.Tick, so that the daemon's own
	// ticker stays quiet.
	KeepsTime() bool
	// Correct puts calibrations in force.
	Correct(*sensors.Corrections)
	// The rest is as a sensors.Poller has it; one that polls nothing embeds an empty one.
	Buses() []sensors.BusCounts
	Probes() []sensors.ProbeCounts
	Ageing() map[sensors.ProbeID]sensors.Ageing
	Resume(past map[sensors.ProbeID]sensors.Ageing)
	FreezeAfter(d time.Duration)
}

// nudge wakes whoever waits on c, unless that is due already.
func nudge(c chan<- struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// every does f at once and then at each interval, until ctx ends.
func every(ctx context.Context, interval time.Duration, f func(context.Context)) {
	ticker := time.NewTicker(interval)
	defer ticker.Stop()
	for {
		f(ctx)
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
	}
}

// recordWait is how long an answer waits for its entry to be on the disk.
const recordWait = 3 * time.Second

// onDisk waits until what was put on record is on the disk, and reports whether it is within
// the time given.
func onDisk(ctx context.Context, written <-chan struct{}, within time.Duration) bool {
	select {
	case <-written:
		return true
	case <-time.After(within):
	case <-ctx.Done():
	}
	return false
}

// running starts goroutines that end with their context; stop waits for them.
func running(ctx context.Context, start func(ctx context.Context, done *sync.WaitGroup)) (stop func()) {
	ctx, cancel := context.WithCancel(ctx)
	var done sync.WaitGroup
	start(ctx, &done)
	return func() { cancel(); done.Wait() }
}

// A calibrationBook holds the corrections. Its set is immutable, so readers share it.
type calibrationBook struct {
	mu      sync.Mutex // guards current
	current *sensors.Corrections
}

// load puts the records of an earlier run in force beside the present ones.
func (b *calibrationBook) load(records []sensors.Correction, log *slog.Logger) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, r := range b.current.Records() {
		if !slices.ContainsFunc(records, func(o sensors.Correction) bool { return o.ID == r.ID }) {
			records = append(records, r)
		}
	}
	set, err := sensors.NewCorrections(records)
	if err != nil {
		log.Error("some calibrations are not used", "err", err)
	}
	b.current = set
}

func (b *calibrationBook) set() *sensors.Corrections {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.current
}

func (b *calibrationBook) add(c sensors.Correction) (*sensors.Corrections, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	next, err := b.current.With(c)
	if err != nil {
		return nil, err
	}
	b.current = next
	return next, nil
}

// calibrations tells the rules when each probe was last calibrated.
func (b *calibrationBook) calibrations(cfg *configs.Config) []room.Calibration {
	set := b.set()
	var out []room.Calibration
	for _, p := range cfg.Probes {
		in := set.At(sensors.ProbeID(p.ID), farFuture)
		cal := room.Calibration{Probe: sensors.ProbeID(p.ID)}
		if in.Humidity != nil {
			cal.Humidity, cal.Uncertainty = in.Humidity.From, in.Humidity.Uncertainty
		}
		if in.Temperature != nil {
			cal.Temperature = in.Temperature.From
		}
		if in.Humidity != nil || in.Temperature != nil {
			out = append(out, cal)
		}
	}
	return out
}

// farFuture is later than any correction: what is in force in the end.
var farFuture = time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC)
