package summary

import (
	"iter"
	"math"
	"strings"
	"testing"
	"time"

	"dewline/configs/unit"
	"dewline/rules/alarm"
	"dewline/rules/event"
	"dewline/rules/room"
	"dewline/sensors"
	"dewline/store"
)

func near(t *testing.T, what string, got *float64, want, within float64) {
	t.Helper()
	if got == nil {
		t.Errorf("%s: unknown, want %v", what, want)
	} else if math.Abs(*got-want) > within {
		t.Errorf("%s: %v, want %v", what, *got, want)
	}
}

// TestKnownWeek checks every figure of a week that was made up to have known
// ones.
func TestKnownWeek(t *testing.T) {
	_, r := eventful(t)
	if len(r.Enclosures) != 2 || r.Enclosures[0].ID != "e1" {
		t.Fatalf("enclosures %+v", r.Enclosures)
	}
	e := &r.Enclosures[0]
	near(t, "missing minutes", &e.Missing, 180, 0)
	near(t, "covered minutes", &e.Covered, (168-3)*60, 0)
	// Outside: two hours of heat, and the warm night of 12 h less the gap.
	near(t, "share inside the band", e.InBand, (168.0-3-2-9)/(168-3), 1e-9)
	near(t, "minutes below the floor", e.BelowMin, 90, 0)
	near(t, "minutes at the ceiling", e.AboveMin, 30, 0)
	near(t, "day's highest", &e.Day.Temperature.Max, 30.5, 0)
	near(t, "day's lowest", &e.Day.Temperature.Min, 24, 0)
	near(t, "day's mean", &e.Day.Temperature.Mean, (82*24+1.5*27.5+0.5*30.5)/84, 0.01)
	near(t, "night's mean", &e.Figures.Night.Temperature.Mean, (72*20+9*24)/81.0, 0.01)
	near(t, "night's lowest", &e.Figures.Night.Temperature.Min, 20, 0)
	near(t, "day's driest", &e.Day.Humidity.Min, 60, 0)
	if e.Mist != (Mist{Due: 14, Seen: 13, Missed: 1}) {
		t.Errorf("mist %+v, want 13 of 14 seen and 1 missed", e.Mist)
	}
	near(t, "half-life of the dry-down", e.DryDown.HalfLife, 30, 2)
	near(t, "night drop", e.Drop, 4, 0.01)
	wantDrops := []float64{4, 4, 4, 4, 4, 0, 4} // the night to Saturday was warm
	if len(e.Nights) != 7 {
		t.Fatalf("%d nights", len(e.Nights))
	}
	for i, n := range e.Nights {
		near(t, "night to "+n.Morning.Format("Monday"), n.Drop, wantDrops[i], 0.01)
	}
	before := &e.Before
	near(t, "share inside the band the week before", before.InBand, 1, 0)
	if before.Mist.Missed != 0 || before.Mist.Seen != 14 {
		t.Errorf("mist of the week before %+v", before.Mist)
	}
	if q := r.Enclosures[1]; q.Mist.Missed != 0 || *q.InBand != 1 || q.Missing != 0 || len(q.Excursions) != 0 {
		t.Errorf("the calm enclosure is not calm: %+v", q.Figures)
	}
}

// TestKnownExposure compares with the integral of 10^((T−Tref)/z) done by hand:
// the table's boundary of 28 °C lets only the half hour at 30.5 °C count, and
// the two minutes of the straight lines to and from 27.5 °C in part.
func TestKnownExposure(t *testing.T) {
	_, r := eventful(t)
	sp := configsSpecies(t, r)
	weight := math.Pow(10, (30.5-sp.ref)/sp.tenfold)
	want := 29 * weight / sp.minutes // 29 whole minutes between 30 readings
	x := r.Enclosures[0].Exposure
	if !x.Known || x.Peak < want || x.Peak > want*31/29 {
		t.Errorf("exposure %v, want a little over %v", x.Peak, want)
	}
	if h := x.DegreeHours; h < 29.0/60*2.5 || h > 31.0/60*2.5 {
		t.Errorf("%v °C h above the boundary", h)
	}
	if r.Enclosures[1].Exposure.Peak != 0 {
		t.Error("exposure without heat")
	}
}

func TestKnownExcursions(t *testing.T) {
	_, r := eventful(t)
	e := &r.Enclosures[0]
	if len(e.Excursions) != 3 {
		t.Fatalf("%d excursions, want 3: %+v", len(e.Excursions), e.Excursions)
	}
	above, lethal, dry := e.Excursions[0], e.Excursions[1], e.Excursions[2]
	near(t, "peak above the band", above.Peak, 30.5, 0)
	near(t, "peak at the ceiling", lethal.Peak, 30.5, 0)
	near(t, "lowest humidity", dry.Peak, 60, 0)
	if lethal.AckedBy != "Sam" || lethal.AckedIn != 12 || lethal.Priority != alarm.Wake {
		t.Errorf("lethal %+v, want Sam after 12 min", lethal)
	}
	// It had returned to normal before anybody answered.
	if above.AckedBy != "Sam" || above.AckedIn != 300 || above.To.Hour() != 15 {
		t.Errorf("above the band %+v, want over at 15:10 and answered after 5 h", above)
	}
	if dry.AckedBy != "" || dry.To.IsZero() {
		t.Errorf("dry %+v", dry)
	}
	q := r.Alarms
	if q.Count != 4 || q.Wakes != 1 || q.Nightly != 0 || q.Before != 1 || q.Notices != 2 || q.Acked != 2 || q.Unacked != 2 {
		t.Errorf("quality %+v", q)
	}
	if q.ByPriority["wake"] != 1 || q.ByPriority["today"] != 3 || q.BusiestDay != 2 {
		t.Errorf("quality %+v", q)
	}
	near(t, "mean time to acknowledge", &q.AckMean, (12+300)/2, 0)
	near(t, "longest unacknowledged", &q.LongestWait, 300, 0)
	if d := r.Drill; !d.Answered || d.Result != "answered after 38 s" || d.Last.Day() != 17 {
		t.Errorf("drill %+v", d)
	}
	if len(e.Notes) != 1 || len(r.Notes) != 1 {
		t.Errorf("notes %v and %v", e.Notes, r.Notes)
	}
	if e.Probes[0].Calibrated.IsZero() || !r.Enclosures[1].Probes[0].Calibrated.IsZero() {
		t.Error("calibrations mixed up")
	}
	if len(r.Do) != 3 || !strings.Contains(r.Do[0].Title, "Enclosure 1 gets too warm") {
		t.Errorf("worth doing: %+v", r.Do)
	}
}

// TestNothing says plainly that a week has no readings.
func TestNothing(t *testing.T) {
	r := newRig(t, "UTC", 1, time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC))
	report := r.build("2026-W10", time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC))
	if !report.NoData || !strings.Contains(report.Subject(), "nothing was measured") {
		t.Errorf("an empty week: %q", report.Subject())
	}
	text := report.Text(unit.Celsius)
	if !strings.Contains(text, "nothing was measured") || strings.Contains(text, "100 %") {
		t.Errorf("an empty week reads\n%s", text)
	}
	w, _ := ParseWeek("2026-W47", time.UTC)
	if _, err := Build(t.Context(), r.st, r.cfg, w, w.From()); err == nil {
		t.Error("a week that has not begun was told")
	}
}

// A week before the record begins is no fault that somebody should look for.
func TestBeforeTheRecord(t *testing.T) {
	from := time.Date(2026, 7, 18, 6, 0, 0, 0, time.UTC)
	r := newRig(t, "UTC", 1, from)
	r.fill(from, from.Add(2*time.Hour), map[sensors.ProbeID]weather{"p1": calm(time.UTC)})
	report := r.build("2026-W28", from.Add(3*time.Hour))
	if !report.Early() || len(report.Do) != 0 || !strings.Contains(report.Subject(), "before the record begins") {
		t.Errorf("%q, to do %v", report.Subject(), report.Do)
	}
	var page strings.Builder
	if err := report.HTML(&page, unit.Celsius, nil, Inside); err != nil {
		t.Fatal(err)
	}
	for name, s := range map[string]string{"text": report.Text(unit.Celsius), "page": page.String()} {
		if !strings.Contains(strings.Join(strings.Fields(s), " "), "the record begins on Saturday 18 July 2026") || strings.Contains(s, "Find out") || strings.Contains(s, "no reading at all") {
			t.Errorf("%s:\n%s", name, s)
		}
	}
	if r.build("2026-W29", from.Add(3*time.Hour)).Early() {
		t.Error("the week in which the record begins is taken for one before it")
	}
}

// TestPartialWeek tells a week under way up to now and does not count the rest
// as missing.
func TestPartialWeek(t *testing.T) {
	from := time.Date(2026, 11, 16, 0, 0, 0, 0, time.UTC)
	now := from.Add(36*time.Hour + 10*time.Minute)
	r := newRig(t, "UTC", 1, from)
	r.fill(from.Add(6*time.Hour), now, map[sensors.ProbeID]weather{"p1": calm(time.UTC)})
	report := r.build("2026-W47", now)
	e := report.Enclosures[0]
	near(t, "missing", &e.Missing, 0, 0.001)
	if e.Mist.Due != 3 || e.Mist.Seen != 3 {
		t.Errorf("mist %+v, want the three that were due", e.Mist)
	}
	if !strings.Contains(strings.Join(report.Unknown, " "), "not over") {
		t.Errorf("unknown: %v", report.Unknown)
	}
}

// TestSilentIsUnclear does not call a mist missed that nobody could have seen.
func TestSilentIsUnclear(t *testing.T) {
	from := time.Date(2026, 11, 16, 0, 0, 0, 0, time.UTC)
	r := newRig(t, "UTC", 1, from)
	quiet := calm(time.UTC)
	r.fill(from, from.AddDate(0, 0, 7), map[sensors.ProbeID]weather{"p1": func(at time.Time) (float64, float64, bool) {
		c, h, _ := quiet(at)
		silent := at.Day() == 18 && at.Hour() >= 9 && at.Hour() < 18
		return c, h, !silent
	}})
	e := r.build("2026-W47", from.AddDate(0, 0, 8)).Enclosures[0]
	if e.Mist.Due != 14 || e.Mist.Seen != 12 || e.Mist.Missed != 0 || e.Mist.Unclear() != 2 {
		t.Errorf("mist %+v, want two that could not be told", e.Mist)
	}
	near(t, "missing", &e.Missing, 9*60, 0)
	if s := newTeller(unit.Celsius).say("mist", e.Mist); !strings.Contains(s, "2 could not be told") {
		t.Error(s)
	}
}

// TestSupplyOrNozzle asks for the pump where most enclosures on it went dry.
func TestSupplyOrNozzle(t *testing.T) {
	from := time.Date(2026, 11, 16, 0, 0, 0, 0, time.UTC)
	r := newRig(t, "UTC", 3, from)
	quiet := calm(time.UTC)
	dry := func(days ...int) weather {
		return func(at time.Time) (float64, float64, bool) {
			c, h, _ := quiet(at)
			for _, d := range days {
				if at.Day() == d {
					h = 80 + alive(at)
				}
			}
			return c, h, true
		}
	}
	r.fill(from, from.AddDate(0, 0, 7), map[sensors.ProbeID]weather{"p1": dry(18), "p2": dry(18, 19), "p3": dry(18)})
	report := r.build("2026-W47", from.AddDate(0, 0, 8))
	if len(report.Do) == 0 || !strings.Contains(report.Do[0].Title, "pump-1") {
		t.Errorf("worth doing: %+v", report.Do)
	}
	alone := newRig(t, "UTC", 3, from)
	alone.fill(from, from.AddDate(0, 0, 7), map[sensors.ProbeID]weather{"p1": quiet, "p2": dry(18), "p3": quiet})
	report = alone.build("2026-W47", from.AddDate(0, 0, 8))
	if len(report.Do) == 0 || !strings.Contains(report.Do[0].Title, "nozzle of Enclosure 2") {
		t.Errorf("worth doing: %+v", report.Do)
	}
}

// TestDamagedJournal goes on without what cannot be read, and says so.
func TestOddEntries(t *testing.T) {
	r := newRig(t, "UTC", 1, time.Date(2026, 11, 16, 0, 0, 0, 0, time.UTC))
	at := time.Date(2026, 11, 17, 0, 0, 0, 0, time.UTC)
	r.journal(
		r.step1(at, "no-slashes", "NORM", "UNACK", "", ""),
		r.step1(at, "above-band/e1/x", "NORM", "UNACK", "", ""),
		r.step1(at, "above-band/e1/1", "NORM", "HIGH", "", ""),
		r.step1(at, "above-band/e1/7", "RTNUN", "NORM", "", ""), // begun in a lost part
	)
	r.doc(store.BucketNotes, "bad", "a string")
	r.doc(store.BucketCalibration, "bad", 7)
	report := r.build("2026-W47", at.AddDate(0, 0, 14))
	if report.Alarms.Count != 0 {
		t.Errorf("%d alarms out of nonsense", report.Alarms.Count)
	}
	for _, want := range []string{"notes", "calibrations"} {
		if !strings.Contains(strings.Join(report.Unknown, "\n"), want) {
			t.Errorf("nothing said of bad %s: %v", want, report.Unknown)
		}
	}
}

// A dosing is the exposure reference of a species.
type dosing struct{ ref, tenfold, minutes float64 }

func configsSpecies(t *testing.T, _ *Report) dosing {
	t.Helper()
	cfg := newRig(t, "UTC", 1, time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)).cfg
	sp := cfg.SpeciesFor(cfg.Enclosures[0])
	if sp.Boundary != 28 {
		t.Fatalf("the table's boundary is %v; the test was made for 28", sp.Boundary)
	}
	return dosing{float64(sp.ReferenceTemp), float64(sp.TenfoldPer), sp.ReferenceTime.D().Minutes()}
}

// An oldLog is a record whose log was written before events had types.
type oldLog struct{ Record }

func (o oldLog) Journal(from, to time.Time) iter.Seq2[event.Event, error] {
	return func(yield func(event.Event, error) bool) {
		for e, err := range o.Record.Journal(from, to) {
			switch e.Body.(type) {
			case event.Mist, event.Night, event.DryDown, event.Dose:
				continue
			}
			e.Schema = 0
			if !yield(e, err) {
				return
			}
		}
	}
}

// What an old log does not hold is said not to be recorded; all else is as ever.
func TestOldLog(t *testing.T) {
	r, want := eventful(t)
	w, _ := ParseWeek("2026-W47", r.loc)
	got, err := Build(t.Context(), oldLog{r.st}, r.cfg, w, want.Made)
	if err != nil {
		t.Fatal(err)
	}
	e := &got.Enclosures[0]
	if !e.Unrecorded || e.Mist != (Mist{}) || e.Drop != nil || e.Exposure.Known || len(e.Excursions) != 3 || got.Alarms.Count != want.Alarms.Count || *e.InBand != *want.Enclosures[0].InBand {
		t.Errorf("%+v", e)
	}
	text := strings.Join(strings.Fields(got.Text(unit.Celsius)), " ")
	if !strings.Contains(text, "Not recorded mist pulses, dry-downs, night drops and exposure") || strings.Contains(text, "none was due") {
		t.Errorf("an old log reads\n%s", text)
	}
}

// What lasts when the week is over is told by what the rules keep of it, as long as that
// is of the week; an onset on its way since before it rang is told from its beginning, and
// counted by when it rang.
func TestExcursion_ThatLasts(t *testing.T) {
	from := time.Date(2026, 11, 9, 0, 0, 0, 0, time.UTC)
	sunday := from.AddDate(0, 0, 13).Add(20 * time.Hour)
	for name, c := range map[string]struct {
		seq  uint64
		at   time.Time
		want *float64
	}{
		"kept":              {3, sunday.Add(time.Hour), new(27.83)},
		"of the week after": {3, sunday.Add(10 * time.Hour), nil},
		"of another onset":  {2, sunday.Add(time.Hour), nil},
	} {
		t.Run(name, func(t *testing.T) {
			r := newRig(t, "UTC", 1, from)
			raise := r.step1(sunday, "above-band/e1/3", "NORM", "UNACK", "today", "")
			a := raise.Body.(event.Alarm)
			a.Since = sunday.Add(-20 * time.Minute)
			raise.Body = a
			r.journal(raise)
			rec := room.Record{Key: alarm.Key{Alarm: alarm.AboveBand, Subject: "e1"}, Peak: &alarm.Peak{Value: 27.83, Limit: 26, At: r.instant(c.at)}}
			rec.Life.Seq = c.seq
			r.doc(store.BucketAlarms, "above-band/e1", rec)
			x := r.build("2026-W47", sunday.Add(20*time.Hour)).Enclosures[0].Excursions[0]
			if !x.From.Equal(a.Since) || !x.raised.Equal(sunday) || !x.To.IsZero() {
				t.Errorf("%+v", x)
			}
			if (x.Peak == nil) != (c.want == nil) || x.Peak != nil && (*x.Peak != *c.want || !x.PeakAt.Equal(c.at)) {
				t.Errorf("peak %v at %v, want %v", x.Peak, x.PeakAt, c.want)
			}
		})
	}
}
