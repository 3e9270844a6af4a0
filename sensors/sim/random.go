package sim

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"time"

	"dewline/configs"
	"dewline/sensors"
)

// randomSpecies draws one that goes with the height: those that want cooler
// nights stand low, those that want warmer ones high.
func randomSpecies(rng *rand.Rand, shelf, shelves int) string {
	fit := []string{"dendrobates-tinctorius", "dendrobates-auratus", "ranitomeya-imitator"}
	switch shelf {
	case 1:
		fit = append(fit, "phyllobates-terribilis", "epipedobates-anthonyi")
	case shelves:
		fit = append(fit, "dendrobates-leucomelas")
	}
	return fit[rng.IntN(len(fit))]
}

var randomZones = [...]string{"Europe/Berlin", "America/New_York", "Australia/Sydney", "UTC"}

// RandomRoom draws a sensible, calm room of 4 to 48 enclosures, starting at
// some hour of some day of 2026. Shelves share lamps, racks share a pump.
func RandomRoom(rng *rand.Rand) Options {
	loc, err := time.LoadLocation(randomZones[rng.IntN(len(randomZones))])
	if err != nil {
		loc = time.UTC // a board without zone files
	}
	o := Options{
		Seed:     rng.Uint64(),
		Start:    time.Date(2026, 1, 1+rng.IntN(365), rng.IntN(24), 0, 0, 0, loc),
		Location: loc,
		Climate: Climate{
			Mean: 8 + 8*rng.Float64(), YearSwing: 6 + 5*rng.Float64(), DaySwing: 3 + 4*rng.Float64(),
		},
		House: House{
			Tau:      time.Duration((6 + 10*rng.Float64()) * float64(time.Hour)),
			LampGain: 2 + 4*rng.Float64(), OtherGain: 2 + 4*rng.Float64(),
			NightSet: 20.3, Humidity: 45 + 10*rng.Float64(), ShelfStep: 0.15 + 0.07*rng.Float64(),
		},
	}
	if strings.HasPrefix(loc.String(), "Australia/") {
		o.Climate.YearSwing *= -1
	}
	racks, shelves, slots := 1+rng.IntN(4), 2+rng.IntN(2), 2+rng.IntN(3)
	lampsOn := 6*60 + 30*rng.IntN(6)
	day := 11*60 + 30*rng.IntN(4)
	o.House.Day = span(lampsOn-60, lampsOn+day)
	for rack := range racks {
		o.addRandomRack(rng, string(rune('a'+rack)), shelves, slots, span(lampsOn, lampsOn+day))
	}
	o.Probes = append(o.Probes, Probe{ID: "room", Place: configs.InRoom})
	return o
}

func (o *Options) addRandomRack(rng *rand.Rand, rack string, shelves, slots int, on configs.ClockSpan) {
	morning := on.From + configs.ClockTime(15+rng.IntN(60))
	evening := on.To - configs.ClockTime(60+rng.IntN(90))
	o.Mists = append(o.Mists, Mist{
		Mist:  configs.Mist{ID: "mist-" + rack, Times: []configs.ClockTime{morning, evening}},
		Pulse: time.Duration(60+10*rng.IntN(7)) * time.Second,
	})
	litres := []configs.Litres{60, 91, 91, 162}[rng.IntN(4)]
	for shelf := 1; shelf <= shelves; shelf++ {
		lamps := fmt.Sprintf("lamps-%s%d", rack, shelf)
		o.Lamps = append(o.Lamps, configs.Lamps{ID: lamps, On: on})
		for slot := 1; slot <= slots; slot++ {
			id := fmt.Sprintf("%s%d%d", rack, shelf, slot)
			o.Enclosures = append(o.Enclosures, Enclosure{Enclosure: configs.Enclosure{
				ID: id, Rack: rack, Shelf: shelf, Slot: slot, Volume: litres,
				Species: randomSpecies(rng, shelf, shelves),
				Stage:   configs.Adult, Lamps: lamps, Mist: "mist-" + rack,
			}})
			o.addRandomProbes(rng, id)
		}
	}
}

// addRandomProbes hangs a litter probe and, in two of three tanks, one at the
// canopy, each with the flaws of an ordinary part.
func (o *Options) addRandomProbes(rng *rand.Rand, tank string) {
	places := []configs.Place{configs.Litter, configs.Canopy}
	if rng.IntN(3) == 0 {
		places = places[:1]
	}
	for _, place := range places {
		o.Probes = append(o.Probes, Probe{
			ID: sensors.ProbeID(tank + "-" + string(place)), Enclosure: tank, Place: place,
			Lag:        time.Duration(8+rng.IntN(40)) * time.Second,
			TempOffset: 0.1 * rng.NormFloat64(), HumOffset: max(-1.5, min(1.5, rng.NormFloat64())),
			HumCreep: 1.5 * rng.Float64(),
		})
	}
}

// RandomFault draws one fault that can befall the room, beginning at from and
// lasting until repaired. Every kind but HotSpell and DoorOpened is as likely
// as any other that the room has a target for; heating fails only where it is
// needed.
func RandomFault(rng *rand.Rand, o Options, from time.Time) Fault {
	for {
		k := Kind(1 + rng.IntN(int(numKinds)-1))
		if k == HotSpell || k == DoorOpened || k == HeatingFailure && !o.needsHeat(from) {
			continue
		}
		if on, ok := randomTarget(rng, o, k); ok {
			return Fault{Kind: k, On: on, From: from, Amount: randomAmount(rng, k)}
		}
	}
}

// needsHeat reports whether the day's mean, with what warms the room, leaves
// something for the heating to do.
func (o Options) needsHeat(at time.Time) bool {
	o = o.withDefaults()
	w := newWeather(o.Climate, o.Seed, o.Location, o.Start)
	day := (at.Unix() + w.offset) / secondsPerDay
	return w.dayMean(day)+o.House.OtherGain < o.House.NightSet-4
}

// randomAmount varies what has a natural spread.
func randomAmount(rng *rand.Rand, k Kind) float64 {
	switch k {
	case NozzleClogged:
		return []float64{0, 0, 0.15, 0.25}[rng.IntN(4)]
	case ProbeJump, ProbeDisagrees:
		sign := float64(1 - 2*rng.IntN(2))
		return sign * kinds[k].amount * (0.8 + 0.6*rng.Float64())
	default:
		return kinds[k].amount * (0.8 + 0.5*rng.Float64())
	}
}

// randomTarget picks something that the kind can befall, if there is any.
func randomTarget(rng *rand.Rand, o Options, k Kind) (Target, bool) {
	var all []Target
	switch kinds[k].needs {
	case theRoom:
		return Target{}, true
	case lampsShelfOrTank:
		for _, l := range o.Lamps {
			all = append(all, Target{Lamps: l.ID})
		}
		all = append(all, tanksOf(o)...)
	case oneTank:
		all = tanksOf(o)
	case supplyOrTank:
		all = append(suppliesOf(o), tanksOf(o)...)
	case oneSupply:
		all = suppliesOf(o)
	case oneProbe:
		for _, p := range o.Probes {
			if p.Enclosure != "" && (k != ProbePinnedWet || !p.NoHumidity) {
				all = append(all, Target{Probe: p.ID})
			}
		}
	case twoProbes:
		all = swapsOf(rng, o)
	}
	if len(all) == 0 {
		return Target{}, false
	}
	return all[rng.IntN(len(all))], true
}

func tanksOf(o Options) []Target {
	var all []Target
	for _, e := range o.Enclosures {
		all = append(all, Target{Enclosure: e.ID})
	}
	return all
}

func suppliesOf(o Options) []Target {
	var all []Target
	for _, m := range o.withDefaults().Mists {
		all = append(all, Target{Supply: m.Supply})
	}
	return all
}

// swapsOf returns one pair of probes in different tanks, if there is one.
func swapsOf(rng *rand.Rand, o Options) []Target {
	for range 64 {
		if len(o.Probes) < 2 {
			break
		}
		a, b := o.Probes[rng.IntN(len(o.Probes))], o.Probes[rng.IntN(len(o.Probes))]
		if a.Enclosure != b.Enclosure && a.Enclosure != "" && b.Enclosure != "" {
			return []Target{{Probe: a.ID, Other: b.ID}}
		}
	}
	return nil
}
