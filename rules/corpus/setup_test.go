// Package corpus judges the rules in rooms that share no equation with the
// simulated room of sensors/sim: a physical one that is solved implicitly, a
// statistical one without physics, and measured open data. Each case is a room
// with a seed, a fault and its truth. It holds tests only; see TestTable.
package corpus

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"time"

	"dewline/configs"
	"dewline/sensors/table"
)

// A tank is one enclosure as its keeper set it up.
type tank struct {
	id, species string
	shelf, slot int
	litres      float64
	watts       float64 // of lamps that end as heat in it
	changes     float64 // of air an hour
	lush        float64 // share of its floor that is wet moss
}

// A probe and its ordinary flaws; temperatures in °C, humidities in %.
type probe struct {
	id     string
	tank   int // -1: in the room
	place  string
	buried bool // lies in wet substrate
	twinOf int  // delivers that probe's samples, -1 for none
	flaw
}

type flaw struct {
	sdT, sdH     float64
	stepT, stepH float64 // of its figures
	biasT, biasH float64
	tail         float64 // chance that a sample's noise is five times as large
	loss         float64 // share of readings that never come
}

// A room is what both generators are told: the layout, the timers and the house.
type room struct {
	begin  time.Time // local midnight
	poll   time.Duration
	jitter float64 // share of the poll by which a reading may come late
	lampOn [2]int  // minutes of the local day, of each shelf's timer
	lampTo [2]int
	mist   []int // minutes of the local day
	pulse  time.Duration
	tanks  []tank
	probes []probe

	outdoors, swing, weather float64 // °C: mean, half of the day's range, spread
	daySet, nightSet         float64 // °C of the thermostat
	openings                 float64 // of each door, a day
	evening                  float64 // °C that the room gains towards 21:00
	rackSetup
	house *household // of a plain room, else nil
}

var (
	// An ordinary room keeps what its climate suits; a mixed one does not.
	speciesList = []string{"dendrobates-tinctorius", "dendrobates-auratus", "ranitomeya-imitator"}
	mixedList   = []string{"dendrobates-tinctorius", "dendrobates-auratus", "ranitomeya-imitator", "dendrobates-leucomelas", "epipedobates-anthonyi", "oophaga-pumilio"}
	litreList   = []float64{40, 91, 91, 162, 243}
	pollList    = []time.Duration{10 * time.Second, 20 * time.Second, 30 * time.Second, 60 * time.Second}
)

func pick[T any](rng *rand.Rand, list []T) T { return list[rng.IntN(len(list))] }

func between(rng *rand.Rand, low, high float64) float64 { return low + (high-low)*rng.Float64() }

// newRoom draws a healthy room in a mild season.
func newRoom(rng *rand.Rand) *room {
	on, long := 60*(7+rng.IntN(3)), 60*(11+rng.IntN(3))
	r := &room{
		begin: time.Date(2026, time.May, 4+rng.IntN(20), 0, 0, 0, 0, time.UTC), poll: pick(rng, pollList),
		lampOn: [2]int{on, on}, lampTo: [2]int{on + long, on + long},
		mist: []int{on + 15, on + long - 45}, pulse: time.Duration(6+rng.IntN(4)) * 10 * time.Second,
		outdoors: between(rng, 11, 16), swing: between(rng, 3, 6), weather: between(rng, 0.5, 2),
		daySet: between(rng, 20.6, 21.6), nightSet: between(rng, 19.2, 20.0), openings: between(rng, 0.5, 2),
	}
	n := 4 + rng.IntN(3)
	for i := range n {
		k := tank{id: fmt.Sprintf("t%d", i+1), species: pick(rng, speciesList), shelf: 1 + i%2, slot: 1 + i/2, litres: pick(rng, litreList)}
		k.watts = between(rng, 0.8, 1.2) * usualWatts(k.litres)
		k.changes, k.lush = between(rng, 2, 5), between(rng, 1.2, 1.7)
		r.tanks = append(r.tanks, k)
	}
	noise := flaw{sdT: between(rng, 0.01, 0.05), sdH: between(rng, 0.05, 0.5), stepT: 0.01, stepH: 0.01, tail: between(rng, 0, 0.01)}
	r.probes = append(r.probes, probe{id: "room", tank: -1, place: "room", twinOf: -1, flaw: noise})
	for i := range n {
		p := probe{id: fmt.Sprintf("p%d", i+1), tank: i, place: "litter", twinOf: -1, flaw: noise}
		p.biasT, p.biasH = 0.1*rng.NormFloat64(), 1*rng.NormFloat64()
		r.probes = append(r.probes, p)
		if rng.IntN(3) == 0 {
			p.id, p.place = fmt.Sprintf("c%d", i+1), "canopy"
			p.biasT, p.biasH = 0.1*rng.NormFloat64(), 1*rng.NormFloat64()
			r.probes = append(r.probes, p)
		}
	}
	return r
}

// usualWatts warm a tank by some 2.5 °C.
func usualWatts(litres float64) float64 { return 20 * litres / 91 * (1 - litres/700) }

// probesOf are the probes in one tank.
func (r *room) probesOf(tank int) (list []int) {
	for i := range r.probes {
		if r.probes[i].tank == tank {
			list = append(list, i)
		}
	}
	return list
}

// every changes all probes alike.
func (r *room) every(change func(*probe)) {
	for i := range r.probes {
		change(&r.probes[i])
	}
}

func clock(minutes int) string {
	return fmt.Sprintf("%02d:%02d", minutes/60%24, minutes%60)
}

// config writes the room as its keeper would and reads it like any other.
func (r *room) config() (*configs.Config, error) {
	var b strings.Builder
	fmt.Fprintf(&b, "[room]\nid = \"r\"\nname = \"Room\"\ntimezone = %q\npoll = \"%d s\"\n", r.begin.Location(), int(min(r.poll, 10*time.Minute).Seconds()))
	for i := range r.lampOn {
		fmt.Fprintf(&b, "[[lamps]]\nid = \"lamps-%d\"\non = \"%s-%s\"\n", i+1, clock(r.lampOn[i]), clock(r.lampTo[i]))
	}
	times := make([]string, len(r.mist))
	for i, m := range r.mist {
		times[i] = fmt.Sprintf("%q", clock(m))
	}
	if len(times) > 0 {
		fmt.Fprintf(&b, "[[mist]]\nid = \"mist\"\nsupply = \"pump\"\ntimes = [%s]\n", strings.Join(times, ", "))
	}
	for _, k := range r.tanks {
		fmt.Fprintf(&b, "[[enclosure]]\nid = %q\nname = %q\nrack = \"a\"\nshelf = %d\nslot = %d\nspecies = %q\nstage = \"adult\"\nvolume = \"%d L\"\n",
			k.id, "Tank "+k.id, k.shelf, k.slot, k.species, int(k.litres))
		if r.lampTo[0] > 0 && !r.unplanned {
			fmt.Fprintf(&b, "lamps = \"lamps-%d\"\n", 1+r.timer(k.shelf))
		}
		if len(times) > 0 {
			b.WriteString("mist = \"mist\"\n")
		}
	}
	for _, p := range r.probes {
		fmt.Fprintf(&b, "[[probe]]\nid = %q\nfamily = \"simulated\"\nplace = %q\n", p.id, p.place)
		if p.tank >= 0 {
			fmt.Fprintf(&b, "enclosure = %q\n", r.tanks[p.tank].id)
		}
	}
	return table.Decode("corpus.toml", []byte(b.String()))
}

// A drive is what timers, hands and faults make of the room at one moment.
type drive struct {
	at                   time.Duration // since the beginning
	hour                 float64       // of the local day
	lamps                []bool        // by tank
	sets                 []bool        // by tank, its lamps are on their way down
	spray                []float64     // by tank, share of a clean nozzle's flow
	door                 []float64     // by tank, air changes an hour through it
	mat                  []float64     // by tank, W of heat from below
	shape                []float64     // by tank, °C put onto the air of a statistical room
	moist                []float64     // by tank, % that the humidity is held at; 0 for none
	noCooling, noHeating bool
	hotter               float64 // °C outdoors
}

// drives is what timers and hands alone do, without a fault.
type drives struct {
	r     *room
	rng   *rand.Rand
	until []time.Duration // each door is open until then
	d     drive
}

func newDrives(r *room, rng *rand.Rand) *drives {
	n := len(r.tanks)
	return &drives{r: r, rng: rng, until: make([]time.Duration, n), d: drive{
		lamps: make([]bool, n), sets: make([]bool, n), spray: make([]float64, n), door: make([]float64, n), mat: make([]float64, n),
		shape: make([]float64, n), moist: make([]float64, n),
	}}
}

// to moves on to a time; step is how long it holds.
func (s *drives) to(at, step time.Duration) *drive {
	r, d := s.r, &s.d
	now := r.begin.Add(at)
	h, m, sec := now.Clock()
	seconds := 3600*h + 60*m + sec
	d.at, d.hour, d.noCooling, d.noHeating, d.hotter = at, float64(seconds)/3600, false, false, 0
	spray := 0.0
	for _, m := range r.mist {
		if since := seconds - 60*m; since >= 0 && since < int(r.pulse.Seconds()) && now.Add(-time.Hour).Hour() != h {
			spray = 1
		}
	}
	for i := range r.tanks {
		k := &r.tanks[i]
		minute := h*60 + m
		d.lamps[i] = r.lit(r.timer(k.shelf), minute)
		d.sets[i] = !r.lit(r.timer(k.shelf), minute+int(r.rise.Minutes()))
		d.spray[i], d.door[i], d.mat[i], d.shape[i], d.moist[i] = spray, 0, 0, 0, 0
		if d.hour > 9 && d.hour < 20 && s.rng.Float64() < r.openings/11*step.Hours() {
			s.until[i] = at + time.Duration(between(s.rng, 20, 240))*time.Second
		}
		if at < s.until[i] {
			d.door[i] = 150
		}
	}
	return d
}

func (r *room) lit(timer, minute int) bool {
	return minute >= r.lampOn[timer] && minute < r.lampTo[timer] && (r.breakAt == 0 || minute < r.breakAt || minute >= r.breakAt+60)
}

// timer is that of a shelf.
func (r *room) timer(shelf int) int {
	if r.oneTimer {
		return 0
	}
	return (shelf - 1) % len(r.lampOn)
}
