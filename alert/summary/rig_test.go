package summary

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"dewline/configs"
	"dewline/rules"
	"dewline/rules/event"
	"dewline/sensors"
	"dewline/sensors/table"
	"dewline/store"
)

// roomTOML describes n invented enclosures on one rack, each with one probe
// over the litter, under lamps from 08:00 to 20:00 and misted at 10:00 and
// 16:00. D. tinctorius by the embedded table: day 22–26 °C, night 19–22 °C,
// floor 70 %, lethal limit 30 °C, wanted drop 2 °C.
func roomTOML(zone string, n int) string {
	var b strings.Builder
	fmt.Fprintf(&b, `
[room]
id = "test"
name = "Test room"
timezone = %q
poll = "60 s"
[mqtt]
broker = "tcp://127.0.0.1:1"
[[person]]
id = "sam"
name = "Sam"
channels = ["mqtt"]
[[lamps]]
id = "day"
on = "08:00-20:00"
[[mist]]
id = "mist"
times = ["10:00", "16:00"]
supply = "pump-1"
`, zone)
	for i := range n {
		fmt.Fprintf(&b, `
[[enclosure]]
id = "e%d"
name = "Enclosure %d"
rack = "%c"
shelf = %d
slot = %d
species = "dendrobates-tinctorius"
volume = "90 L"
lamps = "day"
mist = "mist"
[[probe]]
id = "p%d"
family = "simulated"
place = "litter"
enclosure = "e%d"
`, i+1, i+1, 'a'+rune(i/24), i%24/6+1, i%6+1, i+1, i+1)
	}
	return b.String()
}

// limits are what the table says of D. tinctorius, written out, so that a
// change of the table shows.
func limits(loc *time.Location) store.LimitsFunc {
	floor, ceiling := sensors.CentiPercent(7000), sensors.CentiCelsius(3000)
	day, night := [2]sensors.CentiCelsius{2200, 2600}, [2]sensors.CentiCelsius{1900, 2200}
	return func(_ sensors.ProbeID, at sensors.Instant) store.Limits {
		b := &night
		if h := at.Wall.In(loc).Hour(); h >= 8 && h < 20 {
			b = &day
		}
		return store.Limits{Low: &b[0], High: &b[1], Floor: &floor, Lethal: &ceiling}
	}
}

// A weather says what a probe measures at a moment; ok is false for nothing.
type weather func(at time.Time) (celsius, percent float64, ok bool)

// calm is 24 °C under lamps and 20 °C without, and 80 % but for the mists.
func calm(loc *time.Location) weather {
	return func(at time.Time) (float64, float64, bool) {
		local := at.In(loc)
		c := 20.0
		if h := local.Hour(); h >= 8 && h < 20 {
			c = 24
		}
		return c, 80 + misted(local), true
	}
}

// misted is the rise in points after mists at 10:00 and 16:00: up by 16 within
// two minutes, then halved every 30 minutes.
func misted(local time.Time) float64 {
	minute := float64(local.Hour()*60+local.Minute()) + float64(local.Second())/60
	rise := 0.0
	for _, m := range []float64{600, 960} {
		switch since := minute - m; {
		case since >= 2:
			rise += 16 * math.Exp2(-(since-2)/30)
		case since > 0:
			rise += 8 * since
		}
	}
	return rise
}

// alive are the last digits that move from minute to minute: a probe of which
// none does is not believed to have missed a mist.
func alive(at time.Time) float64 { return 0.05 * float64(at.Minute()%2) }

// A rig is a record in a temporary directory with its room.
type rig struct {
	t     *testing.T
	st    *store.Store
	cfg   *configs.Config
	loc   *time.Location
	start time.Time // of running time
	step  time.Duration
	rules *rules.Engine
}

func newRig(t *testing.T, zone string, enclosures int, start time.Time) *rig {
	t.Helper()
	cfg, err := table.Decode("room.toml", []byte(roomTOML(zone, enclosures)))
	if err != nil {
		t.Fatal(err)
	}
	st, _, err := store.Open(t.Context(), store.Options{Dir: t.TempDir(), Limits: limits(cfg.Room.Location)})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = st.Close(context.Background()) })
	r := &rig{t: t, st: st, cfg: cfg, loc: cfg.Room.Location, start: start, step: time.Minute, rules: rules.New(cfg)}
	r.journal(event.New(r.instant(start), event.Start{Version: "test"}))
	return r
}

func (r *rig) instant(at time.Time) sensors.Instant {
	return sensors.Instant{Mono: at.Sub(r.start) + time.Hour, Wall: at, Synced: true}
}

// fill appends what the weather of each probe says over [from, to).
func (r *rig) fill(from, to time.Time, by map[sensors.ProbeID]weather) {
	r.t.Helper()
	ids := []sensors.ProbeID{}
	for _, p := range r.cfg.Probes {
		if by[sensors.ProbeID(p.ID)] != nil {
			ids = append(ids, sensors.ProbeID(p.ID))
		}
	}
	n := 0
	for at := from; at.Before(to); at = at.Add(r.step) {
		for _, id := range ids {
			c, h, ok := by[id](at)
			if !ok {
				continue
			}
			s := sensors.Sample{Has: sensors.HasTemperature | sensors.HasHumidity, Temperature: sensors.CelsiusOf(c), Humidity: sensors.PercentOf(h)}
			r.read(sensors.Reading{Probe: id, At: r.instant(at), Has: s.Has, Temperature: s.Temperature, Humidity: s.Humidity, Raw: s, Quality: sensors.Good})
		}
		r.rules.Tick(r.instant(at))
		if n++; n%360 == 0 {
			r.flush()
		}
	}
	r.flush()
}

// read gives a reading to the record and to the rules, as the daemon does.
func (r *rig) read(rd sensors.Reading) {
	r.st.Append(rd)
	r.rules.Step(&rd)
}

func (r *rig) flush() {
	r.t.Helper()
	if facts := r.rules.Facts(); len(facts) > 0 {
		r.journal(facts...)
	}
	if err := r.st.Flush(r.t.Context(), nil); err != nil {
		r.t.Fatal(err)
	}
}

// journal commits lines; each has a time and the fields of an entry.
func (r *rig) journal(entries ...event.Event) {
	r.t.Helper()
	if err := r.st.Commit(store.Commit{Journal: entries}); err != nil {
		r.t.Fatal(err)
	}
}

func (r *rig) step1(at time.Time, onset, from, to, priority, who string) event.Event {
	return event.OfLine(r.instant(at), event.Line{Kind: "alarm", Subject: onset, Old: from, New: to, Priority: priority, Who: who})
}

// reached is a step of an alarm whose furthest value is on record.
func (r *rig) reached(e event.Event, value, limit float64, at time.Time) event.Event {
	a := e.Body.(event.Alarm)
	a.Furthest = &event.Furthest{Value: value, Limit: limit, Time: at}
	e.Body = a
	return e
}

func (r *rig) doc(b store.Bucket, key string, v any) {
	r.t.Helper()
	value, err := json.Marshal(v)
	if err != nil {
		r.t.Fatal(err)
	}
	if err := r.st.Commit(store.Commit{Docs: []store.Doc{{Bucket: b, Key: key, Value: value}}}); err != nil {
		r.t.Fatal(err)
	}
}

func (r *rig) build(week string, now time.Time) *Report {
	r.t.Helper()
	w, err := ParseWeek(week, r.loc)
	if err != nil {
		r.t.Fatal(err)
	}
	report, err := Build(r.t.Context(), r.st, r.cfg, w, now)
	if err != nil {
		r.t.Fatal(err)
	}
	return report
}

// eventful is a fortnight with a calm week and then one of which every figure
// is known; see TestKnownWeek.
func eventful(t *testing.T) (*rig, *Report) {
	t.Helper()
	from := time.Date(2026, 11, 9, 0, 0, 0, 0, time.UTC) // Monday of week 46
	to := from.AddDate(0, 0, 14)
	r := newRig(t, "UTC", 2, from)
	day := func(d, hour, minute int) time.Time { return time.Date(2026, 11, d, hour, minute, 0, 0, time.UTC) }
	in := func(at, from, to time.Time) bool { return !at.Before(from) && at.Before(to) }
	quiet := calm(time.UTC)
	busy := func(at time.Time) (float64, float64, bool) {
		c, h, _ := quiet(at)
		switch {
		case in(at, day(18, 10, 0), day(18, 16, 0)): // Wednesday's first mist does not come
			h = 80 + alive(at)
		case in(at, day(19, 13, 0), day(19, 14, 0)): // Thursday's heat
			c = 27.5
		case in(at, day(19, 14, 0), day(19, 14, 30)):
			c = 30.5
		case in(at, day(19, 14, 30), day(19, 15, 0)):
			c = 27.5
		case in(at, day(20, 18, 0), day(20, 19, 30)): // Friday's dry air
			h = 60
		case in(at, day(20, 20, 0), day(21, 8, 0)): // Friday's warm night
			c = 24
		}
		return c, h, !in(at, day(21, 2, 0), day(21, 5, 0)) // Saturday's gap
	}
	r.fill(from, to, map[sensors.ProbeID]weather{"p1": busy, "p2": quiet})
	r.journal(
		r.step1(day(11, 15, 0), "mist-missing/e2/1", "NORM", "UNACK", "today", ""),
		r.step1(day(11, 16, 0), "mist-missing/e2/1", "UNACK", "NORM", "today", ""),
		r.step1(day(19, 13, 30), "above-band/e1/1", "NORM", "UNACK", "today", ""),
		event.OfLine(r.instant(day(19, 13, 30)), event.Line{Kind: "notice", Subject: "above-band/e1/1", New: "raised"}),
		r.step1(day(19, 14, 0), "lethal-ceiling/e1/1", "NORM", "UNACK", "wake", ""),
		event.OfLine(r.instant(day(19, 14, 0)), event.Line{Kind: "notice", Subject: "lethal-ceiling/e1/1", New: "raised"}),
		r.step1(day(19, 14, 12), "lethal-ceiling/e1/1", "UNACK", "ACKED", "wake", "Sam"),
		r.reached(r.step1(day(19, 14, 40), "lethal-ceiling/e1/1", "ACKED", "NORM", "wake", ""), 30.5, 30, day(19, 14, 0)),
		r.reached(r.step1(day(19, 15, 10), "above-band/e1/1", "UNACK", "RTNUN", "today", ""), 30.5, 26, day(19, 14, 0)),
		r.step1(day(19, 18, 30), "above-band/e1/1", "RTNUN", "NORM", "today", "Sam"),
		r.step1(day(20, 18, 10), "humidity-floor/e1/1", "NORM", "UNACK", "today", ""),
		r.reached(r.step1(day(20, 19, 35), "humidity-floor/e1/1", "UNACK", "NORM", "today", ""), 60, 70, day(20, 18, 0)),
		event.OfLine(r.instant(day(17, 9, 0)), event.Line{Kind: "drill", Who: "Sam", Subject: "sam", New: "drill/sam/1"}),
		event.OfLine(r.instant(day(17, 9, 1)), event.Line{Kind: "notice", Subject: "drill/sam/1", New: "acknowledged", Who: "sam"}),
		event.OfLine(r.instant(day(17, 9, 1)), event.Line{Kind: "notice", Subject: "drill/sam/1", New: "drill-over", Why: "answered after 38 s"}),
		r.step1(day(22, 23, 0), "probe-silent/p2/1", "NORM", "UNACK", "today", ""),
	)
	r.doc(store.BucketNotes, "e1/1", map[string]any{
		"at": r.instant(day(18, 19, 0)), "enclosure": "e1", "by": "Sam", "text": "clutch seen <b>under</b> the fern",
	})
	r.doc(store.BucketNotes, "/2", map[string]any{"at": r.instant(day(20, 9, 0)), "by": "Sam", "text": "filled the reservoir"})
	r.doc(store.BucketNotes, "e1/0", map[string]any{"at": r.instant(day(10, 9, 0)), "enclosure": "e1", "by": "Sam", "text": "of the week before"})
	r.doc(store.BucketCalibration, "c1", sensors.Correction{
		ID: "c1", Probe: "p1", Quantity: sensors.Humidity, Made: day(1, 12, 0), From: day(1, 12, 0), Gain: 1, Offset: 1, Uncertainty: 2,
	})
	return r, r.build("2026-W47", day(23, 7, 0))
}
