package main

import (
	"bytes"
	"context"
	"io"
	"math/rand/v2"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"dewline/alert"
	"dewline/alert/wire"
	"dewline/cmd/dewline/daemon"
	"dewline/configs"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
	"dewline/sensors/salt"
	"dewline/sensors/table"
)

// jarRoom is a configuration with two probes in one enclosure, polled every
// ten seconds.
const jarRoom = `[room]
id = "den"
name = "The den"
timezone = "UTC"
poll = "10 s"
[store]
batch = "1 s"
[[enclosure]]
id = "tank"
name = "Tank"
rack = "a"
shelf = 1
slot = 1
species = "dendrobates-tinctorius"
[[probe]]
id = "p"
family = "simulated"
place = "litter"
enclosure = "tank"
[[probe]]
id = "twin"
family = "simulated"
place = "litter"
enclosure = "tank"
`

// A wrong is how a probe misreads: what it shows is (truth - offset) / gain,
// and that creeps by so much an hour.
type wrong struct{ gain, offset, creep, celsius float64 }

// A place is where a probe hangs or lies.
type place struct{ celsius, percent float64 }

var inTheTank = place{24, 82}

// overSalt is the jar of a saturated salt at 23 °C, after Greenspan 1977.
func overSalt(t *testing.T, name string) place {
	t.Helper()
	s, err := salt.ByName(name)
	if err != nil {
		t.Fatal(err)
	}
	percent, _, err := s.Humidity(23)
	if err != nil {
		t.Fatal(err)
	}
	return place{23, percent}
}

// jars is a source whose probes can be moved. Its ten seconds pass within a
// millisecond and a half.
type jars struct {
	sensors.Poller // of nothing
	judges         map[sensors.ProbeID]*sensors.Judge

	mu    sync.Mutex // guards what follows
	now   sensors.Instant
	truth map[sensors.ProbeID]place // at the element, which follows slowly
	at    map[sensors.ProbeID]place
	wrong map[sensors.ProbeID]wrong
	dead  map[sensors.ProbeID]error // instead of a sample
	dry   map[sensors.ProbeID]bool  // measures no humidity
	hours float64
	rng   *rand.Rand
}

func newJars() *jars {
	j := &jars{
		judges: map[sensors.ProbeID]*sensors.Judge{}, truth: map[sensors.ProbeID]place{}, at: map[sensors.ProbeID]place{},
		wrong: map[sensors.ProbeID]wrong{}, dead: map[sensors.ProbeID]error{}, dry: map[sensors.ProbeID]bool{}, rng: rand.New(rand.NewPCG(3, 9)),
		now: sensors.Instant{Wall: time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC), Synced: true},
	}
	for _, id := range []sensors.ProbeID{"p", "twin"} {
		// The data sheet of a family says how far the twin can be trusted.
		j.judges[id] = table.NewJudge(id, "sht4x")
		j.truth[id], j.at[id], j.wrong[id] = inTheTank, inTheTank, wrong{gain: 1}
	}
	return j
}

func (j *jars) move(id sensors.ProbeID, to place) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.at[id] = to
}

func (j *jars) misread(id sensors.ProbeID, w wrong) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.wrong[id] = w
}

// really is what the air at the probe's element is.
func (j *jars) really(id sensors.ProbeID) place {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.truth[id]
}

func (j *jars) clock(resume time.Duration) func() sensors.Instant {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.now.Mono = resume
	return func() sensors.Instant {
		j.mu.Lock()
		defer j.mu.Unlock()
		return j.now
	}
}

func (j *jars) poll() (now sensors.Instant, list []sensors.Reading) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.now = j.now.Add(10 * time.Second)
	j.hours += 10.0 / 3600
	for _, id := range []sensors.ProbeID{"p", "twin"} {
		u, to, w := j.truth[id], j.at[id], j.wrong[id]
		u.celsius += (to.celsius - u.celsius) / 20 // within minutes
		u.percent += (to.percent - u.percent) / 40
		j.truth[id] = u
		shown := (u.percent-w.offset)/w.gain + w.creep*j.hours + 0.05*j.rng.NormFloat64()
		s := sensors.Sample{
			Has:         sensors.HasTemperature | sensors.HasHumidity,
			Temperature: sensors.CelsiusOf(u.celsius + w.celsius + 0.01*j.rng.NormFloat64()), Humidity: sensors.PercentOf(shown),
		}
		if j.dry[id] {
			s.Has, s.Humidity = sensors.HasTemperature, 0
		}
		if j.dead[id] != nil {
			s = sensors.Sample{}
		}
		list = append(list, j.judges[id].Read(j.now, s, j.dead[id]))
	}
	return j.now, list
}

func (j *jars) Run(ctx context.Context, sink daemon.Sink) error {
	pace := time.NewTicker(1500 * time.Microsecond)
	defer pace.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-pace.C:
		}
		now, list := j.poll()
		for _, r := range list {
			sink.Reading(r)
		}
		sink.Tick(now)
	}
}

func (j *jars) KeepsTime() bool { return true }
func (j *jars) Correct(c *sensors.Corrections) {
	for _, judge := range j.judges {
		judge.Correct(c)
	}
}

// A bench is a real daemon with its record and control socket, whose probes
// can be moved into jars.
type bench struct {
	t      *testing.T
	jars   *jars
	socket string
	mu     sync.Mutex // guards said
	said   []rules.Transition
}

func newBench(t *testing.T) *bench {
	t.Helper()
	return newBenchWith(t, map[string]alert.Channel{"mqtt": takesAll{}})
}

// newBenchWith is a bench with these ways to a phone.
func newBenchWith(t *testing.T, channels map[string]alert.Channel) *bench {
	t.Helper()
	cfg, err := table.Decode("jars.toml", []byte(jarRoom))
	if err != nil {
		t.Fatal(err)
	}
	cfg.HTTP.Listen = ""
	dir := shortDir(t)
	b := &bench{t: t, jars: newJars(), socket: filepath.Join(dir, "s")}
	d, err := daemon.New(daemon.Options{
		Config: cfg, Dir: filepath.Join(dir, "data"), Clock: b.jars.clock, ControlPath: b.socket,
		Channels: channels,
		Source: func(*configs.Config, func() sensors.Instant, map[sensors.ProbeID]sensors.Ageing) (daemon.Source, error) {
			return b.jars, nil
		},
		Observe: func(x rules.Transition) {
			b.mu.Lock()
			defer b.mu.Unlock()
			b.said = append(b.said, x)
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- d.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	eventually(t, "the daemon reads the probes", func() bool {
		var r wire.Reading
		return b.get("probes/p/reading", &r) == nil
	})
	return b
}

func (b *bench) get(path string, v any) error {
	return (&control{socket: b.socket}).get(b.t.Context(), path, v)
}

// latest is the newest reading of a probe.
func (b *bench) latest(id string) sensors.Reading {
	b.t.Helper()
	var r wire.Reading
	if err := b.get("probes/"+id+"/reading", &r); err != nil {
		b.t.Fatal(err)
	}
	return r.Sensors(sensors.ProbeID(id))
}

// others are the transitions that are not the probe's own going and coming. A busy
// machine, for which a moment is minutes of the bench's clock, may be late to send.
func (b *bench) others(probe string) (list []rules.Transition) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, x := range b.said {
		if x.Key.Alarm != alarm.DeliveryStalled && (x.Key.Subject != probe || x.From != alarm.OutOfService && x.To != alarm.OutOfService) {
			list = append(list, x)
		}
	}
	return list
}

// A takesAll takes every message: that a probe is out of service is told.
type takesAll struct{}

func (takesAll) Send(context.Context, alert.Delivery) error { return nil }

// A spy sees what is asked of the daemon, and moves the probe as a careful keeper does:
// into its first jar once it is out of service, back into the tank before it serves again. The
// bench's clock goes on meanwhile, by hours on a busy machine.
type spy struct {
	asker
	jars    *jars
	first   place
	kept    []sensors.Correction
	actions []string
}

func (s *spy) post(ctx context.Context, path string, body, v any) error {
	switch x := body.(type) {
	case sensors.Correction:
		s.kept = append(s.kept, x)
	case alert.Command:
		if s.actions = append(s.actions, x.Action); len(s.actions) > 1 {
			s.jars.move("p", inTheTank)
			break
		}
		err := s.asker.post(ctx, path, body, v)
		s.jars.move("p", s.first)
		return err
	}
	return s.asker.post(ctx, path, body, v)
}

// A keeper answers what the guide asks for: each time that it wants Enter, the
// next jar is there.
type keeper struct {
	screen
	jars *jars
	next []place
	keys *io.PipeWriter
}

func (k *keeper) Write(p []byte) (int, error) {
	if bytes.Contains(p, []byte("press Enter")) && len(k.next) > 0 {
		k.jars.move("p", k.next[0])
		k.next = k.next[1:]
		go func() { _, _ = io.WriteString(k.keys, "\n") }()
	}
	return k.screen.Write(p)
}

// calibrate runs a guide in the bench: the probe goes to the first place, moves on when
// asked, and hangs in the tank again in the end.
func (b *bench) calibrate(s *sensors.Session, against string, places ...place) (said string, seen *spy, err error) {
	b.t.Helper()
	seen = &spy{asker: &control{socket: b.socket}, jars: b.jars, first: places[0]}
	in, keys := io.Pipe()
	defer in.Close()
	k := &keeper{jars: b.jars, next: places[1:], keys: keys}
	g := guide{
		ctl: seen, session: s, probe: "p", against: sensors.ProbeID(against), by: "robin", note: "spring",
		every: time.Millisecond, std: stdio{in: in, out: k, err: k},
	}
	ctx, cancel := context.WithTimeout(b.t.Context(), patience)
	defer cancel()
	err = g.run(ctx)
	b.jars.move("p", inTheTank)
	return k.String(), seen, err
}
