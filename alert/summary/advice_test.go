package summary

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"dewline/configs/unit"
	"dewline/rules/alarm"
	"dewline/rules/room"
	"dewline/sensors"
	"dewline/store"
)

// made returns a report on n made-up enclosures that are calm.
func made(n int) *Report {
	from := time.Date(2026, 11, 16, 0, 0, 0, 0, time.UTC)
	w := WeekOf(from, time.UTC)
	r := &Report{Week: w.String(), Stretch: Stretch{w.From(), w.To()}, Until: w.To(), next: w.Next()}
	for i := range n {
		f := Figures{
			Covered: 7 * 24 * 60, InBand: new(1.0), BelowMin: new(0.0), AboveMin: new(0.0), Drop: new(4.0),
			Day: Climate{Temperature: &Spread{23, 24, 25}}, Night: Climate{Temperature: &Spread{19, 20, 21}},
			Mist: Mist{Due: 14, Seen: 14}, Exposure: Exposure{Known: true},
		}
		r.Enclosures = append(r.Enclosures, Enclosure{
			ID: fmt.Sprintf("e%d", i+1), Name: fmt.Sprintf("Tank %d", i+1), Limits: Limits{Floor: 70, Lethal: 30, DropMin: 2},
			Figures: f, Before: f,
		})
	}
	return r
}

func TestCalmAsksNothing(t *testing.T) {
	r := made(12).In(unit.Celsius)
	if len(r.Do) != 0 {
		t.Errorf("a calm week asks for %+v", r.Do)
	}
	if len(r.Changes) != 0 {
		t.Errorf("a calm week changed: %v", r.Changes)
	}
	if s := r.Subject(); !strings.Contains(s, "nothing asks for you") {
		t.Error(s)
	}
}

// TestRanks: heat comes before blindness, that before mist, that before dry air
// and habits, and care comes last; never more than three.
func TestRanks(t *testing.T) {
	r := made(6)
	e := r.Enclosures
	short := Night{Drop: new(0.5)}
	e[0].Nights = []Night{short, short, short, short}
	e[1].BelowMin = new(90.0)
	e[2].Mist = Mist{Due: 14, Seen: 10, Missed: 4}
	e[3].Missing = 500
	r.supply = map[string]string{"e3": "pump", "e4": "pump"}
	want := func(titles ...string) {
		t.Helper()
		do := r.In(unit.Celsius).Do
		if len(do) != len(titles) {
			t.Fatalf("asks for %d things, want %d: %+v", len(do), len(titles), do)
		}
		for i, title := range titles {
			if do[i].Title != title {
				t.Errorf("number %d: %q, want %q", i+1, do[i].Title, title)
			}
			if do[i].Why == "" || !strings.HasSuffix(do[i].Why, ".") {
				t.Errorf("number %d has no reason: %q", i+1, do[i].Why)
			}
		}
	}
	want("Mend the probe of Tank 4", "Clean the nozzle of Tank 3", "Raise the humidity of Tank 2")
	e[4].AboveMin, e[4].Day.Temperature = new(5.0), &Spread{23, 25, 30.1}
	want("Find out why Tank 5 gets too warm", "Mend the probe of Tank 4", "Clean the nozzle of Tank 3")
	for i := range e[:4] {
		e[i].Excursions = []Excursion{{Alarm: alarm.AboveBand}}
	}
	want("See to the cooling of the room", "Mend the probe of Tank 4", "Clean the nozzle of Tank 3")
	r.NoData = true
	want("Find out why nothing was measured")
}

// TestToldTogether: what many enclosures share is one wish and one change, the
// worst named first.
func TestToldTogether(t *testing.T) {
	r := made(6)
	for i := range r.Enclosures {
		r.Enclosures[i].BelowMin = new(100.0 + 60*float64(i))
		r.Enclosures[i].Day = Climate{Temperature: &Spread{23, 25 + float64(i)/10, 26}}
	}
	r = r.In(unit.Celsius)
	do := r.Do
	if len(do) != 1 || do[0].Title != "Raise the humidity of Tank 6 and 5 others" || !strings.Contains(do[0].Why, "Likewise Tank 5, Tank 4, Tank 3, Tank 2 and 1 more.") {
		t.Errorf("asks for %+v", do)
	}
	changes := r.Changes
	if len(changes) != 2 || !strings.HasPrefix(changes[0], "Tank 6: 6") || !strings.Contains(changes[1], "days") || !strings.Contains(changes[1], "Likewise Tank 5") {
		t.Errorf("changes %q", changes)
	}
}

// TestFloods follows EEMUA 191's measure: more than 10 alarms in 10 minutes
// begin a flood, fewer than 5 end it.
func TestFloods(t *testing.T) {
	at := func(minutes ...float64) (out []*Excursion) {
		for i, m := range minutes {
			out = append(out, &Excursion{past: &alarm.Past{Key: alarm.Key{Alarm: alarm.AboveBand, Subject: fmt.Sprint(i)}, Raised: sensors.Instant{Mono: time.Duration(m * float64(time.Minute))}}})
		}
		return out
	}
	burst := func(from float64, n int) (out []float64) {
		for i := range n {
			out = append(out, from+float64(i)/2)
		}
		return out
	}
	for _, c := range []struct {
		minutes []float64
		want    int
	}{
		{nil, 0}, {burst(0, 10), 0}, {burst(0, 11), 1}, {burst(0, 40), 1},
		{append(append(burst(0, 11), 100), burst(200, 11)...), 2}, // quiet between
		{append(burst(0, 11), burst(12, 11)...), 1},               // the same flood
	} {
		if got := floods(at(c.minutes...)); got != c.want {
			t.Errorf("%d alarms: %d floods, want %d", len(c.minutes), got, c.want)
		}
	}
}

func TestChattering(t *testing.T) {
	k := alarm.Key{Alarm: alarm.ProbeJump, Subject: "p1"}
	raised := func(seconds ...int) (out []*Excursion) {
		for _, s := range seconds {
			out = append(out, &Excursion{past: &alarm.Past{Key: k, Raised: sensors.Instant{Mono: time.Duration(s) * time.Second}}})
		}
		return out
	}
	span := 200 * time.Second // twenty polls of ten seconds
	if got := chattering(raised(0, 100, 201), span); len(got) != 0 {
		t.Errorf("three in more than the span chatter: %v", got)
	}
	if got := chattering(raised(0, 100, 200, 210), span); len(got) != 1 || got[0] != "probe-jump/p1/0" {
		t.Errorf("three in the span: %v", got)
	}
}

// What the rules' own measures suggest for an alarm that came again and again
// stands beside it. The figures are those of rules' KPI tests: a deadband that
// covers four in five of the quick returns.
func TestSuggestion(t *testing.T) {
	from := time.Date(2026, 11, 9, 0, 0, 0, 0, time.UTC)
	r := newRig(t, "UTC", 1, from)
	rec := room.Record{Key: alarm.Key{Alarm: alarm.AboveBand, Subject: "e1"}, Priority: alarm.Today, Unit: "°C", Stats: &room.Stats{}}
	for i := range 5 {
		at := from.AddDate(0, 0, 8).Add(time.Duration(i) * time.Hour)
		onset := fmt.Sprintf("above-band/e1/%d", i+1)
		r.journal(r.step1(at, onset, "NORM", "UNACK", "today", ""), r.step1(at.Add(20*time.Minute), onset, "UNACK", "NORM", "today", "Sam"))
		rec.Stats.Raised, rec.Stats.Quick = uint64(i+1), uint64(i+1)
		rec.Stats.Returned(room.Return{After: 40 * time.Minute, Far: 0.62})
	}
	r.doc(store.BucketAlarms, "above-band/e1", rec)
	report := r.build("2026-W47", from.AddDate(0, 0, 14))
	const want = "a deadband of 0.7 °C in place of 0.5 °C would have avoided 4 of 5"
	if top := report.Alarms.Top; len(top) != 1 || top[0].N != 5 || top[0].Suggested != want {
		t.Fatalf("%+v", top)
	}
	if text := strings.Join(strings.Fields(report.Text(unit.Celsius)), " "); !strings.Contains(text, want) {
		t.Errorf("the text does not carry it:\n%s", report.Text(unit.Celsius))
	}
	const wantF = "a deadband of 1.3 °F in place of 0.9 °F would have avoided 4 of 5"
	if text := strings.Join(strings.Fields(report.Text(unit.Fahrenheit)), " "); !strings.Contains(text, wantF) {
		t.Errorf("the text in °F does not carry it:\n%s", text)
	}
	var page strings.Builder
	if err := report.HTML(&page, unit.Celsius, nil, Inside); err != nil || !strings.Contains(page.String(), want) {
		t.Errorf("the page does not carry it: %v", err)
	}
}

func FuzzParseWeek(f *testing.F) {
	for _, s := range []string{"2026-W47", "2026-W53", "0000-W00", "9999-W52", "2026-W4７", "-001-W01"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		w, err := ParseWeek(s, time.UTC)
		if err == nil && (w.String() != s || w.From().Weekday() != time.Monday) {
			t.Errorf("%q was read as %s from %v", s, w, w.From())
		}
	})
}
