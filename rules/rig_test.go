package rules

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"
	"time"

	"dewline/alert/words"
	"dewline/configs"
	"dewline/configs/unit"
	"dewline/rules/alarm"
	"dewline/rules/room"
	"dewline/sensors"
	"dewline/sensors/table"
)

// start is midnight of an invented day.
var start = time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)

const poll = 10 * time.Second

func instant(d time.Duration) sensors.Instant {
	return sensors.Instant{Mono: d, Wall: start.Add(d), Synced: true}
}

// rigConfig is a room with one probe and n enclosures of D. tinctorius, of
// which those named in twins have a second probe.
func rigConfig(t testing.TB, n int, extra string, twins ...int) *configs.Config {
	t.Helper()
	var b strings.Builder
	b.WriteString("[room]\nid = \"r\"\nname = \"Room\"\ntimezone = \"UTC\"\npoll = \"10 s\"\n" +
		"[[lamps]]\nid = \"day\"\non = \"08:00-20:00\"\n" +
		"[[probe]]\nid = \"room\"\nfamily = \"simulated\"\nplace = \"room\"\n" +
		"[[species]]\nid = \"dendrobates-tinctorius\"\nday = \"22-26 °C\"\n") // and not what its species tolerates
	for i := 1; i <= n; i++ {
		fmt.Fprintf(&b, "[[enclosure]]\nid = \"e%d\"\nname = \"Tank %d\"\nrack = \"a\"\nshelf = %d\nslot = %d\n"+
			"species = \"dendrobates-tinctorius\"\nstage = \"adult\"\nvolume = \"90 L\"\nlamps = \"day\"\n", i, i, (i-1)/4+1, (i-1)%4+1)
		if strings.Contains(extra, "[[mist]]") {
			b.WriteString("mist = \"m\"\n")
		}
		fmt.Fprintf(&b, "[[probe]]\nid = \"p%d\"\nfamily = \"simulated\"\nplace = \"litter\"\nenclosure = \"e%d\"\n", i, i)
		for _, w := range twins {
			if w == i {
				fmt.Fprintf(&b, "[[probe]]\nid = \"q%d\"\nfamily = \"simulated\"\nplace = \"litter\"\nenclosure = \"e%d\"\n", i, i)
			}
		}
	}
	cfg, err := table.Decode("rig.toml", []byte(b.String()+extra))
	if err != nil {
		t.Fatal(err)
	}
	return cfg
}

// rig drives an engine and checks what must hold after every call.
type rig struct {
	t       testing.TB
	cfg     *configs.Config
	e       *Engine
	now     time.Duration
	log     []Transition
	states  map[alarm.Key]alarm.State
	restart bool // through JSON before a call
	calls   int
	synced  bool
	skew    time.Duration // of the wall clock
	asleep  time.Duration // off, and the clock not yet set
}

func newRig(t testing.TB, cfg *configs.Config) *rig {
	return &rig{t: t, cfg: cfg, e: New(cfg), states: map[alarm.Key]alarm.State{}, synced: true, now: 9 * time.Hour}
}

func (r *rig) instant() sensors.Instant {
	i := instant(r.now)
	i.Synced, i.Wall = r.synced, i.Wall.Add(r.skew)
	return i
}

// take notes transitions and checks that they chain.
func (r *rig) take(ts []Transition) {
	for _, x := range ts {
		x.Text = words.Sentence(&x.Onset, unit.Celsius) // as a person reads it
		x.Detail.FirstAction = words.FirstAction(&x.Detail, unit.Celsius)
		if r.states[x.Key] != x.From {
			r.t.Errorf("%v: %v goes from %v, but was %v", r.now, x.Key, x.From, r.states[x.Key])
		}
		if x.Text == "" || math.IsNaN(x.Value) || x.Since.Mono > x.At.Mono {
			r.t.Errorf("%v: %+v", r.now, x)
		}
		r.states[x.Key] = x.To
		r.log = append(r.log, x)
	}
}

// reborn replaces the engine by one made from what would have been persisted.
func (r *rig) reborn() {
	var state bytes.Buffer
	if err := r.e.State().Encode(&state); err != nil {
		r.t.Fatal(err)
	}
	records, err := json.Marshal(r.e.Records())
	if err != nil {
		r.t.Fatal(err)
	}
	var s State
	var list []room.Record
	if err := json.Unmarshal(state.Bytes(), &s); err != nil {
		r.t.Fatal(err)
	}
	if err := json.Unmarshal(records, &list); err != nil {
		r.t.Fatal(err)
	}
	now := r.e.v.Latest
	r.e = New(r.cfg)
	r.take(r.e.Restore(&s, list, now))
}

// maybeRestart restarts before every third call, which is another one of each poll's
// unless their number is a multiple of three; with DEWLINE_LONG=1 before every call, and
// under the race detector before every fiftieth.
func (r *rig) maybeRestart() {
	each := 3
	switch {
	case raceOn:
		each = 50
	case os.Getenv("DEWLINE_LONG") != "":
		each = 1
	}
	if r.calls++; r.restart && r.calls%each == 0 {
		r.reborn()
	}
}

func (r *rig) step(x sensors.Reading) {
	r.maybeRestart()
	r.take(r.e.Step(&x))
}

func (r *rig) tick() {
	r.maybeRestart()
	r.take(r.e.Tick(r.instant()))
}

func (r *rig) act(a Action) error {
	ts, err := r.e.Act(r.instant(), a)
	r.take(ts)
	return err
}

// good is a good reading of one probe now.
func (r *rig) good(id string, celsius, percent float64) sensors.Reading {
	return sensors.Reading{
		Probe: sensors.ProbeID(id), At: r.instant(), Has: sensors.HasTemperature | sensors.HasHumidity,
		Temperature: sensors.CelsiusOf(celsius), Humidity: sensors.PercentOf(percent), Quality: sensors.Good,
	}
}

func (r *rig) suspect(id string, celsius float64, why sensors.Reason) sensors.Reading {
	x := r.good(id, celsius, 85)
	x.Quality, x.Reason = sensors.Suspect, why
	return x
}

func (r *rig) bad(id string, why sensors.Reason) sensors.Reading {
	return sensors.Reading{Probe: sensors.ProbeID(id), At: r.instant(), Reason: why}
}

// air is what a probe delivers at a time; nil for nothing.
type weather func(id string, at time.Duration) *sensors.Reading

// run polls every probe and ticks, for a while.
func (r *rig) run(d time.Duration, what weather) {
	for end := r.now + d; r.now < end; r.now += poll {
		for _, p := range r.cfg.Probes {
			if x := what(p.ID, r.now); x != nil {
				r.step(*x)
			}
		}
		r.tick()
	}
}

// calm is a healthy room: 24 °C by day and 21 °C by night in the enclosures,
// with the little noise that a live probe has.
func (r *rig) calm(id string, at time.Duration) *sensors.Reading {
	hour := math.Mod(r.instant().Wall.Sub(start).Hours(), 24)
	if hour < 0 {
		hour += 24
	}
	day := 1 / (1 + math.Exp(-4*(hour-8.8))) * 1 / (1 + math.Exp(4*(hour-20.8)))
	n := int(at/poll) % 5
	noise := 0.01 * float64(n)
	x := r.good(id, 21+3*day+noise, 86-4*day+noise)
	if id == "room" {
		x = r.good(id, 20.5+day+noise, 50+noise)
	}
	return &x
}

// with lets one probe say something else.
func (r *rig) with(id string, f func() *sensors.Reading) weather {
	return func(p string, at time.Duration) *sensors.Reading {
		if p == id {
			return f()
		}
		return r.calm(p, at)
	}
}

func (r *rig) hold(id string, celsius, percent float64) weather {
	return r.with(id, func() *sensors.Reading {
		noise := 0.01 * float64(int(r.now/poll)%3)
		x := r.good(id, celsius, percent)
		if celsius < 50 {
			x.Humidity = sensors.PercentOf(percent + noise)
		}
		return &x
	})
}

// events are the logged transitions of one alarm, as "NORM>UNACK".
func (r *rig) events(id alarm.ID, subject string) string {
	var list []string
	for _, x := range r.log {
		if x.Key.Alarm == id && (subject == "" || x.Key.Subject == subject) && x.From != x.To {
			list = append(list, x.From.String()+">"+x.To.String())
		}
	}
	return strings.Join(list, " ")
}

func (r *rig) want(id alarm.ID, subject, events string) {
	r.t.Helper()
	if got := r.events(id, subject); got != events {
		r.t.Errorf("%s of %s: %q, want %q", id, subject, got, events)
	}
}

// quiet fails for every transition of other alarms than those named.
func (r *rig) quiet(but ...alarm.ID) {
	r.t.Helper()
next:
	for _, x := range r.log {
		for _, id := range but {
			if x.Key.Alarm == id {
				continue next
			}
		}
		r.t.Errorf("%v: %s>%s %v %s: %s", x.At.Mono, x.From, x.To, x.Key, x.Priority, x.Text)
	}
}

func (r *rig) last(id alarm.ID) Transition {
	r.t.Helper()
	for i := len(r.log) - 1; i >= 0; i-- {
		if r.log[i].Key.Alarm == id {
			return r.log[i]
		}
	}
	r.t.Fatalf("no transition of %s", id)
	return Transition{}
}
