package corpus

import (
	"errors"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"

	"dewline/rules/alarm"
)

// What is told in time in rooms of the generators, of the tuned half: of so many cases
// of each at most so many are told late or never.
func TestAims_Told(t *testing.T) {
	skipUnderRace(t)
	for _, c := range []struct {
		kind string
		miss int
	}{
		{"lamps stuck on", 0}, {"lamps stuck on, cool night", 0}, {"lamps stuck off", 0}, {"timer shifted", 0},
		{"power cut by day", 1}, {"door at 25 a.c./h", 0}, {"door at 40 a.c./h", 0}, {"door wide open", 0},
		{"rack, one shelf's lamps stuck on", 0}, {"rack, one shelf's lamps dead", 0}, {"rack, cooling fails", 0},
		{"mister stuck on, one", 1}, {"mister stuck on, all", 0},
	} {
		t.Run(c.kind, func(t *testing.T) {
			t.Parallel()
			cases, told := playSome(t, c.kind), 0
			for _, o := range cases {
				if o.told >= 0 && o.told-o.due <= o.f.within {
					told++
				} else {
					t.Logf("%c %d: told at %v, due at %v", o.c.gen, o.c.seed, o.told, o.due)
				}
			}
			if told == 0 || told < len(cases)-c.miss {
				t.Errorf("%d of %d told in time", told, len(cases))
			}
		})
	}
}

// Heat is believed first: a probe in wet substrate, bad input and a neighbour on the
// shelf do not hide which enclosure it is.
func TestAims_HeatIsTheEnclosures(t *testing.T) {
	skipUnderRace(t)
	for _, kind := range []string{"heat mat, wet substrate", "heat, bad input", "heat, first day", "rack, mat sticks"} {
		t.Run(kind, func(t *testing.T) {
			t.Parallel()
			for _, o := range playSome(t, kind) {
				if o.told >= 0 && !o.right {
					t.Errorf("%c %d: another cause than the enclosure:\n%s", o.c.gen, o.c.seed, strings.Join(o.rows, "\n"))
				}
			}
		})
	}
}

// Ranges of the time left hold in nine of ten, and a warning comes while there is
// time: a third of the way at a steady rise.
func TestAims_Ranges(t *testing.T) {
	skipUnderRace(t)
	for kind, lead := range map[string]float64{ // min, the least
		"heat levels off": 20, "heat, first day": 20, "heat, straight 8 °C/h": 10, "heat, straight 15 °C/h": 8, "heat, bad input": 20,
	} {
		t.Run(kind, func(t *testing.T) {
			t.Parallel()
			inside, said := 0, 0
			for _, o := range playSome(t, kind) {
				inside, said = inside+o.inside, said+len(o.widths)
				if o.unled > 0 || len(o.lead) == 0 || slices.Min(o.lead) < lead {
					t.Errorf("%c %d: woken %v min before the limit", o.c.gen, o.c.seed, o.lead)
				}
				if o.lethalFirst != o.lethal {
					t.Errorf("%c %d: %d of %d told on the first lethal reading", o.c.gen, o.c.seed, o.lethalFirst, o.lethal)
				}
			}
			if said == 0 || 10*inside < 8*said { // of so few; the whole half is held to nine
				t.Errorf("%d of %d ranges hold", inside, said)
			}
		})
	}
}

// What healthy rooms must not be told.
func TestAims_Quiet(t *testing.T) {
	skipUnderRace(t)
	for kind, never := range map[string][]alarm.ID{
		"healthy, closed and wet":                 {alarm.MistEndless, alarm.ProbeWet},
		"healthy, hot evenings":                   {alarm.LampStuck, alarm.MistEndless, alarm.DoorAjar},
		"rack, healthy, summer sun":               {alarm.LampStuck},
		"rack, healthy, visits and lamps by hand": {alarm.MistEndless},
		"healthy, the doubled hour":               {alarm.MistEndless, alarm.MistMissing},
		"healthy, the hour left out":              {alarm.MistEndless, alarm.MistMissing},
	} {
		t.Run(kind, func(t *testing.T) {
			t.Parallel()
			for _, o := range playSome(t, kind) {
				for _, id := range never {
					if o.peace[id] > 0 {
						t.Errorf("%c %d: %s %d times:\n%s", o.c.gen, o.c.seed, id, o.peace[id], strings.Join(o.rows, "\n"))
					}
				}
			}
		})
	}
}

// playSome plays the first case of each generator, under DEWLINE_LONG=1 the first two.
func playSome(t *testing.T, kind string) (list []*outcome) {
	t.Helper()
	most := uint64(1)
	if os.Getenv("DEWLINE_LONG") != "" {
		most = 2
	}
	for _, c := range cases(t, tuned) {
		if c.kind != kind || c.seed > most {
			continue
		}
		o, err := playOnce(c)
		if errors.Is(err, errNoOpenData) {
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		list = append(list, o)
	}
	return list
}

// played are the outcomes of cases that several tests look at.
var played sync.Map

// playOnce is play, once for all tests.
func playOnce(c caseID) (*outcome, error) {
	f, _ := played.LoadOrStore(c, sync.OnceValues(func() (*outcome, error) { return play(c) }))
	return f.(func() (*outcome, error))()
}
