package configs

import (
	"fmt"
	"math"

	"dewline/configs/unit"
)

// No lethal limit may be hotter. A design judgement: those of the species table end
// at 31 °C, and a number meant in °F is far above.
const hottestLethal Celsius = 36

// size refuses a room whose readings no record keeps.
func (k racks) size() {
	n, poll := len(k.c.Probes), k.c.Room.Poll
	if n > MostProbes {
		k.item("probe", MostProbes).refuse("", "share them out to two boards",
			"the file has %d probes, more than the %d that one dewline records", n, MostProbes)
		return
	}
	if rate := float64(n) / poll.D().Seconds(); rate > MostReadingsPerSecond {
		least := (n + MostReadingsPerSecond - 1) / MostReadingsPerSecond
		k.section("room").refuse("poll", fmt.Sprintf("poll every %s or slower", Duration(least)*second),
			"%d probes every %s are more than the %d readings a second that one dewline records", n, poll, MostReadingsPerSecond)
	}
}

// effective checks the limits in force in an enclosure, wherever they were written.
// What is wrong in the species' own section was told there.
func (k racks) effective(t *Section, e Enclosure) {
	s, whose := k.c.SpeciesFor(e), fmt.Sprintf("enclosure %q", e.ID)
	own := k.ownSection(e.Species)
	if own != nil && own.spoilt() {
		if e.Lethal != nil {
			k.lethal(t, "ceiling", whose, *e.Lethal, 0)
		}
		if e.Floor != nil {
			k.floor(t, "floor", whose, *e.Floor)
		}
		return
	}
	written := func(keys ...string) (*Section, string) {
		for _, table := range []*Section{t, own} {
			for _, key := range keys {
				if table != nil && table.Has(key) {
					return table, key
				}
			}
		}
		return t, "species"
	}
	top := s.Day.High
	if e.Stage == Froglet {
		// Its band is cut to fit, and yet what was written is what is wanted.
		top = max(top, k.c.Species[indexSpecies(k.c.Species, e.Species)].Day.High)
		whose += ", a froglet,"
	}
	table, key := written("ceiling", "day")
	k.lethal(table, key, whose, s.Lethal, top)
	table, key = written("floor")
	k.floor(table, key, whose, s.Floor)
}

func (k racks) ownSection(id string) *Section {
	if i := indexSpecies(k.ownSpecies, id); i >= 0 {
		return k.item("species", i)
	}
	return nil
}

// lethalLimit checks a lethal limit by itself and against the top of the day band.
func (k racks) lethal(t *Section, key, whose string, lethal, top Celsius) {
	switch {
	case centi(lethal) > centi(hottestLethal):
		do := fmt.Sprintf("write %s or less", hottestLethal)
		if meant := meantFahrenheit(lethal, top); meant != "" {
			do = meant
		}
		t.refuse(key, do, "the lethal limit of %s is %s, above %s", whose, lethal, hottestLethal)
	case centi(lethal) <= centi(top):
		do := "write a lethal limit above it, or change the band in [[species]]"
		if meant := Celsius(float64(lethal)*9/5 + 32); meant > top && meant <= hottestLethal {
			do = fmt.Sprintf("did you mean %s?", meant)
		}
		t.refuse(key, do, "the lethal limit of %s is %s, not above the top of the day band, %s", whose, lethal, top)
	}
}

// floor checks a humidity floor. One of 0 watches nothing, and a warning says so.
func (k racks) floor(t *Section, key, whose string, floor Percent) {
	switch {
	case centi(floor) >= centi(Percent(100)):
		t.refuse(key, "write a floor under 100 %, as in 70 %", "the humidity floor of %s is %s, which no air stays above", whose, floor)
	case floor > 0 && floor <= 1:
		t.refuse(key, fmt.Sprintf("did you mean %s?", floor*100), "the humidity floor of %s is %s", whose, floor)
	}
}

// centi is a quantity in the hundredths that it is judged in.
func centi[T Celsius | Percent](v T) int { return int(math.Round(float64(v) * 100)) }

// meantFahrenheit proposes °F for a number too hot in °C; empty where that would
// not be above least or not warm at all.
func meantFahrenheit(c, least Celsius) string {
	f := Celsius(unit.FromFahrenheit(float64(c)))
	if f <= max(least, 10) || f > hottestLethal {
		return ""
	}
	return fmt.Sprintf("did you mean %s °F, which is %s?", short(float64(c)), f)
}

// The busiest room that one dewline watches and records without a gap; tests of
// package store keep such rooms. A busier one is refused.
const (
	MostProbes            = 5000
	MostReadingsPerSecond = 500 // of all probes
)
