package configs

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"dewline/configs/unit"
)

// lamps checks the photoperiods; without hours a section says nothing.
func (k racks) lamps() {
	for i, l := range k.c.Lamps {
		t := k.item("lamps", i)
		t.FaultIf(!t.Has("on"), "on", `add on = "08:00-20:00"`, "[[lamps]] %q has no hours", l.ID)
	}
}

// once checks the times of mists: one written twice would count one pulse as two and
// report the second as missing.
func (k racks) once(t *Section, key string, times []ClockTime, whose string) {
	for i, at := range times {
		if slices.Contains(times[:i], at) && !t.faulty(key) {
			k.add(t.item(key, i).key, "write it once", "the time %s stands twice in %s", at, whose)
		}
	}
}

func (k racks) mists() {
	for i, m := range k.c.Mists {
		t := k.item("mist", i)
		t.FaultIf(len(m.Times) == 0, "times", `add times = ["08:00", "20:00"]`, "[[mist]] %q has no times", m.ID)
		k.once(t, "times", m.Times, fmt.Sprintf("[[mist]] %q", m.ID))
		t.FaultIf(m.Supply != "" && !validID(m.Supply) && t.Has("supply"), "supply",
			idAdvice(m.Supply), "the supply %q has characters outside a-z, 0-9 and hyphen", m.Supply)
	}
}

func (k racks) enclosures() {
	if len(k.c.Enclosures) == 0 && !k.doc.Has("enclosure") && !k.doc.Has("sentinel") {
		k.add(position{1, 1}, "add an [[enclosure]] for each", "the file describes no enclosure")
	}
	slots := map[string]string{}
	for i, e := range k.c.Enclosures {
		if k.full() {
			return
		}
		t := k.item("enclosure", i)
		k.inhabitants(t, e)
		k.standing(t, e, slots)
		k.watched(t, e)
	}
}

func (k racks) inhabitants(t *Section, e Enclosure) {
	t.FaultIf(t.Has("out_of_water") && e.Stage != Froglet, "out_of_water",
		"remove it, or write stage = \"froglet\"", "out_of_water is for froglets, and stage is %q", e.Stage)
	t.FaultIf(e.Animals < 0, "animals", "write 0 or more", "animals = %d is negative", e.Animals)
	ids := k.ids["species"]
	switch {
	case !t.Has("species"):
		t.Fault("species", "add species, one of "+listed(ids), "enclosure %q has no species", e.ID)
		return
	case !slices.Contains(ids, e.Species):
		t.Fault("species", speciesAdvice(e.Species, ids), "species = %q is not in the table", e.Species)
		return
	}
	k.effective(t, e)
	t.FaultIf(e.Floor != nil && e.Stage == Tadpole, "floor",
		"remove it", "tadpole water in enclosure %q has no humidity floor", e.ID)
}

// speciesAdvice also knows a species named by its second word alone.
func speciesAdvice(got string, ids []string) string {
	for _, id := range ids {
		if _, epithet, _ := strings.Cut(id, "-"); got != "" && strings.EqualFold(strings.ReplaceAll(got, " ", "-"), id) || strings.EqualFold(got, epithet) {
			return fmt.Sprintf("did you mean %q?", id)
		}
	}
	if best := nearest(got, ids); best != "" {
		// Names of different species are often near, and their limits are not.
		return fmt.Sprintf("did you mean %q? another species needs a [[species]] section with its limits", best)
	}
	return "write one of " + listed(ids) + ", or add a [[species]] section"
}

// standing checks the place in the rack. Two enclosures in one slot are a copied
// section whose id alone was changed; its probe is then the wrong one too.
func (k racks) standing(t *Section, e Enclosure, slots map[string]string) {
	if e.Shelf < 0 || e.Slot < 0 {
		key := map[bool]string{true: "shelf", false: "slot"}[e.Shelf < 0]
		t.Fault(key, "count from 1", "%s of enclosure %q is negative", key, e.ID)
		return
	}
	if e.Slot == 0 { // nobody said where it stands
		return
	}
	slot := fmt.Sprintf("rack %q, shelf %d, slot %d", e.Rack, e.Shelf, e.Slot)
	if other, taken := slots[slot]; taken {
		t.Fault("slot", "correct the place of one of them", "enclosures %q and %q both stand at %s", other, e.ID, slot)
		return
	}
	slots[slot] = e.ID
}

// watched: something must measure the temperature that the animals live in.
func (k racks) watched(t *Section, e Enclosure) {
	if e.ID == "" {
		return
	}
	probes := k.c.ProbesOf(e.ID)
	warm := slices.ContainsFunc(probes, func(p Probe) bool {
		return p.MeasuresTemperature() && (p.Place != Water || e.Stage == Tadpole || e.Stage == Egg)
	})
	switch {
	case warm:
	case len(probes) == 0:
		t.Fault("", fmt.Sprintf("add a [[probe]] with enclosure = %q", e.ID), "enclosure %q has no probe", e.ID)
	default:
		t.Fault("", "add a probe in the litter or the canopy", "enclosure %q has no probe that measures the air's temperature", e.ID)
	}
}

// species checks the keeper's own sections: those of the table may give any
// part, new ones give all.
func (k racks) species() {
	table := SpeciesTable()
	for i, s := range k.ownSpecies {
		t := k.item("species", i)
		if indexSpecies(table, s.ID) < 0 && !k.completeSpecies(t, s.ID, table) {
			continue
		}
		k.limits(t, s)
	}
}

// completeSpecies checks that a species new to the table gives every limit.
func (k racks) completeSpecies(t *Section, id string, table []Species) bool {
	var missing []string
	for _, key := range []string{"day", "night", "floor", "dry", "warn", "act", "ceiling", "cool", "cold"} {
		if !t.Has(key) {
			missing = append(missing, key)
		}
	}
	if len(missing) == 0 {
		return true
	}
	do := didYouMean(id, idsOf(table, func(s *Species) string { return s.ID }), "add them")
	t.Fault("id", do, "species %q is new to the table and lacks %s", id, strings.Join(missing, ", "))
	return false
}

func (k racks) limits(t *Section, s Species) {
	const heatLimits = 7 // the first rows, which stand in one order
	for i, o := range []struct {
		lowKey    string
		low, high fmt.Stringer
		highKey   string
		right     bool
	}{
		{"cold", s.Cold, s.Cool, "cool", s.Cold < s.Cool},
		{"cool", s.Cool, s.Night.Low, "the night band's lower end", s.Cool <= s.Night.Low},
		{"night", s.Night.High, s.Warn, "warn", s.Night.High <= s.Warn},
		{"day", s.Day.High, s.Warn, "warn", s.Day.High <= s.Warn},
		{"tolerated", s.Tolerated.High, s.Warn, "warn", s.Tolerated.High <= s.Warn},
		{"warn", s.Warn, s.Act, "act", s.Warn <= s.Act},
		{"act", s.Act, s.Lethal, "ceiling", s.Act <= s.Lethal},
		{"dry", s.Dry, s.Floor, "floor", s.Dry <= s.Floor},
		{"exposure_boundary", s.Boundary, s.ReferenceTemp, "exposure_reference", s.Boundary < s.ReferenceTemp},
	} {
		if o.right || t.faulty(o.lowKey) || t.faulty(o.highKey) {
			continue
		}
		key := o.lowKey
		if !t.Has(key) {
			key = o.highKey
		}
		do := "put the limits in order: cold, cool, bands, warn, act, ceiling"
		if c, ok := o.low.(Celsius); ok && c > hottestLethal && meantFahrenheit(c, 0) != "" {
			do = meantFahrenheit(c, 0)
		}
		if i >= heatLimits {
			do = fmt.Sprintf("lower %s or raise %s", o.lowKey, o.highKey)
		}
		t.Fault(key, do, "%s %s of species %q is not below %s %s", o.lowKey, o.low, s.ID, o.highKey, o.high)
	}
	if !t.spoilt() {
		whose, key := fmt.Sprintf("species %q", s.ID), "ceiling"
		if !t.Has(key) {
			key = "day"
		}
		k.lethal(t, key, whose, s.Lethal, s.Day.High)
		k.floor(t, "floor", whose, s.Floor)
	}
	t.FaultIf(s.TenfoldPer <= 0, "exposure_tenfold",
		`write for example "3 °C"`, "exposure_tenfold of species %q is zero", s.ID)
	t.Within("exposure_time", s.ReferenceTime, minute, Duration(week))
}

func (k racks) seasons() {
	for i, s := range k.c.Seasons {
		t := k.item("season", i)
		for _, key := range []string{"from", "to"} {
			t.FaultIf(!t.Has(key), key, fmt.Sprintf("add %s = \"1 Nov\"", key), "season %q has no %s", s.ID, key)
		}
		t.FaultIf(len(s.Species)+len(s.Enclosures) == 0, "species",
			`add species = ["dendrobates-leucomelas"], or enclosures`, "season %q is for nothing", s.ID)
		t.FaultIf(s.Day == nil && s.Night == nil && s.Floor == nil && len(s.Mist) == 0, "",
			"add day, night, floor or mist", "season %q changes nothing", s.ID)
		k.once(t, "mist", s.Mist, fmt.Sprintf("season %q", s.ID))
		if !t.spoilt() {
			k.seasonOf(t, s, k.c.Seasons[:i])
		}
	}
}

func (k racks) seasonOf(t *Section, s Season, before []Season) {
	misted := len(s.Mist) == 0
	for _, e := range k.c.Enclosures {
		t.FaultIf(s.names(e) && e.Stage != Adult, "enclosures",
			"take it out", "season %q is for adults, and enclosure %q holds the stage %q", s.ID, e.ID, e.Stage)
		if !s.holds(e) {
			continue
		}
		misted = misted || e.Mist != ""
		k.seasonLimits(t, s, e)
		for _, other := range before {
			t.FaultIf(other.holds(e) && s.meets(&other), "from",
				"let one end before the other begins, or be for other enclosures", "seasons %q and %q overlap, and both are for enclosure %q", other.ID, s.ID, e.ID)
		}
	}
	t.FaultIf(!misted, "mist",
		"add mist to one of them, or remove it here", "season %q has mist times and none of its enclosures a [[mist]]", s.ID)
}

func (k racks) seasonLimits(t *Section, s Season, e Enclosure) {
	day := time.Date(2001, 1, 1+int(s.From), 12, 0, 0, 0, k.c.Room.Location)
	aim := k.c.aimed(e, day)
	if aim.ID == "" {
		return // told where the species is written
	}
	for key, b := range map[string]*Band{"day": s.Day, "night": s.Night} {
		switch {
		case b == nil:
		case b.High > aim.Warn:
			t.Fault(key, "lower it", "the %s band of season %q ends at %s, above %s, which is worth a warning in enclosure %q", key, s.ID, b.High, aim.Warn, e.ID)
		case b.Low < aim.Cool:
			t.Fault(key, "raise it", "the %s band of season %q begins at %s, under %s, which is worth a warning in enclosure %q", key, s.ID, b.Low, aim.Cool, e.ID)
		}
	}
	if s.Floor != nil {
		k.floor(t, "floor", fmt.Sprintf("season %q", s.ID), *s.Floor)
	}
}

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
