package page

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"dewline/alert"
	"dewline/alert/wire"
	"dewline/configs"
	"dewline/configs/unit"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/rules/event"
	"dewline/sensors"
	"dewline/store"
)

// A life is what an invented enclosure went through.
type life struct {
	from, to time.Time
	step     time.Duration
	misses   time.Time         // the due pulse that does not come
	silent   [2]time.Time      // no readings in between
	probes   []sensors.ProbeID // all live through the same
	lamps    configs.Lamps
	mist     configs.Mist
	flush    func(at sensors.Instant)  // once an hour
	offset   func(day float64) float64 // of the temperature, over the year
	rules    *rules.Engine             // that hear of it; nil for none
}

// live appends the readings of a life: 21 °C with the lamps off and 24 °C with
// them on (time constant 40 min), pulses from 78 to 97 % that dry by half in
// 45 min.
func (l *life) live(s *store.Store, loc *time.Location) { l.liveFrom(s, loc, 0) }

// liveFrom goes on at a running time.
func (l *life) liveFrom(s *store.Store, loc *time.Location, mono time.Duration) {
	warm, wet := 0.0, 0.0
	next := l.mist.Next(l.from.Add(-time.Second), loc)
	for at := l.from; at.Before(l.to); at = at.Add(l.step) {
		target := 0.0
		if l.lamps.IsOn(at, loc) {
			target = 3
		}
		warm += (target - warm) * (1 - math.Exp(-l.step.Minutes()/40))
		wet *= math.Exp2(-l.step.Minutes() / 45)
		if !next.IsZero() && !at.Before(next) {
			if !next.Equal(l.misses) {
				wet = 19
			}
			next = l.mist.Next(at, loc)
		}
		now := sensors.Instant{Mono: mono + at.Sub(l.from) + time.Second, Wall: at, Synced: true}
		if at.Before(l.silent[0]) || !at.Before(l.silent[1]) {
			t := 21 + warm
			if l.offset != nil {
				t += l.offset(at.Sub(l.from).Hours() / 24)
			}
			sample := sensors.Sample{Has: sensors.HasTemperature | sensors.HasHumidity, Temperature: sensors.CelsiusOf(t), Humidity: sensors.PercentOf(78 + wet)}
			for _, p := range l.probes {
				r := sensors.Reading{Probe: p, At: now, Has: sample.Has, Raw: sample, Temperature: sample.Temperature, Humidity: sample.Humidity, Quality: sensors.Good}
				s.Append(r)
				if l.rules != nil {
					l.rules.Step(&r)
				}
			}
		}
		if l.rules != nil {
			l.rules.Tick(now)
		}
		if at.Sub(l.from)%time.Hour == 0 && l.flush != nil {
			l.flush(now)
		}
	}
}

func openStore(t testing.TB) *store.Store {
	t.Helper()
	s, _, err := store.Open(context.Background(), store.Options{Dir: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close(context.Background()) })
	return s
}

// threeDays is a room in Berlin whose first probe lived from 15 to 18 July,
// missed the pulse of 17 July at 20:00 and was silent over that of the 16th.
func threeDays(t testing.TB) (*store.Store, *configs.Config, time.Time) {
	t.Helper()
	cfg := roomOf(t, 12)
	loc, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	cfg.Room.Location = loc
	local := func(d, h, m int) time.Time { return time.Date(2026, 7, d, h, m, 0, 0, loc) }
	s := openStore(t)
	l := life{
		from: local(15, 0, 0), to: local(18, 12, 0), step: 10 * time.Second, misses: local(17, 20, 0),
		silent: [2]time.Time{local(16, 19, 30), local(16, 21, 30)}, probes: []sensors.ProbeID{"a-1-1-canopy"},
	}
	l.lamps, _ = cfg.LampsOf(cfg.Enclosures[0])
	l.mist, _ = cfg.MistOf(cfg.Enclosures[0])
	l.rules = rules.New(cfg)
	l.flush = func(sensors.Instant) {
		if err := errors.Join(s.Flush(context.Background(), nil), s.Commit(store.Commit{Journal: l.rules.Facts()})); err != nil {
			t.Fatal(err)
		}
	}
	l.liveFrom(s, loc, snapAt(l.to).At.Mono-l.to.Sub(l.from))
	l.flush(sensors.Instant{})
	return s, cfg, l.to
}

// Every pulse is found within three minutes of its time, the one that did not
// come is missed, and the one that nobody could have seen is not clear.
func TestMistsOfTheRecord(t *testing.T) {
	s, cfg, now := threeDays(t)
	found, _, err := logOf(s, snapAt(now), "a-1-1", now.Add(-77*time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, m := range found {
		at := m.At().In(cfg.Room.Location)
		got = append(got, at.Add(90*time.Second).Truncate(5*time.Minute).Format("2 15:04 ")+m.Verdict)
	}
	want := "15 08:00 given, 15 20:00 given, 16 08:00 given, 16 20:00 unclear, 17 08:00 given, 17 20:00 missed, 18 08:00 given"
	if text := strings.Join(got, ", "); text != want {
		t.Errorf("got  %s\nwant %s", text, want)
	}
	for _, m := range found {
		if m.Start.IsZero() || m.Dry == nil {
			continue
		}
		if math.Abs(m.Before-78) > 1 || math.Abs(m.Peak-97) > 1.5 {
			t.Errorf("pulse at %s: %.1f to %.1f %%, made from 78 to 97", m.At(), m.Before, m.Peak)
		}
		if half := m.Dry.HalfLife / 60; half != 0 && math.Abs(half-45) > 12 {
			t.Errorf("pulse at %s: dries by half in %.0f min, made with 45", m.At(), half)
		}
	}
}

func snapAt(now time.Time) *alert.Snapshot {
	return &alert.Snapshot{At: sensors.Instant{Mono: 90 * 24 * time.Hour, Wall: now, Synced: true}}
}

// The drop was made as 3 °C, and both phases are long enough to show all of
// it.
func TestNightsOfTheRecord(t *testing.T) {
	s, cfg, now := threeDays(t)
	_, found, err := logOf(s, snapAt(now), "a-1-1", now.AddDate(0, 0, -8))
	if err != nil {
		t.Fatal(err)
	}
	complete := 0
	for _, n := range found {
		if local := n.Ended.In(cfg.Room.Location); local.Hour() != 8 {
			t.Errorf("a night ends at %s, the lamps come on at 08:00", local)
		}
		if n.Drop == nil {
			continue
		}
		complete++
		if math.Abs(*n.Drop-3) > 0.05 {
			t.Errorf("night to %s: drop %.2f °C, made with 3", n.Ended, *n.Drop)
		}
	}
	if complete < 2 {
		t.Errorf("%d complete nights, want at least two", complete)
	}
}

func TestCurvesLeaveGapsOpen(t *testing.T) {
	s, cfg, now := threeDays(t)
	for _, span := range []string{"day", "week"} {
		p := periodOf(span, "", now, cfg.Room.Location)
		if span == "day" { // the day of the silence
			p = periodOf(span, "2026-07-16", now, cfg.Room.Location)
		}
		temp, _, err := curvesOf(t.Context(), s, "a-1-1-canopy", p, p.points(chartWide), cfg.Room.Poll.D())
		if err != nil {
			t.Fatal(err)
		}
		gaps := 0
		for i, q := range temp {
			if q.Min > q.Mean || q.Mean > q.Max || q.Min < 20.9 || q.Max > 24.1 {
				t.Fatalf("%s: %+v, made between 21 and 24", span, q)
			}
			if i > 0 && q.Gap {
				gaps++
				if d := q.At.Sub(temp[i-1].At); d < 110*time.Minute || d > 145*time.Minute {
					t.Errorf("%s: a gap of %s, made with 2 h", span, d)
				}
			}
		}
		if gaps != 1 || len(temp) < 100 {
			t.Errorf("%s: %d gaps in %d points, want one", span, gaps, len(temp))
		}
	}
}

func TestPeriods(t *testing.T) {
	loc, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	now := time.Date(2026, 10, 25, 14, 0, 0, 0, loc) // the day that has 25 hours
	for _, c := range []struct{ name, end, from, to string }{
		{"day", "", "2026-10-24 15:00", "2026-10-25 14:00"}, // 24 h of running time
		{"day", "2026-10-24", "2026-10-24 00:00", "2026-10-25 00:00"},
		{"day", "2026-10-25", "2026-10-25 01:00", "2026-10-26 00:00"},
		{"week", "2026-10-23", "2026-10-17 00:00", "2026-10-24 00:00"},
		{"month", "2026-09-30", "2026-09-01 00:00", "2026-10-01 00:00"},
		{"year", "", "2025-10-26 00:00", "2026-10-26 00:00"},
		{"year", "2025-12-31", "2025-01-01 00:00", "2026-01-01 00:00"},
		{"day", "2027-01-01", "2026-10-24 15:00", "2026-10-25 14:00"}, // not yet
		{"nonsense", "nonsense", "2026-10-24 15:00", "2026-10-25 14:00"},
		{"week", "0001-01-01", "2026-10-18 14:00", "2026-10-25 14:00"},
	} {
		p := periodOf(c.name, c.end, now, loc)
		if from, to := p.from.In(loc).Format("2006-01-02 15:04"), p.to.In(loc).Format("2006-01-02 15:04"); from != c.from || to != c.to {
			t.Errorf("%s to %q: %s – %s, want %s – %s", c.name, c.end, from, to, c.from, c.to)
		}
	}
}

func TestOnsetsFollowTheJournal(t *testing.T) {
	s, _, now := threeDays(t)
	at := func(ago time.Duration) sensors.Instant {
		return sensors.Instant{Mono: 100*time.Hour - ago, Wall: now.Add(-ago), Synced: true}
	}
	entry := func(ago time.Duration, subject, from, to, who, priority string) event.Event {
		return event.OfLine(at(ago), event.Line{Kind: "alarm", Subject: subject, Old: from, New: to, Who: who, Priority: priority})
	}
	err := s.Commit(store.Commit{Journal: []event.Event{
		entry(5*time.Hour, "above-band/a-1-1/1", "NORM", "UNACK", "", "today"),
		entry(4*time.Hour, "above-band/a-1-1/1", "UNACK", "UNACK", "", "wake"),
		entry(200*time.Minute, "above-band/a-1-1/1", "UNACK", "RTNUN", "", "wake"),
		entry(3*time.Hour, "above-band/a-1-1/1", "RTNUN", "UNACK", "", "wake"),
		entry(150*time.Minute, "above-band/a-1-1/1", "UNACK", "ACKED", "Ada", "wake"),
		entry(2*time.Hour, "above-band/a-1-1/1", "ACKED", "NORM", "", "wake"),
		entry(90*time.Minute, "probe-silent/a-1-1-canopy/2", "NORM", "UNACK", "", "today"),
		entry(80*time.Minute, "above-band/a-1-2/1", "NORM", "UNACK", "", "today"),
		event.New(at(time.Hour), event.Note{Enclosure: "a-1-1"}),
		entry(50*time.Minute, "nonsense", "NORM", "UNACK", "", "today"),
	}})
	if err != nil {
		t.Fatal(err)
	}
	cfg := roomOf(t, 12)
	snap := snapshotOf(cfg)
	snap.At = at(0)
	got, err := onsets(s, snap, now.Add(-24*time.Hour), ofEnclosure(cfg, "a-1-1"))
	if err != nil || len(got) != 2 {
		t.Fatalf("%d alarms, %v; want the enclosure's and its probe's", len(got), err)
	}
	o := got[0]
	if o.Key.Alarm != alarm.AboveBand || !o.From.Wall.Equal(now.Add(-5*time.Hour)) || !o.To.Wall.Equal(now.Add(-2*time.Hour)) || o.By != "Ada" || o.Priority != alarm.Wake {
		t.Errorf("got %+v", o)
	}
	if !got[1].To.IsZero() {
		t.Error("an alarm that goes on has ended")
	}
	if later, _ := onsets(s, snap, now.Add(-time.Hour), ofEnclosure(cfg, "a-1-1")); len(later) != 1 {
		t.Errorf("%d alarms of the last hour, want the one that goes on", len(later))
	}
	// Open for longer than the journal is read back: known from the snapshot.
	snap.Alarms[0].Key.Subject, snap.Alarms[0].Since = "a-1-1", at(500*time.Hour)
	old, _ := onsets(s, snap, now.Add(-time.Hour), ofEnclosure(cfg, "a-1-1"))
	if len(old) != 2 || old[0].Key.Alarm != alarm.LethalLimit || old[0].Priority != alarm.Wake || !old[0].To.IsZero() {
		t.Errorf("%d alarms with one that is older than the journal's part, want 2", len(old))
	}
}

// recordRig is a page on the three days.
func recordRig(t testing.TB) *rig {
	s, cfg, now := threeDays(t)
	r := newRig(t, 12)
	r.cfg, r.record = cfg, s
	r.snap = snapshotOf(cfg)
	r.snap.At.Wall = now
	return r
}

func TestEnclosureShowsItsPast(t *testing.T) {
	r := recordRig(t)
	r.notes = []wire.Note{{Time: r.snap.At.Wall.Add(-2 * time.Hour), Enclosure: "a-1-1", By: "Ada", Text: "clutch seen"}}
	body := r.get("/enclosure/a-1-1").body
	for _, want := range []string{"! due, none seen", "78 → 97 %", "Due at 08:00, 20:00", "3.0 °C", "clutch seen", "chart.svg?"} {
		if !strings.Contains(body, want) {
			t.Errorf("the page does not show %q", want)
		}
	}
	if strings.Contains(body, "could not be read") {
		t.Error("the page says that something could not be read")
	}
	home := r.get("/").body
	if !strings.Contains(home, "21.0–24.0°") {
		t.Error("home does not show the extremes of 24 h")
	}
}

func TestChartOfTheRecord(t *testing.T) {
	r := recordRig(t)
	for path, want := range map[string][]string{
		"?span=day&w=360":      {`viewBox="0 0 360 `, `class="pu"`, `class="mi"`, "no mist at 20:00"},
		"?span=week&w=760":     {`viewBox="0 0 760 `, `class="wb"`, "July 2026"},
		"?span=year&w=9999999": {`viewBox="0 0 760 `},
	} {
		a := r.get("/enclosure/a-1-1/chart.svg" + path)
		if a.code != http.StatusOK || a.head.Get("Content-Type") != "image/svg+xml" {
			t.Fatalf("%s: %d %s", path, a.code, a.head.Get("Content-Type"))
		}
		for _, w := range want {
			if !strings.Contains(a.body, w) {
				t.Errorf("%s: no %s", path, w)
			}
		}
	}
}

func TestWithoutARecord(t *testing.T) {
	r := newRig(t, 12)
	r.record = nil
	if a := r.get("/enclosure/a-1-1"); a.code != http.StatusOK || !strings.Contains(a.body, "the record is not open") || !strings.Contains(a.body, "24.3 °C") {
		t.Errorf("%d: the present must show without the past", a.code)
	}
	if a := r.get("/enclosure/a-1-1/chart.svg"); a.code != http.StatusServiceUnavailable {
		t.Errorf("a chart of nothing: %d", a.code)
	}
	if a := r.get("/"); a.code != http.StatusOK {
		t.Errorf("home: %d", a.code)
	}
}

// BenchmarkYear opens a store that holds a year, cold, and asks for the
// enclosure page and its charts. It takes minutes to prepare:
//
//	DEWLINE_YEAR=1 go test ./alert/page -run '^$' -bench Year -benchtime 20x -timeout 30m
func BenchmarkYear(b *testing.B) {
	if os.Getenv("DEWLINE_YEAR") == "" {
		b.Skip("takes minutes: set DEWLINE_YEAR=1")
	}
	dir, cfg, now := year(b)
	for _, path := range []string{
		"/", "/enclosure/a-1-1", "/enclosure/a-1-1/chart.svg?span=day", "/enclosure/a-1-1/chart.svg?span=week",
		"/enclosure/a-1-1/chart.svg?span=month", "/enclosure/a-1-1/chart.svg?span=year", "/alarms",
	} {
		b.Run(strings.ReplaceAll(path, "/", "_"), func(b *testing.B) {
			for b.Loop() {
				b.StopTimer()
				s, _, err := store.Open(context.Background(), store.Options{Dir: dir})
				if err != nil {
					b.Fatal(err)
				}
				r := rig{t: b, cfg: cfg, record: s, mayRead: true, snap: snapshotOf(cfg)}
				r.snap.At = sensors.Instant{Mono: 365 * 24 * time.Hour, Wall: now, Synced: true}
				h := New(r.options())
				b.StartTimer()
				w := httptest.NewRecorder()
				h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, path, nil))
				b.StopTimer()
				if w.Code != http.StatusOK {
					b.Fatal(w.Code, w.Body)
				}
				if err := s.Close(context.Background()); err != nil {
					b.Fatal(err)
				}
				b.StartTimer()
			}
		})
	}
}

// year keeps a year of 48 probes, a minute apart and 10 s apart in the last
// three days, with 40 journal entries a day.
func year(b testing.TB) (dir string, cfg *configs.Config, now time.Time) {
	b.Helper()
	dir, cfg = b.TempDir(), roomOf(b, 48)
	s, _, err := store.Open(context.Background(), store.Options{Dir: dir})
	if err != nil {
		b.Fatal(err)
	}
	now = noon
	l := life{from: now.AddDate(-1, 0, 0), to: now.AddDate(0, 0, -3), step: time.Minute}
	for _, p := range cfg.Probes {
		l.probes = append(l.probes, sensors.ProbeID(p.ID))
	}
	l.lamps, _ = cfg.LampsOf(cfg.Enclosures[0])
	l.mist, _ = cfg.MistOf(cfg.Enclosures[0])
	l.offset = func(day float64) float64 { return 1.5 * math.Sin(day/58) }
	l.flush = func(at sensors.Instant) {
		var entries []event.Event
		if at.Wall.Hour() == 12 {
			for i := range 40 {
				entries = append(entries, event.OfLine(at, event.Line{Kind: "alarm", Subject: fmt.Sprintf("above-band/a-1-%d/%d", i%2+1, at.Mono/time.Hour), Old: "NORM", New: "UNACK", Priority: "today"}))
			}
			if err := s.Commit(store.Commit{Journal: entries}); err != nil {
				b.Fatal(err)
			}
		}
		if err := s.Flush(context.Background(), nil); err != nil {
			b.Fatal(err)
		}
	}
	l.live(s, cfg.Room.Location)
	mono := l.to.Sub(l.from)
	fine := l
	fine.from, fine.to, fine.step = l.to, now, 10*time.Second
	fine.liveFrom(s, cfg.Room.Location, mono)
	if err := s.Close(context.Background()); err != nil {
		b.Fatal(err)
	}
	return dir, cfg, now
}

// A probe that has only said what is doubted has been heard.
func TestProbes_heardThoughNeverGood(t *testing.T) {
	r := newRig(t, 12)
	p := &r.snap.Probes[slices.IndexFunc(r.snap.Probes, func(p rules.ProbeView) bool { return p.Enclosure != "" })]
	p.Quality, p.Reason, p.Good, p.Fresh, p.HeardAge = "suspect", "dew-too-high", 0, false, ptr(rules.Seconds(2*time.Hour))
	if items := lists(reader{time.UTC, unit.Celsius, r.snap}); !strings.Contains(fmt.Sprint(items), "silent for 2 h") {
		t.Errorf("the morning's list: %v", items)
	}
	if body := r.get("/enclosure/" + p.Enclosure).body; !strings.Contains(body, `<td>2 h ago<td class="bad">! suspect: dew too high`) {
		t.Error(body)
	}
}
