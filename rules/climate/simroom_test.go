package climate

import (
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"testing"
	"time"

	"dewline/configs"
	"dewline/sensors"
	"dewline/sensors/simroom"
)

// rooms returns how many random rooms to score on: a few by default, more
// with DEWLINE_ROOMS=500 go test ./rules/climate -run SimulatedRooms -v -timeout 60m
func rooms(t *testing.T, few int) int {
	t.Helper()
	n, err := strconv.Atoi(os.Getenv("DEWLINE_ROOMS"))
	if err != nil {
		return few
	}
	return n
}

const simStep = 30 * time.Second

// station is one enclosure of a simulated room with the estimators on it.
type station struct {
	id      string
	probe   sensors.ProbeID
	offset  float64 // of the probe, taken off as calibration would
	lamps   configs.ClockSpan
	thermal *Thermal
	trend   Trend
	mist    MistDetector
	air     float64
	rh      float64
	has     bool
}

// lab runs a simulated room and feeds its stations.
type lab struct {
	room      *simroom.Room
	start     time.Time
	at        time.Duration
	stations  []*station
	roomTemp  float64
	hasRoom   bool
	roomTrend Trend
}

// newLab trims a random room to a few enclosures: the estimators look at one
// at a time, and it is the physics that takes the time.
func newLab(t testing.TB, rng *rand.Rand, keep int) *lab {
	t.Helper()
	o := simroom.RandomRoom(rng)
	o.Enclosures = o.Enclosures[:min(keep, len(o.Enclosures))]
	in := func(id string) bool {
		return id == "" || slices.ContainsFunc(o.Enclosures, func(e simroom.Enclosure) bool { return e.ID == id })
	}
	o.Probes = slices.DeleteFunc(o.Probes, func(p simroom.Probe) bool { return !in(p.Enclosure) })
	room, err := simroom.New(o)
	if err != nil {
		t.Fatal(err)
	}
	l := &lab{room: room, start: room.Now()}
	for _, e := range o.Enclosures {
		s := &station{id: e.ID, thermal: NewThermal(e.Litres)}
		for _, lamps := range o.Lamps {
			if lamps.ID == e.Lamps {
				s.lamps = lamps.On
			}
		}
		for _, p := range o.Probes {
			if p.Enclosure == e.ID && p.Place == configs.Litter {
				s.probe, s.offset = p.ID, p.TempOffset
			}
		}
		l.stations = append(l.stations, s)
	}
	return l
}

func (l *lab) hour() float64 {
	now := l.room.Now()
	return float64(now.Hour()) + float64(now.Minute())/60 + float64(now.Second())/3600
}

func spanOn(s configs.ClockSpan, hour float64) bool {
	minute := configs.ClockTime(hour * 60)
	if s.From <= s.To {
		return minute >= s.From && minute < s.To
	}
	return minute >= s.From || minute < s.To
}

// changes returns the coming switches of a photoperiod.
func changes(s configs.ClockSpan, hour float64) []time.Duration {
	var all []time.Duration
	for _, edge := range []configs.ClockTime{s.From, s.To} {
		ahead := math.Mod(float64(edge)/60-hour+48, 24)
		if d := fromHours(ahead); d > 0 && d <= Horizon {
			all = append(all, d)
		}
	}
	slices.Sort(all)
	return all
}

// step moves on by simStep and feeds every estimator.
func (l *lab) step(t testing.TB) {
	t.Helper()
	l.room.Advance(simStep)
	l.at += simStep
	hour := l.hour()
	if s, err := l.room.Sample("room"); err == nil {
		l.roomTemp, l.hasRoom = s.Temperature.Celsius(), true
		l.roomTrend.Observe(l.at, l.roomTemp)
	}
	for _, s := range l.stations {
		got, err := l.room.Sample(s.probe)
		if s.has = err == nil; !s.has {
			continue
		}
		s.air, s.rh = got.Temperature.Celsius()-s.offset, min(max(got.Humidity.Percent(), 0), 100)
		s.trend.Observe(l.at, s.air)
		s.mist.Observe(l.at, s.air, s.rh)
		since, misted := s.mist.Since(l.at)
		lamps := LampsOff
		if spanOn(s.lamps, hour) {
			lamps = LampsOn
		}
		s.thermal.Observe(ThermalReading{
			At: l.at, Air: s.air, Room: l.roomTemp, HasRoom: l.hasRoom, Lamps: lamps, Hour: hour,
			Exclude: misted && since < 20*time.Minute,
		})
		if l.at%(24*time.Hour) == 0 {
			s.thermal.Refit()
		}
	}
}

func (l *lab) run(t testing.TB, d time.Duration) {
	t.Helper()
	for end := l.at + d; l.at < end; {
		l.step(t)
	}
}

// outlook is what the engine would know now.
func (l *lab) outlook(s *station, ceiling float64) Outlook {
	hour := l.hour()
	o := Outlook{
		At: l.at, Air: s.air, Room: l.roomTemp, HasRoom: l.hasRoom,
		LampsOn: spanOn(s.lamps, hour), LampChanges: changes(s.lamps, hour),
		BandTop: ceiling - 4, Ceiling: ceiling,
	}
	o.Trend, o.HasTrend = s.trend.Slope()
	o.RoomTrend, o.HasRoomTrend = l.roomTrend.Slope()
	return o
}

// A tally scores times to the ceiling.
type tally struct {
	asked, unknown, inside int
	errors                 []float64 // |mid − truth| / truth
	width                  []float64 // (to − from) / truth
}

func (y *tally) median() float64 { return median(slices.Clone(y.errors)) }

// asked holds forecasts until the truth is known.
type asked struct {
	at  time.Duration
	eta [len(ceilings)]Eta
}

var ceilings = [...]float64{29, 30, 31, 32, 33, 34, 35}

// heatFaults are what makes an enclosure too warm.
func heatFault(rng *rand.Rand, l *lab, s *station) []simroom.Fault {
	from := l.room.Now()
	hot := simroom.Fault{Kind: simroom.HotSpell, From: from, Amount: 10 + 10*rng.Float64()}
	switch rng.IntN(3) {
	case 0:
		return []simroom.Fault{hot, {Kind: simroom.ACFailure, From: from}}
	case 1:
		return []simroom.Fault{{Kind: simroom.HeaterStuckOn, From: from, On: simroom.Target{Enclosure: s.id}, Amount: 20 + 40*rng.Float64()}}
	default:
		return []simroom.Fault{{Kind: simroom.ACFailure, From: from}, {Kind: simroom.RoomHeatStuckOn, From: from}}
	}
}

// score lets a fault act for half a day, asks every five minutes, and marks
// what was said while 20 to 90 minutes were left.
func (l *lab) score(t testing.TB, s *station, y *tally) {
	t.Helper()
	var said []asked
	var crossed [len(ceilings)]time.Duration
	for i, c := range ceilings {
		if truth, _ := l.room.Truth(s.id); truth.Litter >= c-0.5 {
			crossed[i] = -1 // no warning was possible
		}
	}
	for end := l.at + 12*time.Hour; l.at < end; {
		l.step(t)
		truth, _ := l.room.Truth(s.id)
		for i, c := range ceilings {
			if crossed[i] == 0 && truth.Litter >= c {
				crossed[i] = l.at
			}
		}
		if l.at%(5*time.Minute) != 0 {
			continue
		}
		a := asked{at: l.at}
		for i, c := range ceilings {
			if f, ok := s.thermal.Forecast(l.outlook(s, c)); ok {
				a.eta[i] = f.Ceiling
			}
		}
		said = append(said, a)
	}
	for _, a := range said {
		for i := range ceilings {
			left := crossed[i] - a.at
			if left < 20*time.Minute || left > 90*time.Minute {
				continue
			}
			y.mark(a.eta[i], left)
			if os.Getenv("DBG") != "" {
				e := a.eta[i]
				since := a.at - (l.at - 12*time.Hour)
				side := "in"
				if !e.Known { side = "unknown" } else if left < e.From { side = "early" } else if left > e.To { side = "late" }
				t.Logf("DBG %v %s since=%.0f left=%.0f from=%.0f mid=%.0f to=%.0f", s.thermal.Fit().Learned, side, since.Minutes(), left.Minutes(), e.From.Minutes(), e.Mid.Minutes(), e.To.Minutes())
			}
		}
	}
}

func (y *tally) mark(e Eta, left time.Duration) {
	y.asked++
	if !e.Known {
		y.unknown++
		return
	}
	if e.From <= left && left <= e.To {
		y.inside++
	}
	y.errors = append(y.errors, math.Abs(float64(e.Mid-left))/float64(left))
	y.width = append(y.width, float64(e.To-e.From)/float64(left))
}

func TestTimeToCeilingInSimulatedRooms(t *testing.T) {
	var prior, learned tally
	n := rooms(t, 24)
	refused := map[Refusal]int{}
	for seed := range n {
		rng := rand.New(rand.NewPCG(uint64(seed), 20))
		l := newLab(t, rng, 2)
		days := 4
		y := &learned
		if seed%3 == 0 {
			days, y = 0, &prior
		}
		l.run(t, time.Duration(days)*24*time.Hour+time.Duration(1+rng.IntN(23))*time.Hour)
		s := l.stations[0]
		if days > 0 {
			clone := *s.thermal
			refused[clone.Refit()]++
		}
		if days > 0 && !s.thermal.Fit().Learned {
			y = &prior
		}
		rngFault := heatFault(rng, l, s)
		if err := l.room.Inject(rngFault...); err != nil {
			t.Fatal(err)
		}
		if os.Getenv("DBG") != "" { t.Logf("ROOM %d fault %v fit %+v", seed, rngFault, s.thermal.Fit()) }
		l.score(t, s, y)
	}
	t.Logf("%d rooms; last refits: %v", n, refused)
	for name, y := range map[string]*tally{"priors": &prior, "learned": &learned} {
		known := len(y.errors)
		t.Logf("%s: %d asked, %d unknown, inside %.1f %%, median error %.1f %%, median width %.0f %% of the time left",
			name, y.asked, y.unknown, 100*float64(y.inside)/float64(max(1, known)), 100*y.median(), 100*median(slices.Clone(y.width)))
	}
}
