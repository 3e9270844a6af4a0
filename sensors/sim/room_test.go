package sim

import (
	"fmt"
	"hash/fnv"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"
	"time"

	"dewline/configs"
	"dewline/sensors"
)

// digest runs a room for a while and boils every sample down to one number.
func digest(r *Room, polls int, poll func(r *Room)) uint64 {
	sum := fnv.New64a()
	for range polls {
		poll(r)
		for i := range r.probes {
			s, err := r.Sample(r.probes[i].ID)
			fmt.Fprintln(sum, s, err)
		}
	}
	return sum.Sum64()
}

func tenSeconds(r *Room) { r.Advance(10 * time.Second) }

// One seed is one room, to the last digit, and however time is cut up.
func TestOneSeedOneRoom(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	o := RandomRoom(rng)
	faults := []Fault{
		RandomFault(rng, o, o.Start.Add(time.Hour)),
		RandomFault(rng, o, o.Start.Add(2*time.Hour)),
	}
	run := func(seed uint64, poll func(*Room)) uint64 {
		o := o
		o.Seed = seed
		r := mustNew(t, o)
		mustInject(t, r, faults...)
		return digest(r, 6*60*2, poll)
	}
	want := run(o.Seed, tenSeconds)
	for name, poll := range map[string]func(*Room){
		"again": tenSeconds,
		"in odd pieces": func(r *Room) {
			for _, ms := range []time.Duration{1, 3333, 4000, 2666} {
				r.Advance(ms * time.Millisecond)
			}
			r.Advance(-time.Hour)
		},
		"by wall time": func(r *Room) {
			r.AdvanceTo(r.Now().Add(10 * time.Second))
			r.AdvanceTo(r.Now().Add(-time.Minute))
		},
	} {
		if got := run(o.Seed, poll); got != want {
			t.Errorf("%s: another room", name)
		}
	}
	if run(o.Seed+1, tenSeconds) == want {
		t.Error("another seed gives the same room")
	}
}

// A clone goes on as the original does, and leaves it alone.
func TestClone(t *testing.T) {
	r := mustNew(t, testRoom(6, julyAt(8, 0)))
	mustInject(t, r, Fault{Kind: NozzleClogged, On: Target{Enclosure: "ab"}, From: julyAt(8, 10)})
	r.Advance(20*time.Minute + 3*time.Second)
	ahead := r.Clone()
	mustInject(t, ahead.Clone(), Fault{Kind: PowerCut, From: julyAt(8, 0)})
	want := digest(ahead, 2000, tenSeconds)
	if got := digest(r, 2000, tenSeconds); got != want {
		t.Error("original and clone part")
	}
}

// Several goroutines may use one room: the race detector watches.
func TestConcurrentUse(t *testing.T) {
	r := mustNew(t, testRoom(4, julyAt(8, 0)))
	var all sync.WaitGroup
	for i := range 4 {
		all.Go(func() {
			id := r.probes[i].ID
			for range 200 {
				r.Advance(MaxStep)
				if _, err := r.Sample(id); err != nil {
					t.Error(err)
				}
				r.Truth("aa")
				if i == 0 {
					mustInject(t, r, Fault{Kind: DoorOpened, On: Target{Enclosure: "aa"}, From: r.Now()})
				}
			}
		})
	}
	all.Wait()
	if got := r.Now(); !got.Equal(julyAt(8, 0).Add(800 * MaxStep)) {
		t.Errorf("now %s", got)
	}
}

func TestSample(t *testing.T) {
	r := mustNew(t, testRoom(1, julyAt(8, 0)))
	now := julyAt(9, 0)
	r.AdvanceTo(now)
	got, err := r.Sample("aa-litter")
	if err != nil || got.Has != sensors.HasTemperature|sensors.HasHumidity {
		t.Fatalf("%+v, %v", got, err)
	}
	if !r.Now().Equal(now) {
		t.Errorf("the room is at %s, want %s", r.Now(), now)
	}
	tr := truth(t, r, "aa")
	within(t, "litter", got.Temperature.Celsius(), tr.Litter, 0.15)
	within(t, "humidity", got.Humidity.Percent(), tr.Humidity, 1)
	if _, err := r.Sample("none"); sensors.ReasonOf(err) != sensors.BusError {
		t.Errorf("no such probe: %v", err)
	}
}

// pulses returns the local times at which mist begins, and the hours of lamps,
// from start for some days.
func pulses(t *testing.T, o Options, days int) (list []string, lit map[string]int) {
	r := mustNew(t, o)
	lit = make(map[string]int)
	was := truth(t, r, "aa").Misting
	for range days * 24 * 60 * 2 {
		r.Advance(30 * time.Second)
		now := truth(t, r, "aa")
		if now.Misting && !was {
			list = append(list, r.Now().Add(-30*time.Second).Truncate(time.Minute).Format("01-02 15:04"))
		}
		was = now.Misting
		if now.LampsOn {
			lit[r.Now().Format("01-02")]++
		}
	}
	return list, lit
}

// Timers keep local time across both changes of the clocks: Berlin skipped
// 02:00–03:00 on 29 March 2026 and had it twice on 25 October (IANA time zone
// database). A skipped pulse comes right after, a repeated one comes once.
func TestClockChanges(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Skip("no zone files here:", err)
	}
	for _, c := range []struct {
		start time.Time
		want  string
	}{
		{time.Date(2026, 3, 28, 12, 0, 0, 0, berlin),
			"03-28 19:00, 03-29 03:00, 03-29 07:00, 03-29 19:00, 03-30 02:30, 03-30 07:00"},
		{time.Date(2026, 10, 24, 12, 0, 0, 0, berlin),
			"10-24 19:00, 10-25 02:30, 10-25 07:00, 10-25 19:00, 10-26 02:30, 10-26 07:00"},
	} {
		o := testRoom(1, c.start)
		o.Mists[0].Times = []configs.ClockTime{2*60 + 30, 7 * 60, 19 * 60}
		list, lit := pulses(t, o, 2)
		if got := strings.Join(list, ", "); got != c.want {
			t.Errorf("from %s:\ngot  %s\nwant %s", c.start, got, c.want)
		}
		change := c.start.AddDate(0, 0, 1).Format("01-02")
		if got := lit[change] / 120; got != 12 {
			t.Errorf("lamps on for %d h on %s", got, change)
		}
	}
}

// A photoperiod may cross midnight.
func TestLampsAcrossMidnight(t *testing.T) {
	o := testRoom(1, julyAt(12, 0))
	o.Lamps[0].On = span(22*60, 6*60)
	r := mustNew(t, o)
	for hour := 12; hour < 36; hour++ {
		r.Advance(30 * time.Minute)
		want := hour%24 >= 22 || hour%24 < 6
		if got := truth(t, r, "aa").LampsOn; got != want {
			t.Errorf("%02d:30: lamps on %v", hour%24, got)
		}
		r.Advance(30 * time.Minute)
	}
}

// References that lead nowhere are all named.
func TestNewRefuses(t *testing.T) {
	_, err := New(Options{
		Enclosures: []Enclosure{{Enclosure: configs.Enclosure{ID: "a", Lamps: "x", Mist: "y"}}},
		Probes:     []Probe{{ID: "p", Enclosure: "z"}},
	})
	const want = "simulated room: enclosure \"a\": no lamps \"x\"\nenclosure \"a\": no mist \"y\"\n" +
		"probe \"p\": no enclosure \"z\"\nno start time"
	if err == nil || err.Error() != want {
		t.Errorf("got  %v\nwant %s", err, want)
	}
}

// A shorter step changes the climate only by rounding.
func TestShorterStep(t *testing.T) {
	long := testRoom(3, julyAt(7, 0))
	short := long
	short.Step = 2 * time.Second
	a, b := mustNew(t, long), mustNew(t, short)
	a.Advance(12 * time.Hour)
	b.Advance(12 * time.Hour)
	x, y := truth(t, a, "ac"), truth(t, b, "ac")
	within(t, "litter", x.Litter, y.Litter, 0.1)
	within(t, "humidity", x.Humidity, y.Humidity, 0.5)
}

// The weather has its seasons, its days and its own mind.
func TestWeather(t *testing.T) {
	c := Climate{Mean: 10, YearSwing: 9, DaySwing: 5, WeatherSigma: 2, DewPoint: 6}
	w := newWeather(c, 9, time.UTC, julyAt(0, 0))
	mean := func(at time.Time, days int) (sum float64) {
		for hour := range days * 24 {
			temp, _ := w.at(float64(at.Add(time.Duration(hour) * time.Hour).Unix()))
			sum += temp / float64(days*24)
		}
		return sum
	}
	within(t, "July", mean(time.Date(2026, 7, 9, 0, 0, 0, 0, time.UTC), 30), 19, 2.5)
	within(t, "January", mean(time.Date(2026, 1, 9, 0, 0, 0, 0, time.UTC), 30), 1, 2.5)
	noon, dew := w.at(float64(julyAt(15, 0).Unix()))
	dawn, _ := w.at(float64(julyAt(3, 0).Unix()))
	if swing := noon - dawn; swing < 7 || swing > 13 {
		t.Errorf("a day swings by %.1f °C", swing)
	}
	if dew >= dawn+2 {
		t.Errorf("dew point %.1f, dawn %.1f °C", dew, dawn)
	}
	last, _ := w.at(float64(julyAt(0, 0).Unix()))
	for minute := range 3 * 1440 {
		temp, _ := w.at(float64(julyAt(0, minute).Unix()))
		if d := temp - last; d > 0.1 || d < -0.1 {
			t.Fatalf("a jump of %.2f °C at minute %d", d, minute)
		}
		last = temp
	}
}

// AdvanceTo moves the room on to wall time t; a time in the past does nothing.
func (r *Room) AdvanceTo(t time.Time) {
	r.Advance(t.Sub(r.Now()))
}
