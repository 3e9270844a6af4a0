package corpus

import (
	"math"
	"math/rand/v2"
	"time"

	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// A fault is what happens to a room, and what is true of it.
type fault struct {
	from   time.Duration // since the beginning
	tanks  []int         // concerned; none for the whole room
	start  float64       // °C of the first of them when it began
	drive  func(since time.Duration, d *drive)
	sample func(probe int, since time.Duration, s *sensors.Sample) error

	want    []alarm.ID // any of these tells it
	causes  []alarm.CauseKind
	probes  []int         // subjects beside the tanks; none and no tanks for any
	due     time.Duration // from when it can be seen, since the beginning; 0 for from
	outside int           // +1: from when a tank is above its band, -1: below it
	within  time.Duration
	strict  bool // it is told only by what names its cause
	notes   bool // a note tells it too
	heat    bool // the ranges of the time left are scored
}

// A kind is one row of the table.
type kind struct {
	name   string
	by     string  // generators: p physical, s statistical, r racks, o open data, h the open house
	settle float64 // days before it
	watch  time.Duration
	build  func(*builder)
}

// A builder makes a room and its fault from one stream of chances.
type builder struct {
	kind *kind
	gen  byte
	rng  *rand.Rand
	r    *room
	f    fault
	cfg  *configs.Config
	top  float64 // °C that no tank passes, and none falls below 20; 0 for none
}

// A caseID is one line of testdata/cases.txt.
type caseID struct {
	half, kind string
	gen        byte
	seed       uint64
}

// limits are a tank's. It reads the configuration once the room is as it will be.
func (b *builder) limits(tank int) configs.Species {
	if b.cfg == nil {
		b.cfg = must(b.r.config())
	}
	return b.cfg.SpeciesFor(b.cfg.Enclosures[tank])
}

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

// at sets the fault's beginning to an hour of the day after the settling.
func (b *builder) at(hour float64) {
	b.f.from = b.days(b.kind.settle) + time.Duration(hour*float64(time.Hour)).Truncate(10*time.Second)
}

func (b *builder) days(n float64) time.Duration {
	return time.Duration(math.Floor(n)) * 24 * time.Hour
}

// minute is a minute of the day after the settling, d days later.
func (b *builder) minute(m, d int) time.Duration {
	return b.days(b.kind.settle+float64(d)) + time.Duration(m)*time.Minute
}

func (b *builder) one() int {
	i := b.rng.IntN(len(b.r.tanks))
	b.f.tanks = []int{i}
	return i
}

func (b *builder) midday() { b.at(float64(b.r.lampOn[0])/60 + between(b.rng, 3, 5)) }

func (b *builder) tell(within time.Duration, cause alarm.CauseKind, want ...alarm.ID) {
	b.f.within, b.f.want, b.f.causes = within, want, []alarm.CauseKind{cause}
}

// all makes a list of every tank.
func (b *builder) all() {
	for i := range b.r.tanks {
		b.f.tanks = append(b.f.tanks, i)
	}
}

// A loss is roughly what a physical tank loses, W/K.
func loss(litres float64) float64 { return 4.5 * math.Pow(litres/91, 0.67) }

// warmTo heats one tank towards so many °C above its lethal limit, with a lag in
// hours; a physical tank by a mat of the power that would hold it there.
func (b *builder) warmTo(i int, over, lag float64) {
	limit, f := float64(b.limits(i).Lethal), &b.f
	f.drive = func(since time.Duration, d *drive) {
		rise := max(0, limit+over-f.start)
		d.shape[i] = rise * (1 - math.Exp(-since.Hours()/lag))
		d.mat[i] = 1.25 * rise * loss(b.r.tanks[i].litres)
	}
	f.heat = true
	b.tell(0, alarm.CauseEnclosure, alarm.LethalLimit)
}

// ramp heats one tank steadily.
func (b *builder) ramp(i int, perHour float64) {
	b.f.drive = func(since time.Duration, d *drive) {
		d.shape[i] = perHour * since.Hours()
		size := math.Cbrt(math.Pow(b.r.tanks[i].litres/1000, 2))
		d.mat[i] = 1.3 * perHour / 3600 * 90e3 * size * (1 + 1.3*since.Hours())
	}
	b.f.heat = true
	b.tell(0, alarm.CauseEnclosure, alarm.LethalLimit)
}

func door(changes float64, within time.Duration) func(*builder) {
	return func(b *builder) {
		i := b.one()
		b.midday()
		b.f.drive = func(_ time.Duration, d *drive) { d.door[i] = changes }
		b.tell(within, alarm.CauseDoor, alarm.DoorAjar, alarm.HumidityFloor)
		b.f.strict = true
	}
}

// lampsStuck holds one shelf's lamps, seen from the switch that does not come.
func lampsStuck(on bool) func(*builder) {
	return func(b *builder) {
		timer := b.rng.IntN(2)
		for i := range b.r.tanks {
			if b.r.tanks[i].shelf == timer+1 {
				b.f.tanks = append(b.f.tanks, i)
			}
		}
		b.f.drive = func(_ time.Duration, d *drive) {
			for _, i := range b.f.tanks {
				d.lamps[i], d.sets[i] = on, false
			}
		}
		if on {
			b.midday()
			b.f.due = b.minute(b.r.lampTo[timer], 0)
		} else {
			b.at(2)
			b.f.due = b.minute(b.r.lampOn[timer], 0)
		}
		b.tell(2*time.Hour, alarm.CauseLamps, alarm.LampStuck)
	}
}

func timerShifted(b *builder) {
	hours := pick(b.rng, []int{-4, -3, 3, 4})
	b.all()
	b.at(0)
	b.f.drive = func(_ time.Duration, d *drive) {
		for i := range d.lamps {
			d.lamps[i] = b.r.lit(b.r.tanks[i].shelf-1, int(d.hour*60)-60*hours)
		}
	}
	b.f.due = b.minute(b.r.lampOn[0]+60*min(0, hours), 0)
	b.tell(4*time.Hour, alarm.CauseLamps, alarm.LampStuck)
}

// nozzle leaves a share of the mist of one tank, or of all.
func nozzle(share float64, everywhere bool, within time.Duration) func(*builder) {
	return func(b *builder) {
		cause := alarm.CauseEnclosure
		if everywhere {
			b.all()
			cause = alarm.CauseSupply
		} else {
			b.one()
		}
		b.at(between(b.rng, 0, 5))
		b.f.drive = func(_ time.Duration, d *drive) {
			for _, i := range b.f.tanks {
				d.spray[i] *= share
			}
		}
		b.f.due = b.minute(b.r.mist[0], 0)
		if share > 0 {
			b.tell(within, cause, alarm.MistWeak, alarm.MistMissing)
		} else {
			b.tell(within, cause, alarm.MistMissing)
		}
	}
}

func misterOn(everywhere bool) func(*builder) {
	return func(b *builder) {
		cause := alarm.CauseEnclosure
		if everywhere {
			b.all()
			cause = alarm.CauseSupply
		} else {
			b.one()
		}
		b.at(float64(b.r.mist[b.rng.IntN(2)]) / 60)
		b.f.drive = func(_ time.Duration, d *drive) {
			for _, i := range b.f.tanks {
				d.spray[i] = 1
			}
		}
		b.tell(4*time.Hour, cause, alarm.MistEndless)
	}
}

// probeDoes changes what one probe of a tank delivers.
func (b *builder) probeDoes(within time.Duration, want alarm.ID, what func(since time.Duration, s *sensors.Sample) error) {
	i := b.one()
	p := pick(b.rng, b.r.probesOf(i))
	b.f.tanks, b.f.probes = nil, []int{p}
	b.f.sample = func(j int, since time.Duration, s *sensors.Sample) error {
		if j == p {
			return what(since, s)
		}
		return nil
	}
	b.tell(within, alarm.CauseProbe, want)
}

func frozen(step float64, within time.Duration) func(*builder) {
	return func(b *builder) {
		if step > 0.01 {
			b.r.every(func(p *probe) { p.stepT, p.stepH = step, 10*step })
		}
		// Two hours before the lamps go off: the others will move.
		b.at(float64(b.r.lampTo[0])/60 - 2 + between(b.rng, 0, 1.5))
		var held *sensors.Sample
		b.probeDoes(within, alarm.ProbeFrozen, func(_ time.Duration, s *sensors.Sample) error {
			if held == nil {
				x := *s
				held = &x
			}
			*s = *held
			return nil
		})
		b.f.due = b.minute(b.r.lampTo[0], 0) // from when the others move
	}
}

func probeSilent(b *builder) {
	b.at(between(b.rng, 0, 24))
	b.probeDoes(max(10*time.Minute, 4*b.r.poll), alarm.ProbeSilent, func(time.Duration, *sensors.Sample) error {
		return sensors.Faultf(sensors.TimedOut, "no answer")
	})
}

func probeJumps(b *builder) {
	b.at(between(b.rng, 0, 24))
	b.probeDoes(30*time.Minute, alarm.ProbeJump, func(_ time.Duration, s *sensors.Sample) error {
		if b.rng.IntN(6) == 0 {
			s.Temperature += sensors.CelsiusOf(between(b.rng, -20, 12))
		}
		return nil
	})
}

func probeDrifts(b *builder) {
	b.at(12)
	b.probeDoes(7*24*time.Hour, alarm.ProbeDisagrees, func(since time.Duration, s *sensors.Sample) error {
		s.Temperature += sensors.CelsiusOf(0.5 * since.Hours() / 24)
		s.Humidity = min(10000, s.Humidity+sensors.PercentOf(since.Hours()/24))
		return nil
	})
	b.f.want = append(b.f.want, alarm.ProbeOverdue)
}

// probeInWater: the temperature of a pool, the humidity at its end.
func probeInWater(b *builder) {
	b.midday()
	var pool float64
	b.probeDoes(4*time.Hour, alarm.ProbeWet, func(_ time.Duration, s *sensors.Sample) error {
		air := s.Temperature.Celsius()
		if pool == 0 {
			pool = air - 1
		}
		pool += (air - 0.7 - pool) * b.r.poll.Hours() / 3
		s.Temperature, s.Humidity = sensors.CelsiusOf(pool), 10000
		return nil
	})
}

// probeMoved stands 2.6 °C away from the other probe of its tank: bent, or
// wrongly corrected.
func probeMoved(b *builder) {
	b.midday()
	i := 0
	if len(b.r.probesOf(i)) < 2 {
		twin := b.r.probes[b.r.probesOf(i)[0]]
		twin.id, twin.biasT = "c1", 0.05
		b.r.probes = append(b.r.probes, twin)
	}
	for _, p := range b.r.probesOf(i) {
		b.r.probes[p].place = "litter"
	}
	b.probeDoes(24*time.Hour, alarm.ProbeDisagrees, nil)
	p := b.r.probesOf(i)[1]
	b.f.probes = b.r.probesOf(i)
	b.f.sample = func(j int, _ time.Duration, s *sensors.Sample) error {
		if j == p {
			s.Temperature -= 260
		}
		return nil
	}
}

// probesSwapped change places within three minutes of silence.
func probesSwapped(b *builder) {
	b.midday()
	x, y := 0, 1+b.rng.IntN(len(b.r.tanks)-1)
	p, q := b.r.probesOf(x)[0], b.r.probesOf(y)[0]
	b.f.probes = []int{p, q}
	b.f.sample = func(j int, since time.Duration, _ *sensors.Sample) error {
		if (j == p || j == q) && since < 3*time.Minute {
			return sensors.Faultf(sensors.TimedOut, "no answer")
		}
		if j == p && b.r.probes[p].tank == x {
			b.r.probes[p].tank, b.r.probes[q].tank = y, x
		}
		return nil
	}
	b.tell(24*time.Hour, alarm.CauseProbe, alarm.ProbeDisagrees)
}
