package sensors

import (
	"encoding/json"
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

func day(n int) time.Time { return time.Date(2026, 1, n, 12, 0, 0, 0, time.UTC) }

// offset is a humidity record made and valid from given days.
func offset(id string, made, from int, offset float64) Correction {
	return Correction{ID: id, Probe: "p", Quantity: Humidity, Made: day(made), From: day(from), Gain: 1, Offset: offset, Uncertainty: 1}
}

func mustSet(t *testing.T, records ...Correction) *Corrections {
	t.Helper()
	c, err := NewCorrections(records)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// inForce returns the id of the humidity record at noon of a day.
func inForce(c *Corrections, n int) string {
	if a := c.At("p", day(n)).Humidity; a != nil {
		return a.ID
	}
	return ""
}

func TestCorrectionsApplyFromTheirDate(t *testing.T) {
	c := mustSet(t, offset("b", 20, 20, -3), offset("a", 10, 10, -1))
	for n, want := range map[int]string{9: "", 10: "a", 19: "a", 20: "b", 31: "b"} {
		if got := inForce(c, n); got != want {
			t.Errorf("day %d: %q, want %q", n, got, want)
		}
	}
	if a := c.At("q", day(31)); a.Humidity != nil || a.Temperature != nil {
		t.Errorf("another probe is corrected: %+v", a)
	}
	if a := c.At("p", day(31)); a.Temperature != nil {
		t.Errorf("a humidity record corrects the temperature")
	}
}

func TestCorrectionsTheOneMadeLastWins(t *testing.T) {
	c := mustSet(t, offset("a", 10, 10, -1), offset("back", 25, 5, -2), offset("later", 28, 28, -3))
	for n, want := range map[int]string{4: "", 5: "back", 15: "back", 28: "later"} {
		if got := inForce(c, n); got != want {
			t.Errorf("day %d: %q, want %q", n, got, want)
		}
	}
	same := mustSet(t, offset("first", 10, 10, -1), offset("second", 10, 10, -2))
	if got := inForce(same, 11); got != "second" {
		t.Errorf("made at one time: %q wins, want the later entry", got)
	}
}

func TestCorrectionsUndo(t *testing.T) {
	a, b := offset("a", 10, 10, -1), offset("b", 12, 12, -2)
	gone := undo(b, "u", "keeper", day(13))
	c := mustSet(t, a, b, gone)
	if got := inForce(c, 20); got != "a" {
		t.Errorf("after the undo %q is in force, want a", got)
	}
	c = mustSet(t, a, b, gone, undo(gone, "uu", "keeper", day(14)))
	if got := inForce(c, 20); got != "b" {
		t.Errorf("after undoing the undo %q is in force, want b", got)
	}
	both := mustSet(t, a, b, gone, undo(a, "v", "keeper", day(14)))
	if got := inForce(both, 20); got != "" {
		t.Errorf("both undone and %q is in force", got)
	}
	if n := len(c.Records()); n != 4 {
		t.Errorf("%d records left of 4", n)
	}
}

func TestCorrectionsKeepGoingWithFaultyRecords(t *testing.T) {
	wild := offset("wild", 11, 11, -11)
	again := offset("a", 12, 12, -2)
	lost := Correction{ID: "lost", Made: day(13), Undoes: "nobody"}
	c, err := NewCorrections([]Correction{offset("a", 10, 10, -1), wild, again, lost, {Probe: "p"}})
	if got := inForce(c, 20); got != "a" {
		t.Errorf("%q in force, want a", got)
	}
	if !errors.Is(err, ErrRefused) {
		t.Errorf("error %v is no refusal", err)
	}
	for _, want := range []string{`correction "wild" of probe p`, `correction "a" of probe p is there twice`,
		`correction "lost" is to undo "nobody", which is not on record`, `correction of probe "p" has no id`} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("error does not say %q: %v", want, err)
		}
	}
	if len(c.Records()) != 5 {
		t.Errorf("%d records of 5 kept", len(c.Records()))
	}
}

func TestCorrectionsWith(t *testing.T) {
	var none *Corrections
	c, err := none.With(offset("a", 10, 10, -1))
	if err != nil {
		t.Fatal(err)
	}
	d, err := c.With(offset("b", 11, 11, -2))
	if err != nil || inForce(d, 12) != "b" || inForce(c, 12) != "a" {
		t.Errorf("with b: %q, before: %q, %v", inForce(d, 12), inForce(c, 12), err)
	}
	for _, bad := range []Correction{offset("a", 12, 12, 0), offset("c", 12, 12, 11), {ID: "u", Undoes: "x"}} {
		if e, err := d.With(bad); err == nil || e != d {
			t.Errorf("record %q: error %v", bad.ID, err)
		}
	}
	if none.At("p", day(1)) != (Applied{}) || none.Records() != nil {
		t.Error("the nil set corrects something")
	}
}

func TestCorrectionCheckRefuses(t *testing.T) {
	for _, c := range []struct {
		quantity     Quantity
		gain, offset float64
		refused      string // empty: accepted
	}{
		{Humidity, 1, -10, ""},
		{Humidity, 1, -10.01, "offset -10.01 %RH is more than 10 %RH"},
		{Humidity, 1, 10.01, "offset +10.01 %RH is more than 10 %RH"},
		{Humidity, 0.9, 5, ""},
		{Humidity, 0.899, 5, "gain 0.8990 is outside 0.9 to 1.1"},
		{Humidity, 1.1, -5, ""},
		{Humidity, 1.1001, -5, "gain 1.1001 is outside 0.9 to 1.1"},
		{Humidity, 1.1, 1, "would move a reading of 100 %RH by +11.0 %RH"},
		{Humidity, math.NaN(), 0, "gain NaN"},
		{Humidity, 1, math.NaN(), "offset +NaN"},
		{Temperature, 1, 2, ""},
		{Temperature, 1, -2.01, "offset -2.01 °C is more than 2 °C"},
		{Temperature, 1.01, 0, "not by a gain"},
		{Temperature, 1, math.NaN(), "offset +NaN"},
	} {
		r := offset("a", 1, 1, c.offset)
		r.Quantity, r.Gain = c.quantity, c.gain
		err := r.Check()
		if c.refused == "" && err != nil {
			t.Errorf("%s %v %v: %v", c.quantity, c.gain, c.offset, err)
		}
		if c.refused != "" && (!errors.Is(err, ErrRefused) || !strings.Contains(err.Error(), c.refused)) {
			t.Errorf("%s %v %v: %v, want a refusal with %q", c.quantity, c.gain, c.offset, err, c.refused)
		}
	}
}

func TestCorrectionCheckIncomplete(t *testing.T) {
	for want, change := range map[string]func(*Correction){
		"has no id":      func(c *Correction) { c.ID = "" },
		"names no probe": func(c *Correction) { c.Probe = "" },
		"has no date":    func(c *Correction) { c.From = time.Time{} },
		"uncertainty":    func(c *Correction) { c.Uncertainty = -1 },
		"neither":        func(c *Correction) { c.Quantity = "light" },
		"undoes itself":  func(c *Correction) { c.Undoes = c.ID },
	} {
		c := offset("a", 1, 1, 0)
		change(&c)
		if err := c.Check(); err == nil || !strings.Contains(err.Error(), want) || errors.Is(err, ErrRefused) {
			t.Errorf("error %v, want %q", err, want)
		}
	}
}

func TestCorrectionSurvivesJSON(t *testing.T) {
	full := offset("a", 10, 10, -1.25)
	full.Method, full.By, full.Note = "nacl", "keeper", "after soaking"
	full.Points = []Point{{At: day(10), Raw: 76.5, Reference: 75.25, Uncertainty: 1, Temperature: 24.5, Source: "nacl"}}
	for _, want := range []Correction{full, undo(full, "u", "keeper", day(11))} {
		text, err := json.Marshal(want)
		if err != nil {
			t.Fatal(err)
		}
		var got Correction
		if err := json.Unmarshal(text, &got); err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("after JSON %s:\n%s", text, d)
		}
	}
}

func TestAppliedApplyClips(t *testing.T) {
	rh := Correction{Gain: 1.05, Offset: -2}
	temp := Correction{Gain: 1, Offset: 0.35}
	for _, c := range []struct {
		a    Applied
		s    Sample
		t    CentiCelsius
		h    CentiPercent
		name string
	}{
		{Applied{}, climate(24, 104), 2400, 10000, "no correction"},
		{Applied{}, climate(24, -3), 2400, 0, "no correction, dry"},
		{Applied{&temp, &rh}, climate(24, 80), 2435, 8200, "both"},
		{Applied{&temp, &rh}, climate(24, 98), 2435, 10000, "clipped"},
		{Applied{Humidity: &rh}, climate(24, 1), 2400, 0, "clipped, dry"},
	} {
		if gt, gh := c.a.Apply(c.s); gt != c.t || gh != c.h {
			t.Errorf("%s: %s %s, want %s %s", c.name, gt, gh, c.t, c.h)
		}
	}
}

// History can be computed anew: the same raw samples give other values under
// another set, and the same again once the record is undone.
func TestHistoryCanBeRecomputed(t *testing.T) {
	raw := []Sample{climate(24, 90), climate(24.1, 91), climate(24.2, 92)}
	compute := func(c *Corrections) (h []CentiPercent) {
		j := NewJudge("p", limitsOf("sht4x"))
		j.Correct(c)
		for i, s := range raw {
			h = append(h, j.Read(Instant{Mono: time.Duration(i) * time.Minute, Wall: day(10 + i), Synced: true}, s, nil).Humidity)
		}
		return h
	}
	rec := offset("a", 20, 11, -2)
	if d := cmp.Diff([]CentiPercent{9000, 8900, 9000}, compute(mustSet(t, rec))); d != "" {
		t.Errorf("corrected from day 11:\n%s", d)
	}
	if d := cmp.Diff(compute(nil), compute(mustSet(t, rec, undo(rec, "u", "", day(21))))); d != "" {
		t.Errorf("undone:\n%s", d)
	}
}

func TestDue(t *testing.T) {
	const half = 180 * 24 * time.Hour
	c := mustSet(t, offset("a", 10, 10, -1))
	for _, x := range []struct {
		name      string
		set       *Corrections
		quantity  Quantity
		installed time.Time
		now       time.Time
		due       time.Time
	}{
		{"calibrated", c, Humidity, day(1), day(11), day(10).Add(half)},
		{"to the day", c, Humidity, day(1), day(10).Add(half), day(10).Add(half)},
		{"a moment before", c, Humidity, day(1), day(10).Add(half - 1), day(10).Add(half)},
		{"other quantity", c, Temperature, day(1), day(11), day(1).Add(half)},
		{"never, age unknown", nil, Humidity, time.Time{}, day(11), day(11)},
		{"undone", mustSet(t, offset("a", 10, 10, -1), Correction{ID: "u", Made: day(11), Undoes: "a"}), Humidity, day(2), day(20), day(2).Add(half)},
	} {
		if due := x.set.Due("p", x.quantity, half, x.installed, x.now); !due.Equal(x.due) {
			t.Errorf("%s: due %s, want %s", x.name, due, x.due)
		}
	}
}

func TestDueCountsFromTheComparisonNotTheBackdate(t *testing.T) {
	r := offset("a", 20, 1, -1)
	r.Points = []Point{{At: day(20), Raw: 76, Reference: 75}}
	due := mustSet(t, r).Due("p", Humidity, time.Hour, day(1), day(20))
	if !due.Equal(day(20).Add(time.Hour)) {
		t.Errorf("due %s", due)
	}
}

// BenchmarkCorrectionsAt is the look-up that each reading pays for.
// go test -run - -bench CorrectionsAt ./sensors
func BenchmarkCorrectionsAt(b *testing.B) {
	c := corrected(b)
	b.ReportAllocs()
	for b.Loop() {
		c.At("x", at(1).Wall)
	}
}

// A board without a clock chip starts in 1970, or where it was switched off.
func TestCorrectionsCountBeforeTheClockIsSet(t *testing.T) {
	warm := Correction{ID: "t", Probe: "p", Quantity: Temperature, Made: day(3), From: day(3), Gain: 1, Offset: 0.5}
	j := NewJudge("p", limitsOf("sht4x"))
	j.Correct(mustSet(t, offset("a", 10, 10, -1), offset("b", 20, 20, -3), warm))
	for i, c := range []struct {
		wall   time.Time
		synced bool
		want   CentiPercent
	}{{time.Unix(9, 0), false, 70_00}, {day(15), false, 70_00}, {day(15), true, 72_00}, {day(25), true, 70_00}} {
		at := Instant{Mono: time.Duration(i+1) * time.Minute, Wall: c.wall, Synced: c.synced}
		r := j.Read(at, climate(24, 73), nil)
		if r.Humidity != c.want || r.Temperature != 24_50 || r.Uncertainty.HumidityBelow <= 0 {
			t.Errorf("at %v, set %v: %v and %v", c.wall, c.synced, r.Temperature, r.Humidity)
		}
	}
	other := NewJudge("q", limitsOf("sht4x"))
	other.Correct(mustSet(t, offset("a", 10, 10, -1)))
	if r := other.Read(Instant{}, climate(24, 73), nil); r.Humidity != 73_00 {
		t.Errorf("another probe: %v", r.Humidity)
	}
}

// undo is the record that undoes c.
func undo(c Correction, id, by string, made time.Time) Correction {
	return Correction{ID: id, Probe: c.Probe, Quantity: c.Quantity, Made: made, By: by, Undoes: c.ID}
}
