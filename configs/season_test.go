package configs

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"
)

// dryRoom is a room of leucomelas with seasons.
func dryRoom(seasons string) string {
	return strings.Replace(quietRoom("mist = \"m\"\n", "[[mist]]\nid = \"m\"\ntimes = [\"08:00\", \"20:00\"]\n"+seasons), "auratus", "leucomelas", 1)
}

const drySeason = `[[season]]
id = "dry"
from = "12-01"
to = "31 Jan"
species = ["dendrobates-leucomelas"]
floor = "63 %"
night = "18-23 °C"
mist = ["09:00"]
`

// A dry spell over the turn of the year: floor, band and mist times by date, with
// a ramp of seven days into it and out of it. The table: floor 70 %, dry 55 %,
// night 20–23 °C.
func TestSeasonByDate(t *testing.T) {
	c := decodeOK(t, dryRoom(drySeason))
	e := c.Enclosures[0]
	m, _ := c.MistOf(e)
	for _, x := range []struct {
		day   string
		floor Percent
		night Celsius
		mists int
		grade Grade
		in    bool
	}{
		{"2026-11-30", 70, 20, 2, GradeCommon, false},
		{"2026-12-01", 69, 19.7, 1, GradeKeeper, true},
		{"2026-12-04", 66, 18.9, 1, GradeKeeper, true},
		{"2026-12-07", 63, 18, 1, GradeKeeper, true},
		{"2026-12-31", 63, 18, 1, GradeKeeper, true},
		{"2027-01-01", 63, 18, 1, GradeKeeper, true},
		{"2027-01-31", 63, 18, 1, GradeKeeper, true},
		{"2027-02-01", 64, 18.3, 2, GradeKeeper, false},
		{"2027-02-06", 69, 19.7, 2, GradeKeeper, false},
		{"2027-02-07", 70, 20, 2, GradeCommon, false},
		{"2027-07-01", 70, 20, 2, GradeCommon, false},
	} {
		at, err := time.ParseInLocation(time.DateOnly, x.day, c.Room.Location)
		if err != nil {
			t.Fatal(err)
		}
		for _, at := range []time.Time{at, at.Add(24*time.Hour - time.Second)} {
			s := c.SpeciesOn(e, at)
			if s.Floor != x.floor || s.Night != (Band{x.night, 23}) || s.Dry != 55 || s.Day != (Band{22, 28}) || s.Grade(CellFloor) != x.grade {
				t.Errorf("%s: floor %s graded %s, night %s, %+v", at, s.Floor, s.Grade(CellFloor), s.Night, s)
			}
			if _, in := c.SeasonOn(e, at); in != x.in || len(m.TimesOn(YearDayOf(at))) != x.mists {
				t.Errorf("%s: in the season %v, mist at %v", at, in, m.TimesOn(YearDayOf(at)))
			}
		}
		if s := c.SpeciesFor(e); s.Floor != 70 || s.Night.Low != 20 {
			t.Errorf("without a set clock: %+v", s)
		}
	}
	if m.Supply != "m" {
		t.Errorf("mist of the season on the supply %q", m.Supply)
	}
	last := time.Date(2026, 11, 30, 20, 0, 0, 0, time.UTC)
	if next := m.Next(last, c.Room.Location); !next.Equal(last.Add(13 * time.Hour)) {
		t.Errorf("the first mist of the season is due at %s", next)
	}
}

// One season goes over into the next; a leap day is a day of the season that ends
// on 28 February.
func TestSeasonsFollowEachOther(t *testing.T) {
	c := decodeOK(t, dryRoom(`
[[season]]
id = "dry"
from = "1 Dec"
to = "28 Feb"
species = ["dendrobates-leucomelas"]
floor = "63 %"
[[season]]
id = "wet"
from = "1 Mar"
to = "31 May"
enclosures = ["a"]
floor = "77 %"
`))
	e := c.Enclosures[0]
	for day, want := range map[string]Percent{"2028-02-28": 63, "2028-02-29": 63, "2028-03-01": 65, "2028-03-04": 71, "2028-03-07": 77, "2028-06-01": 76} {
		at, _ := time.Parse(time.DateOnly, day)
		if s := c.SpeciesOn(e, at.Add(12*time.Hour)); s.Floor != want {
			t.Errorf("%s: floor %s, want %s", day, s.Floor, want)
		}
	}
}

// The order of limits holds on every day of any season, and a day moves no limit
// by more than a seventh of the way and a rounding.
func TestSeasonsMoveInSmallSteps(t *testing.T) {
	c := decodeOK(t, dryRoom(drySeason))
	e := c.Enclosures[0]
	before := c.SpeciesOn(e, time.Date(2025, 12, 31, 12, 0, 0, 0, time.UTC))
	for d := range 3 * 366 {
		s := c.SpeciesOn(e, time.Date(2026, 1, 1+d, 12, 0, 0, 0, time.UTC))
		k := &checker{decoder: &decoder{}}
		racks{k}.limits(&Section{newTable(position{1, 1}), k}, s)
		if step := s.Floor - before.Floor; len(k.faults) > 0 || step > 1.11 || step < -1.11 {
			t.Fatalf("day %d: a step of %.2f, %v", d, step, k.faults)
		}
		before = s
	}
}

// Whose floor it is: an enclosure's own stays where the season is for its species,
// and gives way where the season names it.
func TestSeasonAndOwnFloor(t *testing.T) {
	for _, x := range []struct {
		who  string
		want Percent
	}{{`species = ["dendrobates-leucomelas"]`, 75}, {`enclosures = ["a"]`, 63}} {
		text := strings.Replace(dryRoom(drySeason), "mist = \"m\"", "mist = \"m\"\nfloor = \"75 %\"", 1)
		c := decodeOK(t, strings.Replace(text, `species = ["dendrobates-leucomelas"]`, x.who, 1))
		if s := c.SpeciesOn(c.Enclosures[0], time.Date(2026, 12, 24, 12, 0, 0, 0, time.UTC)); s.Floor != x.want {
			t.Errorf("%s: floor %s, want %s", x.who, s.Floor, x.want)
		}
	}
}

// A dry spell is for adults: eggs and froglets of the species keep their floor.
func TestSeasonsAreForAdults(t *testing.T) {
	c := decodeOK(t, dryRoom(drySeason))
	for _, stage := range []Stage{Egg, Tadpole, Froglet} {
		e := Enclosure{ID: "b", Species: "dendrobates-leucomelas", Stage: stage}
		if s := c.SpeciesOn(e, time.Date(2026, 12, 24, 12, 0, 0, 0, time.UTC)); s != c.SpeciesFor(e) {
			t.Errorf("%s: %+v", stage, s)
		}
	}
}

func TestSeasonFaults(t *testing.T) {
	season := func(old, new string) string { return dryRoom(strings.Replace(drySeason, old, new, 1)) }
	for name, x := range map[string]struct{ text, want string }{
		"29 February":           {season("12-01", "29 Feb"), "29 February is not in every year"},
		"29 February, digits":   {season("31 Jan", "02-29"), "29 February is not in every year"},
		"31 June":               {season("31 Jan", "31 Jun"), `"31 Jun" is not a day of the year`},
		"no end":                {season("to = \"31 Jan\"\n", ""), `season "dry" has no to`},
		"for nobody":            {season("species = [\"dendrobates-leucomelas\"]\n", ""), `season "dry" is for nothing`},
		"of an unknown species": {season("leucomelas\"]", "leucomela\"]"), `did you mean "dendrobates-leucomelas"?`},
		"changes nothing":       {dryRoom("[[season]]\nid = \"x\"\nfrom = \"1 Nov\"\nto = \"1 Dec\"\nspecies = [\"dendrobates-leucomelas\"]\n"), `season "x" changes nothing`},
		"too warm":              {season("night = \"18-23 °C\"", "day = \"22-29 °C\""), "ends at 29 °C, above 28.5 °C"},
		"too cold":              {season("18-23", "17-23"), "begins at 17 °C, under 18 °C"},
		"a ratio":               {season("63 %", "0.63 %"), "did you mean 63 %?"},
		"a time twice":          {season(`["09:00"]`, `["09:00", "9:00"]`), `f:34:18: the time 09:00 stands twice in season "dry"`},
		"overlap":               {dryRoom(drySeason + strings.NewReplacer(`"dry"`, `"wet"`, "12-01", "15 Jan", "31 Jan", "1 Mar").Replace(drySeason)), `seasons "dry" and "wet" overlap, and both are for enclosure "a"`},
		"overlap on one day":    {dryRoom(drySeason + strings.NewReplacer(`"dry"`, `"wet"`, "12-01", "31 Jan", "31 Jan", "1 Mar").Replace(drySeason)), "overlap"},
		"no mist to change":     {strings.Replace(dryRoom(drySeason), "mist = \"m\"\n", "", 1), "none of its enclosures a [[mist]]"},
		"eggs":                  {strings.NewReplacer("mist = \"m\"\n", "stage = \"egg\"\n", `species = ["dendrobates-leucomelas"]`, `enclosures = ["a"]`, "mist = [\"09:00\"]\n", "").Replace(dryRoom(drySeason)), `is for adults, and enclosure "a" holds the stage "egg"`},
	} {
		_, err := Decode("f", []byte(x.text), testFamilies)
		if err == nil || !strings.Contains(err.Error(), x.want) {
			t.Errorf("%s: got\n%v\nwant %s", name, err, x.want)
		}
	}
	short := decodeOK(t, season("31 Jan", "5 Dec")).Warnings.Error()
	if !strings.Contains(short, `season "dry" is over before its limits are reached`) {
		t.Errorf("five days: %s", short)
	}
}

// Every spelling of a day reads the same, and reads back.
func TestYearDay(t *testing.T) {
	for i, text := range []string{"1 Mar", "01 Mar", "Mar 1", "1 March", "March 1", "03-01", "3-1", " 1  mar "} {
		var d, again YearDay
		err := d.UnmarshalText([]byte(text))
		if err != nil || d != 59 {
			t.Errorf("%d: %q is day %d, %v", i, text, d, err)
		}
		if again.UnmarshalText([]byte(d.String())) != nil || again != d {
			t.Errorf("%q is written %q", text, d)
		}
	}
	seen := []string{}
	for d := range YearDay(365) {
		if s := fmt.Sprint(d); slices.Contains(seen, s) {
			t.Errorf("day %d is %s too", d, s)
		} else {
			seen = append(seen, s)
		}
	}
}
