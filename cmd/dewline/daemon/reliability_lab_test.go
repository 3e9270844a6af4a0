package daemon

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"dewline/alert"
	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/sensors"
	"dewline/sensors/sim"
	"dewline/sensors/table"
)

// roomOf is a configuration of n enclosures with one probe each, on racks of
// three shelves with four slots, and one probe in the room. Bubbles begin at
// midnight: lamps from then on make it day.
func roomOf(t testing.TB, n int, poll, lamps string, more ...string) *configs.Config {
	t.Helper()
	var b strings.Builder
	fmt.Fprintf(&b, "[room]\nid = \"lab\"\ntimezone = \"UTC\"\npoll = %q\n[http]\nlisten = \"\"\n[mqtt]\nbroker = \"tcp://127.0.0.1:1\"\n"+
		"[[person]]\nid = \"keeper\"\nchannels = [\"mqtt\"]\n"+
		"[[lamps]]\nid = \"day\"\non = %q\n[[mist]]\nid = \"rain\"\ntimes = [\"08:30\", \"20:00\"]\n"+
		"[[probe]]\nid = \"room\"\nfamily = \"simulated\"\nplace = \"room\"\n", poll, lamps)
	for i := range n {
		id := fmt.Sprintf("e%04d", i)
		fmt.Fprintf(&b, "[[enclosure]]\nid = %q\nrack = \"r%d\"\nshelf = %d\nslot = %d\nspecies = \"dendrobates-tinctorius\"\nlamps = \"day\"\nmist = \"rain\"\n"+
			"[[probe]]\nid = \"p-%s\"\nfamily = \"simulated\"\nplace = \"canopy\"\nenclosure = %q\n", id, i/12, i/4%3+1, i%4+1, id, id)
	}
	cfg, err := table.Decode("lab.toml", []byte(b.String()+strings.Join(more, "\n")))
	if err != nil {
		t.Fatal(err)
	}
	return cfg
}

// atOnce is a photoperiod that begins with the bubble.
const atOnce = "00:00-14:00"

// A polled source is the real poller over given samplers, some to a bus.
type polled struct {
	*sensors.Poller
	mu   sync.Mutex // guards sink
	sink func(sensors.Reading)
}

func (p *polled) KeepsTime() bool { return false }

func (p *polled) Run(ctx context.Context, s Sink) error {
	p.mu.Lock()
	p.sink = s.Reading
	p.mu.Unlock()
	p.Poller.Run(ctx)
	return nil
}

func (p *polled) deliver(r sensors.Reading) {
	p.mu.Lock()
	sink := p.sink
	p.mu.Unlock()
	sink(r)
}

// perBus is how many probes of the lab share a bus.
const perBus = 12

// samplers builds a source whose probes are read by what pick returns.
func samplers(pick func(configs.Probe) sensors.Sampler) func(*configs.Config, func() sensors.Instant, map[sensors.ProbeID]sensors.Ageing) (Source, error) {
	return func(cfg *configs.Config, now func() sensors.Instant, _ map[sensors.ProbeID]sensors.Ageing) (Source, error) {
		var buses []sensors.Bus
		for i, p := range cfg.Probes {
			if i%perBus == 0 {
				buses = append(buses, sensors.Bus{Name: fmt.Sprintf("bus %d", i/perBus)})
			}
			b := &buses[len(buses)-1]
			b.Probes = append(b.Probes, sensors.BusProbe{ID: sensors.ProbeID(p.ID), Limits: table.Limits(p.Family), Sampler: pick(p)})
		}
		s := &polled{}
		var err error
		s.Poller, err = sensors.NewPoller(buses, sensors.PollOptions{Every: cfg.Room.Poll.D(), Now: now, Sink: s.deliver})
		return s, err
	}
}

// A mailbox is a channel in memory that notes what it took over and when.
type mailbox struct {
	mu   sync.Mutex // guards got
	got  []alert.Message
	when []time.Time
}

func (m *mailbox) Send(_ context.Context, d alert.Delivery) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.got, m.when = append(m.got, d.Message), append(m.when, time.Now())
	return nil
}

// of returns the messages of a priority and the moments they came.
func (m *mailbox) of(p alarm.Priority) (got []alert.Message, when []time.Time) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for i := range m.got {
		if m.got[i].Priority == p {
			got, when = append(got, m.got[i]), append(when, m.when[i])
		}
	}
	return got, when
}

// titles lists what came, for a failing test.
func (m *mailbox) titles() string {
	m.mu.Lock()
	defer m.mu.Unlock()
	var b strings.Builder
	for i := range m.got {
		fmt.Fprintf(&b, "\n%s %-8s %s v%d: %s", m.when[i].UTC().Format("02 15:04:05"), m.got[i].Priority, m.got[i].Kind, m.got[i].Version, m.got[i].Title)
	}
	return b.String()
}

// A lab is a running daemon in a bubble of virtual time.
type lab struct {
	*Daemon
	box  *mailbox
	stop func()
}

// runLab starts a daemon with a real store in dir; stop ends it and waits.
func runLab(t *testing.T, cfg *configs.Config, dir string, source func(configs.Probe) sensors.Sampler, set ...func(*Options)) *lab {
	t.Helper()
	l := &lab{box: &mailbox{}}
	o := Options{
		Config: cfg, Dir: dir, Source: samplers(source), Channels: map[string]alert.Channel{"mqtt": l.box},
		Clock: func(resume time.Duration) func() sensors.Instant {
			return sensors.NewClock(resume, func() bool { return true }).Now
		},
		PublishEvery: 10 * time.Second,
	}
	for _, f := range set {
		f(&o)
	}
	d, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	l.Daemon = d
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- d.Run(ctx) }()
	l.stop = sync.OnceFunc(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("the daemon ended with %v", err)
		}
	})
	t.Cleanup(l.stop)
	return l
}

// A dial is a probe whose values a test sets.
type dial struct {
	mu     sync.Mutex // guards sample
	sample sensors.Sample
}

func (d *dial) set(celsius, percent float64) {
	d.mu.Lock()
	d.sample = sensors.Sample{
		Has: sensors.HasTemperature | sensors.HasHumidity, Temperature: sensors.CelsiusOf(celsius), Humidity: sensors.PercentOf(percent),
	}
	d.mu.Unlock()
}

func (d *dial) Sample(context.Context) (sensors.Sample, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.sample, nil
}

// dials makes one for every probe of a room, all alike.
func dials(cfg *configs.Config, celsius, percent float64) (map[string]*dial, func(configs.Probe) sensors.Sampler) {
	all := map[string]*dial{}
	for _, p := range cfg.Probes {
		all[p.ID] = &dial{}
		all[p.ID].set(celsius, percent)
	}
	return all, func(p configs.Probe) sensors.Sampler { return all[p.ID] }
}

// A simulatedProbe moves its room on to the present before each sample.
type simulatedProbe struct {
	room *sim.Room
	id   sensors.ProbeID
}

func (p simulatedProbe) Sample(context.Context) (sensors.Sample, error) {
	p.room.Advance(time.Since(p.room.Now()))
	return p.room.Sample(p.id)
}

// Seven days (four hours by default) of a calm room of 48 probes through the whole daemon: pollers,
// rules, a real record and a channel. No alarm; every reading on record; every
// goroutine ends, or the bubble would say so.
func TestCalmWeek(t *testing.T) {
	dir := t.TempDir()
	length := 4 * time.Hour
	if longChecks() {
		length = 7 * 24 * time.Hour
	}
	synctest.Test(t, func(t *testing.T) {
		cfg := roomOf(t, 47, "10 s", "08:00-20:00")
		o, err := sim.FromConfig(cfg, 3, time.Now())
		if err != nil {
			t.Fatal(err)
		}
		room, err := sim.New(o)
		if err != nil {
			t.Fatal(err)
		}
		l := runLab(t, cfg, dir, func(p configs.Probe) sensors.Sampler { return simulatedProbe{room, sensors.ProbeID(p.ID)} })
		time.Sleep(length) // virtual
		synctest.Wait()
		if got := l.box.titles(); got != "" {
			t.Errorf("a calm week brought notices:%s", got)
		}
		if s := l.Snapshot(); len(s.Alarms) > 0 {
			t.Errorf("a calm week brought alarms: %+v", s.Alarms)
		}
		want := uint64(length/cfg.Room.Poll.D()) * 48
		if n := l.Readings(); n < want || n > want+2*48 {
			t.Errorf("%d readings, want %d", n, want)
		}
		l.stop()
	})
}

// The fault that masks heat: two probes in one enclosure, one frozen at 23 °C,
// its twin at 31 °C. The twin's word is enough, within one poll and a second.
func TestMaskedHeat(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		cfg := roomOf(t, 4, "10 s", atOnce, "[[probe]]\nid = \"twin\"\nfamily = \"simulated\"\nplace = \"litter\"\nenclosure = \"e0001\"\n")
		all, pick := dials(cfg, 23, 85)
		l := runLab(t, cfg, dir, pick)
		wander := func(d time.Duration) { // all but the frozen one move, as air does
			for i := range int(d / time.Minute) {
				for id, p := range all {
					if id != "p-e0001" {
						p.set(23+float64(i%3)/50, 85)
					}
				}
				time.Sleep(time.Minute)
			}
		}
		wander(time.Hour)
		for _, c := range []float64{25.5, 28, 29.9} { // it warms, faster than any room
			all["twin"].set(c, 80)
			time.Sleep(time.Minute)
		}
		if got, _ := l.box.of(alarm.Wake); len(got) > 0 && got[0].Alarms[0].Alarm == alarm.LethalLimit {
			t.Fatalf("woken below the ceiling: %s", got[0].Title)
		}
		all["twin"].set(31, 80)
		hotSince := time.Now()
		time.Sleep(cfg.Room.Poll.D() + time.Second)
		synctest.Wait()
		got, when := lethal(l.box)
		if len(got) == 0 {
			t.Fatalf("no wake notice within one poll and a second:%s", l.box.titles())
		}
		if wait := when[0].Sub(hotSince); wait > cfg.Room.Poll.D()+time.Second {
			t.Errorf("the notice came after %s", wait)
		}
		if !slices.Equal(got[0].Subjects, []string{"e0001"}) {
			t.Errorf("the notice is about %v, want e0001", got[0].Subjects)
		}
		l.stop()
	})
}

// lethal returns the messages that tell of a lethal limit.
func lethal(m *mailbox) (got []alert.Message, when []time.Time) {
	all, times := m.of(alarm.Wake)
	for i := range all {
		if slices.ContainsFunc(all[i].Alarms, func(a alert.AlarmRef) bool { return a.Alarm == alarm.LethalLimit }) {
			got, when = append(got, all[i]), append(when, times[i])
		}
	}
	return got, when
}

// 60 °C alone among calm peers, from one moment to the next, is a broken probe:
// a notice for today, no wake.
func TestImplausibleHeat(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		cfg := roomOf(t, 4, "10 s", atOnce, "[[probe]]\nid = \"twin\"\nfamily = \"simulated\"\nplace = \"litter\"\nenclosure = \"e0001\"\n")
		all, pick := dials(cfg, 23, 85)
		l := runLab(t, cfg, dir, pick)
		time.Sleep(time.Hour)
		all["twin"].set(60, 20)
		time.Sleep(10 * time.Minute)
		synctest.Wait()
		if wakes, _ := l.box.of(alarm.Wake); len(wakes) > 0 {
			t.Errorf("one broken probe woke somebody:%s", l.box.titles())
		}
		todays, _ := l.box.of(alarm.Today)
		if !slices.ContainsFunc(todays, func(m alert.Message) bool { return m.Cause == string(alarm.CauseProbe) && m.CauseID == "twin" }) {
			t.Errorf("no notice about the probe:%s", l.box.titles())
		}
		l.stop()
	})
}

// A whole room of 48 enclosures over the lethal limit is one cause: one wake notice
// and, when it is over, one follow-up.
func TestWholeRoom_OneNoticeOneFollowUp(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		cfg := roomOf(t, 48, "10 s", atOnce)
		all, pick := dials(cfg, 24, 85)
		l := runLab(t, cfg, dir, pick)
		set := func(c float64) {
			i := 0
			for _, p := range cfg.Probes {
				i++
				all[p.ID].set(c+float64(i%5)/50, 80)
			}
		}
		for i := range 120 { // an hour of ordinary air
			set(24 + float64(i%3)/50)
			time.Sleep(30 * time.Second)
		}
		for c := 24.0; c < 30.4; c += 0.4 { // the room warms, all at once
			set(c)
			time.Sleep(30 * time.Second)
		}
		set(30.5)
		time.Sleep(12 * time.Minute) // the first crossing is told at once, the rest in an update
		synctest.Wait()
		ids, kinds := tally(l.box, alarm.Wake)
		if len(ids) != 1 || kinds[alert.FollowUp] != 0 {
			t.Errorf("the event made %d wake notices, want 1:%s", len(ids), l.box.titles())
		}
		got, _ := lethal(l.box)
		if len(got) == 0 || got[len(got)-1].Cause != string(alarm.CauseRoom) || len(got[len(got)-1].Subjects) != 48 {
			t.Fatalf("the notice is not about the room with 48 enclosures:%s", l.box.titles())
		}
		id := got[0].ID
		if err := l.command(t.Context(), alert.Command{Action: "acknowledge", Notice: id, By: "robin"}); err != nil {
			t.Errorf("acknowledge: %v", err)
		}
		for c := 30.4; c > 24; c -= 0.4 {
			set(c)
			time.Sleep(30 * time.Second)
		}
		set(24)
		time.Sleep(30 * time.Minute)
		synctest.Wait()
		followUps := 0
		for _, m := range l.box.got {
			if m.Kind == alert.FollowUp && slices.Contains(append(m.Supersedes, m.ID), id) {
				followUps++
			}
		}
		if ids, _ := tally(l.box, alarm.Wake); followUps != 1 || len(ids) != 1 {
			t.Errorf("%d follow-ups and %d wake notices, want 1 and 1:%s", followUps, len(ids), l.box.titles())
		}
		l.stop()
	})
}

// tally counts the messages of a priority by notice and by kind.
func tally(m *mailbox, p alarm.Priority) (ids map[string]int, kinds map[alert.Kind]int) {
	ids, kinds = map[string]int{}, map[alert.Kind]int{}
	got, _ := m.of(p)
	for _, g := range got {
		ids[g.ID]++
		kinds[g.Kind]++
	}
	return ids, kinds
}
