package metrics

import (
	"bytes"
	"flag"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"dewline/alert"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
	"dewline/store"

	"github.com/google/go-cmp/cmp"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"
	dto "github.com/prometheus/client_model/go"
	"github.com/prometheus/common/expfmt"
)

var update = flag.Bool("update", false, "write the golden file anew")

func ptr[T any](v T) *T { return &v }

var noon = time.Date(2026, 7, 18, 12, 0, 0, 0, time.UTC)

// full is a snapshot in which everything that can be known is known.
func full() *alert.Snapshot {
	at := sensors.Instant{Mono: 5 * time.Hour, Wall: noon, Synced: true}
	return &alert.Snapshot{
		At:           at,
		Room:         "test",
		Version:      "v1.2.3",
		Started:      noon.Add(-5 * time.Hour),
		Cycle:        1800,
		CycleAt:      noon,
		ConfigLoaded: noon.Add(-5 * time.Hour),
		Enclosures: []rules.EnclosureView{{
			EnclosureHome:    rules.EnclosureHome{ID: "e1", Name: `Moss "Hollow"`, Rack: "a", Shelf: 1, Slot: 2, Species: "dendrobates-auratus", Stage: "adult"},
			EnclosureAir:     rules.EnclosureAir{Temperature: rules.Measure{Value: 24.5, Known: true}, Humidity: rules.Measure{Value: 81.5, Known: true, Uncertainty: 3}},
			EnclosureLimits:  rules.EnclosureLimits{BandLow: 21, BandHigh: 26, Floor: 70, Lethal: 30},
			EnclosureOutlook: rules.EnclosureOutlook{DewPoint: ptr(rules.Tenth(21.1)), VPD: ptr(rules.Tenth(569)), RatePerHour: ptr(rules.Tenth(1.8)), ToLethal: &alarm.Range{FromMinutes: 90, ToMinutes: 150}, Exposure: 0.25, LampsOn: ptr(true)},
			EnclosureHabits:  rules.EnclosureHabits{LastMist: ptr(rules.Seconds(4 * time.Hour)), MissedMists: 1, DryDown: ptr(rules.Seconds(30 * time.Minute)), NightDrop: ptr(rules.Tenth(3.5)), NightsNoDrop: 0},
		}},
		Probes: []rules.ProbeView{{
			ID:             "p1",
			Place:          "litter",
			Enclosure:      "e1",
			ProbeAge:       rules.ProbeAge{Fresh: true, LastGood: rules.Moment{Instant: at}},
			ProbeValues:    rules.ProbeValues{Temperature: ptr(24.5), Humidity: ptr(81.5), Uncertainty: 3.4, LightLux: ptr(uint32(1200))},
			Readings:       1800,
			Good:           1790,
			Counts:         map[string]uint64{"bad-crc": 10},
			HumidityDue:    ptr(noon.AddDate(0, 3, 0)),
			TemperatureDue: ptr(noon.AddDate(0, 9, 0)),
		}, {
			ID:          "p2",
			Place:       "canopy",
			Enclosure:   "e1",
			ProbeAge:    rules.ProbeAge{Fresh: true, LastGood: rules.Moment{Instant: at}},
			ProbeValues: rules.ProbeValues{Temperature: ptr(41.0), TemperatureDoubt: "jump", Humidity: ptr(100.0), HumidityDoubt: "pinned-wet"},
			Readings:    1800,
			Good:        900,
		}},
		Contacts: []rules.ContactView{
			{ID: "mains", Is: "mains", Known: true, Active: ptr(true), For: ptr(rules.Seconds(time.Hour))}, {ID: "float", Is: "reservoir", Why: "silent"},
			{ID: "cell", Is: "battery", Known: true, Active: ptr(true), Value: ptr(3.21), Unit: "V"},
		},
		Alarms: []rules.AlarmView{{Onset: alarm.Onset{Key: alarm.Key{Alarm: alarm.AboveBand, Subject: "e1"}, Priority: alarm.Today}, State: alarm.Acked}},
		KPI: rules.KPI{
			KPIDays: rules.KPIDays{PerDay: 2.5},
			KPIWork: rules.KPIWork{Floods: 1, FloodTime: rules.Seconds(time.Minute), MeanAcknowledge: rules.Seconds(time.Minute), MaxAcknowledge: rules.Seconds(2 * time.Minute)},
			Worst: []rules.KPIItem{
				{Key: alarm.Key{Alarm: alarm.AboveBand, Subject: "e1"}, Count: 15, Suggestion: alarm.Fact{ID: alarm.FactDeadband, Delta: 0.8, Others: 0.5, Count: 14, Of: 15}},
				{Key: alarm.Key{Alarm: alarm.MistMissing, Subject: "e1"}, Count: 2},
			},
		},
		Telling: alert.Telling{Delivery: alert.Stats{Depth: 1, OldestAge: rules.Seconds(time.Second), OpenWake: 1, Stalled: []string{"mail"}, Channels: map[string]alert.ChannelStats{
			"mqtt": {Sent: 9, Taken: 7, Failed: 2, LastSuccess: rules.Moment{Instant: at}, Connected: new(bool), DownWhy: "refused"},
		}}, Drill: &alert.DrillResult{At: at, Acked: true, AckedIn: 38}},
		Recording: true,
		Record:    store.Stats{FileBytes: 1 << 20, CapBytes: 1 << 30, Unwritten: 6, Commits: 300, BytesWritten: 1 << 22, LastCommit: noon},
		Polling: alert.Polling{Polls: []sensors.ProbeCounts{{Probe: "p1", Bus: "i2c-1", Good: 1790, Bad: 10, Took: 15 * time.Millisecond,
			Events: sensors.Events{HeaterPulses: 4, Restarts: 2, Replaced: 1}}}, Buses: []sensors.BusCounts{{Bus: "i2c-1", Rounds: 1800}}},
	}
}

func registry(t *testing.T, s *alert.Snapshot) *prometheus.Registry {
	t.Helper()
	// A pedantic registry refuses what was not described.
	reg := prometheus.NewPedanticRegistry()
	if err := reg.Register(New(func() *alert.Snapshot { return s })); err != nil {
		t.Fatal(err)
	}
	return reg
}

func gather(t *testing.T, s *alert.Snapshot) []*dto.MetricFamily {
	t.Helper()
	families, err := registry(t, s).Gather()
	if err != nil {
		t.Fatal(err)
	}
	return families
}

func exposition(t *testing.T, s *alert.Snapshot, format expfmt.Format) []byte {
	t.Helper()
	var b bytes.Buffer
	enc := expfmt.NewEncoder(&b, format)
	for _, f := range gather(t, s) {
		if err := enc.Encode(f); err != nil {
			t.Fatal(err)
		}
	}
	if c, ok := enc.(expfmt.Closer); ok {
		if err := c.Close(); err != nil {
			t.Fatal(err)
		}
	}
	return b.Bytes()
}

// TestGolden keeps names, helps, labels and values: dashboards depend on them.
func TestGolden(t *testing.T) {
	got := string(exposition(t, full(), expfmt.NewFormat(expfmt.TypeTextPlain)))
	file := filepath.Join("testdata", "metrics.txt")
	if *update {
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(want), got); d != "" {
		t.Errorf("the metrics changed (go test -run TestGolden -update ./alert/metrics writes them anew):\n%s", d)
	}
}

// TestLint holds the names to the conventions of Prometheus.
func TestLint(t *testing.T) {
	problems, err := testutil.GatherAndLint(registry(t, full()))
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		t.Errorf("%s: %s", p.Metric, p.Text)
	}
	for _, f := range gather(t, full()) {
		if f.GetHelp() == "" || !strings.HasSuffix(f.GetHelp(), ".") {
			t.Errorf("%s: help %q", f.GetName(), f.GetHelp())
		}
	}
}

// TestPromtool asks the tool that comes with Prometheus.
func TestPromtool(t *testing.T) {
	tool, err := exec.LookPath("promtool")
	if err != nil {
		t.Skip("promtool is not installed (Debian package prometheus)")
	}
	cmd := exec.CommandContext(t.Context(), tool, "check", "metrics")
	cmd.Stdin = bytes.NewReader(exposition(t, full(), expfmt.NewFormat(expfmt.TypeTextPlain)))
	if out, err := cmd.CombinedOutput(); err != nil || len(bytes.TrimSpace(out)) > 0 {
		t.Errorf("promtool check metrics: %v\n%s", err, out)
	}
}

// TestOpenMetrics: the other text format ends as its specification wants, has
// counters as it wants and carries no timestamps.
func TestOpenMetrics(t *testing.T) {
	text := string(exposition(t, full(), expfmt.NewFormat(expfmt.TypeOpenMetrics)))
	if !strings.HasSuffix(text, "# EOF\n") {
		t.Error("no # EOF at the end")
	}
	if !strings.Contains(text, "# TYPE dewline_cycles counter\n") || !strings.Contains(text, "dewline_cycles_total 1800.0\n") {
		t.Error("a counter is not as OpenMetrics wants it")
	}
	for _, line := range strings.Split(text, "\n") {
		if _, value, ok := strings.Cut(line, "} "); ok && strings.Contains(value, " ") {
			t.Errorf("a timestamp: %s", line)
		}
	}
}

// value finds one series by name and label values.
func value(t *testing.T, s *alert.Snapshot, name string, labels ...string) (float64, bool) {
	t.Helper()
	for _, f := range gather(t, s) {
		if f.GetName() != name {
			continue
		}
	next:
		for _, m := range f.GetMetric() {
			for _, want := range labels {
				found := false
				for _, l := range m.GetLabel() {
					found = found || l.GetValue() == want
				}
				if !found {
					continue next
				}
			}
			return m.GetGauge().GetValue() + m.GetCounter().GetValue(), true
		}
	}
	return 0, false
}

func TestBaseUnits(t *testing.T) {
	for _, c := range []struct {
		name   string
		labels []string
		want   float64
	}{
		{"dewline_temperature_celsius", []string{"e1"}, 24.5},
		{"dewline_humidity_ratio", []string{"e1"}, 0.815},
		{"dewline_humidity_uncertainty_ratio", []string{"e1"}, 0.03},
		{"dewline_probe_humidity_ratio", []string{"p1"}, 0.815},
		{"dewline_humidity_floor_ratio", []string{"e1"}, 0.7},
		{"dewline_vapour_pressure_deficit_pascals", []string{"e1"}, 569},
		{"dewline_temperature_slope_celsius_per_second", []string{"e1"}, 1.8 / 3600},
		{"dewline_time_to_ceiling_seconds", []string{"earliest"}, 5400},
		{"dewline_time_to_ceiling_seconds", []string{"latest"}, 9000},
		{"dewline_mist_pulse_age_seconds", []string{"e1"}, 14400},
		{"dewline_probe_last_success_timestamp_seconds", []string{"p1"}, float64(noon.Unix())},
		{"dewline_channel_sent_total", []string{"mqtt"}, 7}, // taken over, not merely tried
	} {
		if got, ok := value(t, full(), c.name, c.labels...); !ok || math.Abs(got-c.want) > 1e-9 {
			t.Errorf("%s%v = %v (%v), want %v", c.name, c.labels, got, ok, c.want)
		}
	}
}

// TestWetProbeIsUp: a probe that is doubted answers; what it says stands apart
// from what is trusted.
func TestWetProbeIsUp(t *testing.T) {
	s := full()
	if up, ok := value(t, s, "dewline_probe_up", "p2"); !ok || up != 1 {
		t.Errorf("probe_up = %v, %v", up, ok)
	}
	if v, ok := value(t, s, "dewline_probe_doubted_humidity_ratio", "p2"); !ok || v != 1 {
		t.Errorf("the doubted humidity is %v, %v", v, ok)
	}
	for _, name := range []string{"dewline_probe_humidity_ratio", "dewline_probe_temperature_celsius"} {
		if v, ok := value(t, s, name, "p2"); ok {
			t.Errorf("%s trusts %v", name, v)
		}
	}
}

// TestStaleDisappears: what is not known now has no series; only the time of
// the last good reading stays, and no value is NaN.
func TestStaleDisappears(t *testing.T) {
	s := full()
	p, e := &s.Probes[0], &s.Enclosures[0]
	p.Fresh, s.Probes[1].Fresh = false, false
	e.Temperature.Known, e.Humidity.Known, e.Blind = false, false, true
	e.DewPoint, e.VPD, e.RatePerHour, e.ToLethal, e.LampsOn, e.LastMist, e.DryDown, e.NightDrop = nil, nil, nil, nil, nil, nil, nil, nil
	for _, name := range []string{
		"dewline_temperature_celsius", "dewline_hottest_celsius", "dewline_humidity_ratio", "dewline_humidity_uncertainty_ratio",
		"dewline_dew_point_celsius", "dewline_vapour_pressure_deficit_pascals", "dewline_probe_temperature_celsius",
		"dewline_probe_humidity_ratio", "dewline_probe_illuminance_lux", "dewline_time_to_ceiling_seconds", "dewline_lamps_scheduled_on",
		"dewline_mist_pulse_age_seconds", "dewline_dry_down_half_life_seconds", "dewline_night_drop_celsius",
	} {
		if v, ok := value(t, s, name); ok {
			t.Errorf("%s still says %v", name, v)
		}
	}
	if up, ok := value(t, s, "dewline_probe_up", "p1"); !ok || up != 0 {
		t.Errorf("probe_up = %v, %v", up, ok)
	}
	if _, ok := value(t, s, "dewline_probe_last_success_timestamp_seconds", "p1"); !ok {
		t.Error("the time of the last good reading is gone")
	}
	if bytes.Contains(exposition(t, s, expfmt.NewFormat(expfmt.TypeTextPlain)), []byte("NaN")) {
		t.Error("NaN for something unknown")
	}
}

// TestStateSet: of the states of one alarm exactly one is set.
func TestStateSet(t *testing.T) {
	for _, st := range alarmStates {
		s := full()
		s.Alarms[0].State = st
		set, all := 0.0, 0
		for _, f := range gather(t, s) {
			if f.GetName() == "dewline_alarm_state" {
				for _, m := range f.GetMetric() {
					set += m.GetGauge().GetValue()
					all++
				}
			}
		}
		if set != 1 || all != len(alarmStates) {
			t.Errorf("%s: %v of %d are set", st, set, all)
		}
		if v, ok := value(t, s, "dewline_alarm_state", st.String()); !ok || v != 1 {
			t.Errorf("%s is not the one", st)
		}
	}
}

// TestBeforeTheFirstRound: a scrape before anything is known is empty and no
// error.
func TestBeforeTheFirstRound(t *testing.T) {
	if n := len(gather(t, nil)); n != 0 {
		t.Errorf("%d metrics of nothing", n)
	}
}

func BenchmarkCollect(b *testing.B) {
	s := full()
	for range 47 {
		s.Enclosures = append(s.Enclosures, s.Enclosures[0])
		s.Probes = append(s.Probes, s.Probes[0])
	}
	c := New(func() *alert.Snapshot { return s })
	b.ReportAllocs()
	for b.Loop() {
		ch := make(chan prometheus.Metric, 4096)
		c.Collect(ch)
		close(ch)
	}
}

// TestPartsShareNoName asks that parts can be sent one after another: what has one name
// has to stand together.
func TestPartsShareNoName(t *testing.T) {
	of := map[string]int{}
	for i, part := range New(full).Parts() {
		reg := prometheus.NewPedanticRegistry()
		reg.MustRegister(part)
		families, err := reg.Gather()
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range families {
			if other, met := of[f.GetName()]; met {
				t.Errorf("%s is in parts %d and %d", f.GetName(), other, i)
			}
			of[f.GetName()] = i
		}
	}
	if len(of) < 60 {
		t.Errorf("%d names in all parts", len(of))
	}
}
