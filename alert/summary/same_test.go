package summary

import (
	"context"
	"iter"
	"slices"
	"strings"
	"testing"
	"time"

	"dewline/configs"
	"dewline/configs/unit"
	"dewline/rules/alarm"
	"dewline/rules/event"
	"dewline/sensors"
	"dewline/store"
)

func plainly(s string) string { return strings.ReplaceAll(s, nbsp, " ") }

// A value that did not reach a limit is not written as the limit, for either reader.
func TestFigures_areToldFromTheirLimits(t *testing.T) {
	e := Enclosure{Name: "Moss", Limits: Limits{Lethal: 30, Floor: 72.5, DropMin: 2}}
	e.Covered, e.Day.Temperature = 1, &Spread{Min: 20, Mean: 24, Max: 29.99}
	e.BelowMin, e.InBand = new(40.0), new(1.0)
	at := time.Date(2026, time.November, 18, 13, 0, 0, 0, time.UTC)
	e.Excursions = []Excursion{{Alarm: alarm.AboveBand, From: at, To: at.Add(time.Hour), Peak: new(29.99), PeakAt: at},
		{Alarm: alarm.HumidityFloor, From: at, To: at.Add(time.Hour), Peak: new(72.4), PeakAt: at}}
	for i := range e.Excursions {
		e.Excursions[i].limits = &e.Limits
	}
	for u, want := range map[unit.Scale][2]string{unit.Celsius: {"29.99 °C", "30.0"}, unit.Fahrenheit: {"85.98 °F", "86.0"}} {
		a := adviser{Report: &Report{Enclosures: []Enclosure{e}, next: WeekOf(at, time.UTC)}, teller: newTeller(u)}
		all := []string{strings.Join(a.outlook(), " "), a.heatWords(&e), newTeller(u).say("excursion", e.Excursions[0]), newTeller(u).say("picture", &e), e.Day.Temperature.degrees(&e.Limits, u)}
		for _, s := range all {
			if s = plainly(s); !strings.Contains(s, want[0]) {
				t.Errorf("%q does not say %s", s, want[0])
			}
		}
	}
	if s := plainly(newTeller(unit.Celsius).say("floor", e)); !strings.Contains(s, "floor of 72.5 %") {
		t.Errorf("the keeper's floor of 72.5 %% is told as %q", s)
	}
	if s := plainly(newTeller(unit.Celsius).say("excursion", e.Excursions[1])); !strings.Contains(s, "lowest 72.4 %") {
		t.Error(s)
	}
	e.Nights = []Night{{Morning: at, Drop: new(1.96)}, {Morning: at.AddDate(0, 0, 1), Drop: new(2.0)}}
	if s := plainly(newTeller(unit.Celsius).say("nights", e)); s != "Wed 1.96, Thu 2.0 °C" {
		t.Errorf("a drop of 1.96 °C is short of 2: %q", s)
	}
}

// sumOf is a record with one sum of each probe.
type sumOf struct {
	Record
	all map[sensors.ProbeID]store.Rollup
}

func (r sumOf) Rollups(_ context.Context, p sensors.ProbeID, _ store.Level, _, _ time.Time) iter.Seq2[store.Rollup, error] {
	return func(yield func(store.Rollup, error) bool) { yield(r.all[p], nil) }
}

// Heat is judged on the hottest probe of any place, and told of it too.
func TestSums_hottestOfAnyProbe(t *testing.T) {
	w := WeekOf(time.Date(2026, time.November, 18, 13, 0, 0, 0, time.UTC), time.UTC)
	sum := func(c int32) store.Rollup {
		return store.Rollup{Start: w.From(), Has: sensors.HasTemperature, Temperature: store.Spread{Min: c, Mean: c, Max: c}}
	}
	b := builder{ctx: t.Context(), rec: sumOf{all: map[sensors.ProbeID]store.Rollup{"air": sum(2500), "pool": sum(3050)}},
		prev: w.Prev(), report: &Report{Stretch: Stretch{w.From(), w.To()}, Until: w.To()}, covered: map[sensors.ProbeID]time.Duration{}}
	all := b.sums([]configs.Probe{{ID: "pool", Place: configs.Water}, {ID: "air", Place: configs.Canopy}})
	f := all.figures(w.From(), w.To(), func(time.Time) bool { return true })
	if f.Day.Temperature == nil || f.Day.Temperature.Max != 30.5 || f.Day.Temperature.Min != 25 {
		t.Errorf("%+v, want the air's 25 and the water's 30.5", f.Day.Temperature)
	}
}

// A secret that is missing is not told as a faulty configuration.
func TestSecrets_areNoFaultyConfiguration(t *testing.T) {
	x := Excursion{Alarm: alarm.ConfigRefused, Subject: alarm.Secrets}
	a := adviser{Report: &Report{Others: []Excursion{x}}, teller: newTeller(unit.Celsius)}
	a.self()
	lines := newTeller(unit.Celsius).lines("room", a.Report)
	if len(lines) != 1 || !strings.HasPrefix(lines[0], "dewline: a part is off, its secret cannot be read") {
		t.Errorf("%q", lines)
	}
	if len(a.wishes) != 1 || a.wishes[0].Title != "Put the missing secret into its file" {
		t.Errorf("%+v", a.wishes)
	}
}

// Of two verdicts on one mist, as after a crash, the picture shows the counted one.
func TestTell_oneVerdictForOneMist(t *testing.T) {
	w := WeekOf(time.Date(2026, time.November, 18, 13, 0, 0, 0, time.UTC), time.UTC)
	due := w.From().Add(10 * time.Hour)
	b := builder{cfg: &configs.Config{}, week: w, prev: w.Prev(), typed: w.Prev().From(), loc: time.UTC, found: map[string]*found{},
		report: &Report{Stretch: Stretch{w.From(), w.To()}, Until: w.To(), supply: map[string]string{}}}
	for _, m := range []event.Mist{{Enclosure: "e1", Due: due, Verdict: event.MistGiven, Start: due}, {Enclosure: "e1", Due: due, Verdict: event.MistMissed}} {
		b.take(&event.Event{Body: m})
	}
	out := Enclosure{ID: "e1", since: w.From()}
	b.tell(&out, configs.Enclosure{ID: "e1"})
	if out.Mist.Seen != 1 || out.Mist.Missed != 0 || len(out.missed) != 0 || !slices.Equal(out.pulses, []time.Time{due}) {
		t.Errorf("%+v with %d missed in the picture", out.Mist, len(out.missed))
	}
}
