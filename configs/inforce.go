package configs

import (
	"math"
	"slices"
	"time"
)

// SpeciesFor is SpeciesOn of a day that is not known.
func (c *Config) SpeciesFor(e Enclosure) Species { return c.SpeciesOn(e, time.Time{}) }

// SpeciesOn returns the limits in force for e on the day of at: its species with
// the keeper's own values, then the changes that e's stage asks for, then those of
// a season for the species, then e's own lethal limit and floor, then those of a season
// for e itself. A lowered lethal limit takes the limits below it down with it; a raised
// one leaves them. A zero at stands for a clock that is not set: no season holds
// then, which is the safer side of a dry spell, and froglets have no age.
func (c *Config) SpeciesOn(e Enclosure, at time.Time) Species {
	if at = c.local(at); at.IsZero() {
		return c.aimed(e, at)
	}
	return c.ramped(e, at)
}

// ramped is what a change of seasons leaves of the limits of a day: the mean of those that
// the last seven days aim at, so that limits move a seventh of the way each day. Their
// order holds for each day, and so for their mean.
func (c *Config) ramped(e Enclosure, at time.Time) Species {
	s := c.aimed(e, at)
	if !slices.ContainsFunc(c.Seasons, func(x Season) bool { return x.holds(e) }) {
		return s
	}
	var means [len(seasonalCells)]float64
	for k := range rampDays {
		day := c.aimed(e, at.AddDate(0, 0, -k))
		if day.Tolerated == (Band{}) {
			s.Tolerated = Band{}
		}
		for i, v := range day.seasonal() {
			means[i] += *v / rampDays
		}
	}
	for i, v := range s.seasonal() {
		if mean := math.Round(means[i]*10) / 10; math.Abs(mean-*v) > 0.04 {
			*v = mean
			s.grade(seasonalCells[i], GradeKeeper)
		}
	}
	return s
}

// seasonal are the limits that a season changes, seasonalCells their cells.
func (s *Species) seasonal() []*float64 {
	return []*float64{
		(*float64)(&s.Day.Low), (*float64)(&s.Day.High), (*float64)(&s.Night.Low), (*float64)(&s.Night.High),
		(*float64)(&s.Floor), (*float64)(&s.Dry),
	}
}

var seasonalCells = [...]Cell{CellDay, CellDay, CellNight, CellNight, CellFloor, CellDry}

// aimed are the limits of one day without a ramp between seasons.
func (c *Config) aimed(e Enclosure, at time.Time) Species {
	var s Species
	if i := indexSpecies(c.Species, e.Species); i >= 0 {
		s = c.Species[i]
	}
	s = forStage(s, e, at)
	season, ok := c.SeasonOn(e, at)
	if ok && !season.names(e) {
		s.lay(&season)
	}
	s.own(e)
	if ok && season.names(e) {
		s.lay(&season)
	}
	return s
}

func (s *Species) own(e Enclosure) {
	if e.Lethal != nil {
		s.grade(CellLethal, GradeKeeper)
		s.Lethal = *e.Lethal
		s.Act = min(s.Act, s.Lethal)
		s.Warn = min(s.Warn, s.Act)
	}
	if e.Floor != nil {
		s.grade(CellFloor, GradeKeeper)
		s.Floor = *e.Floor
		s.Dry = min(s.Dry, s.Floor)
	}
}

// A heatLimits are the three heat limits that a stage bears.
type heatLimits struct{ warn, act, lethal Celsius }

// What the stages ask for.
const (
	eggFloor Percent = 90 // common practice, no source
	eggDry   Percent = 80 // the same: a clutch's hours under it are counted
)

var (
	// Embryos are the tender stage: half of those of Rana develop normally only up
	// to 28 °C (Johnson 1964); for a frog of the tropics a judgement.
	eggHeat = heatLimits{26, 27, 28}
	// Tadpole water: common practice, no source.
	waterHeat = heatLimits{26, 28, 30}
	waterBand = Band{20, 26}
)

// A frogletRow is what froglets ask for, until so many weeks out of the water:
// so much more of the floor, and so much less heat, as tolerance drops during
// metamorphosis (Cupp 1980, Herpetologica 36:234; how much is a judgement).
type frogletRow struct {
	weeks int
	floor Percent
	less  Celsius
}

// frogletRows are in the order of age; the last holds for all older ones.
var frogletRows = [...]frogletRow{{4, 10, 1.5}, {12, 5, 1}, {26, 5, 0.75}, {0, 5, 0.5}}

// anyFroglet holds where nobody said when they left the water.
const anyFroglet = 1

// frogletOf picks the row of froglets on the day of at, zero for not known.
func frogletOf(e Enclosure, at time.Time) frogletRow {
	if e.OutOfWater == (Date{}) || at.IsZero() {
		return frogletRows[anyFroglet]
	}
	weeks := e.OutOfWater.daysUntil(at) / 7
	for _, r := range frogletRows {
		if weeks < r.weeks {
			return r
		}
	}
	return frogletRows[len(frogletRows)-1]
}

// forStage applies what e's stage of life asks for on the day of at.
func forStage(s Species, e Enclosure, at time.Time) Species {
	switch e.Stage {
	case Egg:
		s.raiseFloor(max(s.Floor, eggFloor), max(s.Dry, eggDry))
		s.lowerHeat(eggHeat, GradeEmbryo)
	case Tadpole:
		return tadpoleWater(s, e)
	case Froglet:
		r := frogletOf(e, at)
		// More than the usual addition stops where a floor can still be kept.
		most := max(95, s.Floor+frogletRows[anyFroglet].floor)
		s.raiseFloor(min(s.Floor+r.floor, most, 100), min(s.Dry+r.floor, 100))
		s.lowerHeat(heatLimits{s.Warn - r.less, s.Act - r.less, s.Lethal - r.less}, GradeMetamorphosis)
	}
	return s
}

func (s *Species) raiseFloor(floor, dry Percent) {
	s.Floor, s.Dry = floor, min(dry, floor)
	s.grade(CellFloor, GradeCommon)
	s.grade(CellDry, GradeCommon)
}

// lowerHeat lowers the heat limits to those of a stage, and cuts the bands to
// them: nothing in the wanted band may be worth a warning.
func (s *Species) lowerHeat(to heatLimits, why Grade) {
	for _, x := range []struct {
		limit *Celsius
		to    Celsius
		cell  Cell
	}{{&s.Warn, to.warn, CellWarn}, {&s.Act, to.act, CellAct}, {&s.Lethal, to.lethal, CellLethal}} {
		if x.to < *x.limit {
			*x.limit = x.to
			s.grade(x.cell, why)
		}
	}
	if s.Tolerated.High > s.Warn {
		s.Tolerated = Band{}
	}
	for cell, b := range map[Cell]*Band{CellDay: &s.Day, CellNight: &s.Night} {
		if b.High > s.Warn {
			b.Low, b.High = min(b.Low, s.Warn-1), s.Warn
			s.grade(cell, why)
		}
	}
}

// tadpoleWater holds the limits of tadpole water. Those that are fed with eggs
// live in leaf axils, in the adults' climate.
func tadpoleWater(s Species, e Enclosure) Species {
	s.DropMin, s.Tolerated = 0, Band{}
	s.Floor, s.Dry = 0, 0
	top := waterBand.High
	if e.Lethal != nil { // a lower limit of the keeper's own has room above the band
		top = min(top, max(*e.Lethal-1, 24))
	}
	if s.EggFeeder {
		s.lowerHeat(heatLimits{top, waterHeat.act, waterHeat.lethal}, GradeCommon)
		return s
	}
	s.Day = Band{waterBand.Low, top}
	s.Night = s.Day
	s.Warn, s.Act, s.Lethal = waterHeat.warn, waterHeat.act, waterHeat.lethal
	s.Cool, s.Cold = 18, 16
	for _, cell := range []Cell{CellDay, CellNight, CellWarn, CellAct, CellLethal, CellCool, CellCold} {
		s.grade(cell, GradeCommon)
	}
	return s
}
