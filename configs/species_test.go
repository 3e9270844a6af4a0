package configs

import (
	"testing"
)

// The table of the trade notes, column by column; common practice, no source,
// with the heat limits of Oophaga on Rivera-Ordonez 2019, Biotropica 51:747.
// The floor of leucomelas stands at 70 instead of 65 %: "humidity must stay
// above 70 % at all times", the owner's trade fact.
func TestSpeciesTable(t *testing.T) {
	want := []struct {
		id               string
		day, night       Band
		dropMin, dropMax CelsiusDelta
		floor, dry       Percent
		heat             [3]Celsius
		cold             [2]Celsius
	}{
		{"dendrobates-tinctorius", Band{22, 26}, Band{19, 22}, 2, 4, 70, 60, [3]Celsius{27.5, 28.5, 30}, [2]Celsius{18, 15}},
		{"dendrobates-leucomelas", Band{22, 28}, Band{20, 23}, 2, 5, 70, 55, [3]Celsius{28.5, 29.5, 31}, [2]Celsius{18, 15}},
		{"dendrobates-auratus", Band{21, 26}, Band{18, 22}, 2, 4, 70, 60, [3]Celsius{27.5, 28.5, 30}, [2]Celsius{17, 15}},
		{"phyllobates-terribilis", Band{21, 25}, Band{18, 22}, 2, 4, 75, 65, [3]Celsius{26.5, 27.5, 29}, [2]Celsius{18, 15}},
		{"ranitomeya-imitator", Band{21, 26}, Band{18, 22}, 2, 4, 75, 65, [3]Celsius{27.5, 28.5, 30}, [2]Celsius{18, 15}},
		{"epipedobates-anthonyi", Band{20, 26}, Band{17, 21}, 2, 5, 70, 60, [3]Celsius{27.5, 29, 30.5}, [2]Celsius{16, 14}},
		{"oophaga-pumilio", Band{22, 26}, Band{20, 23}, 1, 3, 80, 70, [3]Celsius{26.5, 27.5, 28.5}, [2]Celsius{18, 15}},
	}
	table := SpeciesTable()
	if len(table) != len(want) {
		t.Fatalf("%d species, want %d", len(table), len(want))
	}
	for i, w := range want {
		s := table[i]
		if s.ID != w.id || s.Day != w.day || s.Night != w.night || s.DropMin != w.dropMin || s.DropMax != w.dropMax ||
			s.Floor != w.floor || s.Dry != w.dry || [3]Celsius{s.Warn, s.Act, s.Ceiling} != w.heat || [2]Celsius{s.Cool, s.Cold} != w.cold {
			t.Errorf("got %+v\nwant %+v", s, w)
		}
		if s.Source == "" || s.Name == "" {
			t.Errorf("%s lacks a source or a name", s.ID)
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
			k.limits(newTable(position{1, 1}), forStage(s, stage))
			if len(k.faults) > 0 {
				t.Errorf("%s %s: %v", s.ID, stage, k.faults)
			}
		}
	}
}

func TestSpeciesForStages(t *testing.T) {
	c := decodeOK(t, minimalRoom)
	adult := c.SpeciesFor(Enclosure{Species: "dendrobates-auratus", Stage: Adult})
	if egg := c.SpeciesFor(Enclosure{Species: "dendrobates-auratus", Stage: Egg}); egg != adult {
		t.Errorf("egg %+v, want as adult", egg)
	}
	froglet := adult
	froglet.Floor, froglet.Dry, froglet.Warn, froglet.Act, froglet.Ceiling = 75, 65, 26.5, 27.5, 29
	if got := c.SpeciesFor(Enclosure{Species: "dendrobates-auratus", Stage: Froglet}); got != froglet {
		t.Errorf("froglet\n got %+v\nwant %+v", got, froglet)
	}
	if got := c.SpeciesFor(Enclosure{Species: "oophaga-pumilio", Stage: Froglet}); got.Day != (Band{22, 25.5}) || got.Warn != 25.5 {
		t.Errorf("froglets of a species with a high band: day %v, warn %v", got.Day, got.Warn)
	}
	tadpole := adult
	tadpole.Day, tadpole.Night, tadpole.DropMin, tadpole.DropMax = Band{20, 24}, Band{20, 24}, 0, 2
	tadpole.Source = tadpoleSource
	tadpole.Floor, tadpole.Dry, tadpole.Warn, tadpole.Act, tadpole.Ceiling, tadpole.Cool, tadpole.Cold = 0, 0, 26, 28, 30, 18, 16
	if got := c.SpeciesFor(Enclosure{Species: "dendrobates-auratus", Stage: Tadpole}); got != tadpole {
		t.Errorf("tadpole\n got %+v\nwant %+v", got, tadpole)
	}
	if got := c.SpeciesFor(Enclosure{Species: "unheard-of"}); got != (Species{}) {
		t.Errorf("unknown species: %+v", got)
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
		{what: "lower ceiling", e: Enclosure{Stage: Adult, Ceiling: &low}, warn: 26.5, act: 26.5, ceiling: 26.5, floor: 72, dry: 60},
		{what: "higher ceiling", e: Enclosure{Stage: Froglet, Ceiling: &high}, warn: 27, act: 27.5, ceiling: 31, floor: 77, dry: 65},
		{what: "floor", e: Enclosure{Stage: Froglet, Floor: &wet}, warn: 27, act: 27.5, ceiling: 29, floor: 80, dry: 65},
	} {
		x.e.Species = "dendrobates-auratus"
		s := c.SpeciesFor(x.e)
		if s.Warn != x.warn || s.Act != x.act || s.Ceiling != x.ceiling || s.Floor != x.floor || s.Dry != x.dry || s.Day != (Band{21, 26}) {
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
	if s.Ceiling != 30 || s.ReferenceTime != 120*minute || s.TenfoldPer != 3 || s.Source != "the keeper" {
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
