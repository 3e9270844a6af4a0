package configs

import (
	"strings"
	"testing"
	"time"
)

// The table of the trade notes, column by column; common practice, no source.
// Exceptions: the heat limits of Oophaga, under its loss of righting at
// 29.1-31.7 °C (Rivera-Ordonez 2019, Biotropica 51:747; Nowakowski 2016); the
// floor of leucomelas at 70 instead of 65 %: "humidity must stay above 70 % at
// all times", the owner's trade fact. Pairs, groups and space per adult are from
// memory.
func TestSpeciesTable(t *testing.T) {
	want := []struct {
		id         string
		day, night Band
		dropMin    CelsiusDelta
		floor, dry Percent
		heat       [3]Celsius
		cold       [2]Celsius
		company    Company
		gallons    Litres
		grades     string // of the three heat limits
	}{
		{"dendrobates-tinctorius", Band{22, 26}, Band{19, 22}, 2, 70, 60, [3]Celsius{27.5, 28.5, 30}, [2]Celsius{18, 15}, Pairs, 10, "CCC"},
		{"dendrobates-leucomelas", Band{22, 28}, Band{20, 23}, 2, 70, 55, [3]Celsius{28.5, 29.5, 31}, [2]Celsius{18, 15}, Groups, 10, "CCC"},
		{"dendrobates-auratus", Band{21, 26}, Band{18, 22}, 2, 70, 60, [3]Celsius{27.5, 28.5, 30}, [2]Celsius{17, 15}, Groups, 10, "CCA"},
		{"phyllobates-terribilis", Band{21, 25}, Band{18, 22}, 2, 75, 65, [3]Celsius{26.5, 27.5, 29}, [2]Celsius{18, 15}, Groups, 10, "CCC"},
		{"ranitomeya-imitator", Band{21, 26}, Band{18, 22}, 2, 75, 65, [3]Celsius{27.5, 28.5, 30}, [2]Celsius{18, 15}, Pairs, 5, "CCC"},
		{"epipedobates-anthonyi", Band{20, 26}, Band{17, 21}, 2, 70, 60, [3]Celsius{27.5, 29, 30.5}, [2]Celsius{16, 14}, Groups, 5, "CCC"},
		{"oophaga-pumilio", Band{22, 26}, Band{20, 23}, 1, 80, 70, [3]Celsius{26.5, 27.5, 28.5}, [2]Celsius{18, 15}, Pairs, 5, "OOO"},
	}
	table := SpeciesTable()
	if len(table) != len(want) {
		t.Fatalf("%d species, want %d", len(table), len(want))
	}
	for i, w := range want {
		s := table[i]
		if s.ID != w.id || s.Day != w.day || s.Night != w.night || s.DropMin != w.dropMin ||
			s.Floor != w.floor || s.Dry != w.dry || [3]Celsius{s.Warn, s.Act, s.Lethal} != w.heat || [2]Celsius{s.Cool, s.Cold} != w.cold ||
			s.Company != w.company || s.Space != w.gallons*LitresPerGallon {
			t.Errorf("got %+v\nwant %+v", s, w)
		}
		if got := string(s.Grade(CellWarn) + s.Grade(CellAct) + s.Grade(CellLethal)); got != w.grades || s.Name == "" {
			t.Errorf("%q: heat limits graded %s, want %s", s.Name, got, w.grades)
		}
	}
}

// Every value has a source that is said in words, also where a keeper wrote it.
func TestEveryValueHasASource(t *testing.T) {
	sources := Sources()
	c := decodeOK(t, minimalRoom+"\n[[species]]\nid = \"dendrobates-auratus\"\nwarn = \"28 °C\"\nexposure_time = \"1 h\"\n")
	own := Celsius(29)
	list := append(SpeciesTable(), c.SpeciesFor(Enclosure{Species: "dendrobates-auratus", Stage: Adult, Lethal: &own}))
	for _, s := range list {
		for cell := range numCells {
			if sources[s.Grade(cell)] == "" {
				t.Errorf("%s: value %d is graded %q, which says nothing", s.ID, cell, s.Grade(cell))
			}
		}
	}
	mine := list[len(list)-1]
	for cell, want := range map[Cell]Grade{CellWarn: GradeKeeper, CellExposure: GradeKeeper, CellLethal: GradeKeeper, CellAct: GradeCommon, CellDay: GradeCommon} {
		if got := mine.Grade(cell); got != want {
			t.Errorf("value %d of a keeper's own is graded %s, want %s", cell, got, want)
		}
	}
}

// D. tinctorius: nothing inside 20-25 °C at any hour is more than a note (common
// practice, no source). A keeper's own band or lower limit is taken at its word,
// as it was before the table knew of that.
func TestTolerated(t *testing.T) {
	own := func(keys string) string {
		return minimalRoom + "\n[[species]]\nid = \"dendrobates-tinctorius\"\n" + keys + "\n"
	}
	for _, x := range []struct {
		source     string
		day, night Band
	}{
		{minimalRoom, Band{20, 26}, Band{19, 25}},
		{own(`floor = "72 %"`), Band{20, 26}, Band{19, 25}},
		{own(`night = "19-21 °C"`), Band{22, 26}, Band{19, 21}},
		{own("day = \"21-24 °C\"\nwarn = \"24 °C\""), Band{21, 24}, Band{19, 22}},
		{own("day = \"21-24 °C\"\ntolerated = \"19-24 °C\""), Band{19, 24}, Band{19, 24}},
	} {
		s := decodeOK(t, x.source).SpeciesFor(Enclosure{Species: "dendrobates-tinctorius", Stage: Adult})
		if s.Watched(s.Day) != x.day || s.Watched(s.Night) != x.night {
			t.Errorf("watched by day %v, by night %v, want %v and %v", s.Watched(s.Day), s.Watched(s.Night), x.day, x.night)
		}
	}
}

// The exposure scale: Jorgensen et al. 2022, Nature 611:93, find about 2.15
// times faster failure per degree, which is tenfold per 3.0 °C.
func TestExposureDefaults(t *testing.T) {
	for _, s := range SpeciesTable() {
		boundary, reference := Celsius(28), Celsius(32)
		if s.ID == "oophaga-pumilio" {
			boundary, reference = 27, 29
		}
		if s.Boundary != boundary || s.ReferenceTemp != reference || s.ReferenceTime != 120*minute || s.TenfoldPer != 3 {
			t.Errorf("%s: counts above %v, %v at %v, tenfold per %v", s.ID, s.Boundary, s.ReferenceTime, s.ReferenceTemp, s.TenfoldPer)
		}
	}
}

// Every embedded species, at every stage, must pass the checks that a keeper's
// own values pass.
func TestEmbeddedLimitsAreInOrder(t *testing.T) {
	for _, s := range SpeciesTable() {
		for _, stage := range []Stage{Egg, Tadpole, Froglet, Adult} {
			k := &checker{decoder: &decoder{}}
			racks{k}.limits(&Section{newTable(position{1, 1}), k}, forStage(s, Enclosure{Stage: stage}, time.Time{}))
			if len(k.faults) > 0 {
				t.Errorf("%s %s: %v", s.ID, stage, k.faults)
			}
		}
	}
}

// The stages of the breeding notes, section 7: eggs with a humidity floor near 90 %
// (common practice, no source), act 27 °C and lethal 28 °C (a judgement after
// Johnson 1964); tadpole water 20-26 °C, act 28 °C, for egg-feeders the adults'
// band; froglets by weeks out of the water, at first +10 % and -1.5 °C.
func TestStages(t *testing.T) {
	c := decodeOK(t, minimalRoom)
	c.Room.Location = time.UTC // as the days below; the room names no zone
	left := Date{2026, time.October, 1}
	day := func(n int) time.Time { return time.Date(2026, 10, 1+n, 23, 59, 0, 0, time.UTC) }
	for _, x := range []struct {
		species    string
		stage      Stage
		left       Date
		at         time.Time
		day, night Band
		heat       [3]Celsius
		floor, dry Percent
		cold       [2]Celsius
	}{
		{"dendrobates-auratus", Adult, Date{}, day(0), Band{21, 26}, Band{18, 22}, [3]Celsius{27.5, 28.5, 30}, 70, 60, [2]Celsius{17, 15}},
		{"dendrobates-auratus", Egg, Date{}, day(0), Band{21, 26}, Band{18, 22}, [3]Celsius{26, 27, 28}, 90, 80, [2]Celsius{17, 15}},
		{"dendrobates-leucomelas", Egg, Date{}, day(0), Band{22, 26}, Band{20, 23}, [3]Celsius{26, 27, 28}, 90, 80, [2]Celsius{18, 15}},
		{"oophaga-pumilio", Egg, Date{}, day(0), Band{22, 26}, Band{20, 23}, [3]Celsius{26, 27, 28}, 90, 80, [2]Celsius{18, 15}},
		{"dendrobates-auratus", Tadpole, Date{}, day(0), Band{20, 26}, Band{20, 26}, [3]Celsius{26, 28, 30}, 0, 0, [2]Celsius{18, 16}},
		{"oophaga-pumilio", Tadpole, Date{}, day(0), Band{22, 26}, Band{20, 23}, [3]Celsius{26, 27.5, 28.5}, 0, 0, [2]Celsius{18, 15}},
		{"dendrobates-auratus", Froglet, Date{}, day(0), Band{21, 26}, Band{18, 22}, [3]Celsius{26.5, 27.5, 29}, 75, 65, [2]Celsius{17, 15}},
		{"oophaga-pumilio", Froglet, Date{}, day(0), Band{22, 25.5}, Band{20, 23}, [3]Celsius{25.5, 26.5, 27.5}, 85, 75, [2]Celsius{18, 15}},
		{"dendrobates-auratus", Froglet, left, day(0), Band{21, 26}, Band{18, 22}, [3]Celsius{26, 27, 28.5}, 80, 70, [2]Celsius{17, 15}},
		{"dendrobates-auratus", Froglet, left, day(27), Band{21, 26}, Band{18, 22}, [3]Celsius{26, 27, 28.5}, 80, 70, [2]Celsius{17, 15}},
		{"dendrobates-auratus", Froglet, left, day(28), Band{21, 26}, Band{18, 22}, [3]Celsius{26.5, 27.5, 29}, 75, 65, [2]Celsius{17, 15}},
		{"dendrobates-auratus", Froglet, left, day(400), Band{21, 26}, Band{18, 22}, [3]Celsius{27, 28, 29.5}, 75, 65, [2]Celsius{17, 15}},
		{"dendrobates-auratus", Froglet, left, day(-9), Band{21, 26}, Band{18, 22}, [3]Celsius{26, 27, 28.5}, 80, 70, [2]Celsius{17, 15}},
		{"dendrobates-auratus", Froglet, left, time.Time{}, Band{21, 26}, Band{18, 22}, [3]Celsius{26.5, 27.5, 29}, 75, 65, [2]Celsius{17, 15}},
	} {
		s := c.SpeciesOn(Enclosure{Species: x.species, Stage: x.stage, OutOfWater: x.left}, x.at)
		if s.Day != x.day || s.Night != x.night || [3]Celsius{s.Warn, s.Act, s.Lethal} != x.heat || s.Floor != x.floor || s.Dry != x.dry || [2]Celsius{s.Cool, s.Cold} != x.cold {
			t.Errorf("%s, %s, out of water %s, on %s: got %+v", x.species, x.stage, x.left, x.at, s)
		}
	}
	if got := c.SpeciesFor(Enclosure{Species: "unheard-of"}); got != (Species{}) {
		t.Errorf("unknown species: %+v", got)
	}
}

// No stage silently equals the adult, of any species, at any age.
func TestNoStageEqualsTheAdult(t *testing.T) {
	c := decodeOK(t, minimalRoom)
	for _, sp := range SpeciesTable() {
		adult := c.SpeciesFor(Enclosure{Species: sp.ID, Stage: Adult})
		for _, stage := range []Stage{Egg, Tadpole, Froglet} {
			for weeks := range 60 {
				e := Enclosure{Species: sp.ID, Stage: stage, OutOfWater: Date{2026, time.January, 1}}
				s := c.SpeciesOn(e, time.Date(2026, 1, 1+7*weeks, 12, 0, 0, 0, time.UTC))
				if s.Warn >= adult.Warn || s.Floor == adult.Floor || s.Day.High > s.Warn || s.Night.High > s.Warn || s.Day.Low >= s.Day.High {
					t.Errorf("%s, %s after %d weeks: %+v", sp.ID, stage, weeks, s)
				}
			}
		}
	}
}

// A file that was accepted with the stage's earlier limits still is.
func TestStagesTakeOlderFiles(t *testing.T) {
	for name, text := range map[string]string{
		"a lower limit of the water":       quietRoom("stage = \"tadpole\"\nceiling = \"24.5 °C\"\n", ""),
		"a limit of the water at its band": quietRoom("stage = \"tadpole\"\nceiling = \"26 °C\"\n", ""),
		"the same of an egg-feeder":        strings.Replace(quietRoom("stage = \"tadpole\"\nceiling = \"24.5 °C\"\n", ""), "dendrobates-auratus", "oophaga-pumilio", 1),
		"eggs with a limit of their own":   quietRoom("stage = \"egg\"\nceiling = \"26.5 °C\"\nfloor = \"80 %\"\n", ""),
		"eggs of a warm species": quietRoom("stage = \"egg\"\n",
			"[[species]]\nid = \"dendrobates-auratus\"\nday = \"27-30 °C\"\nwarn = \"31 °C\"\nact = \"32 °C\"\nceiling = \"33 °C\"\n"),
	} {
		if _, err := Decode("f", []byte(text), testFamilies); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// The order of overriding: table, keeper's species, stage, enclosure.
func TestSpeciesForOverrides(t *testing.T) {
	c := decodeOK(t, minimalRoom+"\n[[species]]\nid = \"dendrobates-auratus\"\nwarn = \"28 °C\"\nfloor = \"72 %\"\n")
	if len(c.Species) != 7 {
		t.Fatalf("%d species, want the seven with one overridden", len(c.Species))
	}
	low, high, wet := Celsius(26.5), Celsius(31), Percent(80)
	for _, x := range []struct {
		what               string
		e                  Enclosure
		warn, act, ceiling Celsius
		floor, dry         Percent
	}{
		{what: "species", e: Enclosure{Stage: Adult}, warn: 28, act: 28.5, ceiling: 30, floor: 72, dry: 60},
		{what: "stage", e: Enclosure{Stage: Froglet}, warn: 27, act: 27.5, ceiling: 29, floor: 77, dry: 65},
		{what: "lower ceiling", e: Enclosure{Stage: Adult, Lethal: &low}, warn: 26.5, act: 26.5, ceiling: 26.5, floor: 72, dry: 60},
		{what: "higher ceiling", e: Enclosure{Stage: Froglet, Lethal: &high}, warn: 27, act: 27.5, ceiling: 31, floor: 77, dry: 65},
		{what: "floor", e: Enclosure{Stage: Froglet, Floor: &wet}, warn: 27, act: 27.5, ceiling: 29, floor: 80, dry: 65},
	} {
		x.e.Species = "dendrobates-auratus"
		s := c.SpeciesFor(x.e)
		if s.Warn != x.warn || s.Act != x.act || s.Lethal != x.ceiling || s.Floor != x.floor || s.Dry != x.dry || s.Day != (Band{21, 26}) {
			t.Errorf("%s: %+v", x.what, s)
		}
	}
}

func TestOwnSpecies(t *testing.T) {
	c := decodeOK(t, `
[[enclosure]]
id = "a"
species = "ameerega-trivittata"
[[probe]]
id = "a-canopy"
family = "simulated"
place = "canopy"
enclosure = "a"
[[species]]
id = "ameerega-trivittata"
name = "Ameerega trivittata"
day = "22-27 °C"
night = "20-23 °C"
floor = "75 %"
dry = "65 %"
warn = "28 °C"
act = "29 °C"
ceiling = "30 °C"
cool = "18 °C"
cold = "15 °C"
`)
	s := c.SpeciesFor(c.Enclosures[0])
	if s.Lethal != 30 || s.ReferenceTime != 120*minute || s.TenfoldPer != 3 || s.Grade(CellCold) != GradeKeeper || s.Grade(CellExposure) != GradeExposure {
		t.Errorf("%+v", s)
	}
}

func TestLookups(t *testing.T) {
	c, err := Decode("demo.toml", Demo(), testFamilies)
	if err != nil {
		t.Fatal(err)
	}
	e := c.Enclosures[2]
	if l, ok := c.LampsOf(e); !ok || l.ID != "day" {
		t.Errorf("lamps %v %v", l, ok)
	}
	if m, ok := c.MistOf(e); !ok || m.Supply != "pump-a" {
		t.Errorf("mist %v %v", m, ok)
	}
	if p := c.ProbesOf(e.ID); len(p) != 2 || p[0].Place != Canopy || p[1].Place != Litter {
		t.Errorf("probes of %s: %v", e.ID, p)
	}
	if _, ok := c.LampsOf(Enclosure{}); ok {
		t.Error("an enclosure without lamps has lamps")
	}
	if _, ok := c.MistOf(Enclosure{}); ok {
		t.Error("an enclosure without mist has mist")
	}
	if p := c.ProbesOf(""); p != nil {
		t.Errorf("probes of no enclosure: %v", p)
	}
}

// The demo room is what others build on: 2 racks, 3 shelves, 2 slots.
func TestDemoRoom(t *testing.T) {
	c, err := Decode("demo.toml", Demo(), testFamilies)
	if err != nil {
		t.Fatal(err)
	}
	racks, stages, species := map[string]int{}, map[Stage]int{}, map[string]bool{}
	for _, e := range c.Enclosures {
		racks[e.Rack]++
		stages[e.Stage]++
		species[e.Species] = true
		if e.Shelf < 1 || e.Shelf > 3 || e.Slot < 1 || e.Slot > 2 {
			t.Errorf("%s stands at shelf %d slot %d", e.ID, e.Shelf, e.Slot)
		}
	}
	if len(racks) != 2 || racks["a"] != 6 || racks["b"] != 6 || stages[Froglet] != 1 || len(species) != 7 {
		t.Errorf("racks %v, stages %v, %d species", racks, stages, len(species))
	}
	if len(c.Probes) != 15 { // one each, two more litter probes, the room
		t.Errorf("%d probes, want 15", len(c.Probes))
	}
}
