package main

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"dewline/sensors"
	"dewline/sensors/sim"
	"dewline/sensors/table"
	"dewline/sensors/trace"
)

var (
	update = flag.Bool("update", false, "write the golden events of the traces anew")
	traces = flag.Bool("traces", false, "write the traces themselves anew, from the simulated room")
)

const traceDir = "../../testdata/traces"

// The traces are invented: twenty hours of the simulated room, read once a
// minute, with what befell it.
var traceFaults = map[string][]sim.Fault{
	"calm-day":    nil,
	"heat-wave":   {{Kind: sim.HotSpell, Amount: 14}, {Kind: sim.ACFailure, From: at(9, 0)}},
	"dry-out":     {{Kind: sim.SupplyOut, On: sim.Target{Supply: "rain"}, From: at(6, 0)}, {Kind: sim.VentStuckOpen, On: sim.Target{Enclosure: "left"}, From: at(10, 0)}},
	"probe-gap":   {{Kind: sim.ProbeSilent, On: sim.Target{Probe: "left"}, From: at(10, 0), To: at(11, 30)}},
	"door":        {{Kind: sim.DoorOpened, On: sim.Target{Enclosure: "right"}, From: at(11, 0)}, {Kind: sim.DoorAjar, On: sim.Target{Enclosure: "left"}, From: at(12, 0), To: at(15, 0)}},
	"missed-mist": {{Kind: sim.NozzleClogged, On: sim.Target{Enclosure: "right"}, From: at(8, 0)}},
}

// Whatever the golden events say, these must be among them.
var traceMust = map[string][]string{
	"heat-wave":   {`"alarm":"ceiling-ahead"`, `"alarm":"lethal-ceiling","cause":{"kind":"room"}`},
	"dry-out":     {`"alarm":"humidity-floor"`, `"alarm":"mist-missing","cause":{"id":"rain","kind":"supply"}`},
	"probe-gap":   {`"alarm":"probe-silent"`},
	"door":        {`"alarm":"door-ajar"`},
	"missed-mist": {`"alarm":"mist-missing","cause":{"id":"right","kind":"enclosure"}`},
}

func at(hour, minute int) time.Time { return time.Date(2026, 6, 10, hour, minute, 0, 0, time.UTC) }

func writeTrace(t *testing.T, name string, faults []sim.Fault) {
	t.Helper()
	cfg, err := table.Load(filepath.Join(traceDir, "room.toml"))
	if err != nil {
		t.Fatal(err)
	}
	o, err := sim.FromConfig(cfg, 11, at(3, 0))
	if err != nil {
		t.Fatal(err)
	}
	room, err := sim.New(o)
	if err != nil {
		t.Fatal(err)
	}
	for i := range faults {
		if faults[i].From.IsZero() {
			faults[i].From = at(3, 0)
		}
	}
	if err := room.Inject(faults...); err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	w := trace.NewWriter(&b)
	for range 20 * 60 {
		for range 6 {
			room.Advance(10 * time.Second)
		}
		for _, p := range cfg.Probes {
			row := trace.Row{Time: room.Now().UTC(), Probe: sensors.ProbeID(p.ID)}
			if s, err := room.Sample(row.Probe); err == nil {
				row.Has, row.Temperature, row.Humidity = s.Has, s.Temperature, s.Humidity
			}
			if err := w.Write(row); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(traceDir, name+".csv"), b.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
}

// What each trace raises is written beside it; words are left out, as they have
// tests of their own:
//
//	go test -run TestReplay_Traces ./cmd/dewline -update
func TestReplay_Traces(t *testing.T) {
	for name, faults := range traceFaults {
		t.Run(name, func(t *testing.T) {
			if *traces {
				writeTrace(t, name, faults)
			}
			file := filepath.Join(traceDir, name+".csv")
			got := replayed(t, "--trace", file, "--config", filepath.Join(traceDir, "room.toml"))
			golden := filepath.Join(traceDir, name+".events")
			if *update {
				if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			for _, must := range traceMust[name] {
				if !strings.Contains(got, must) {
					t.Errorf("%s does not come:\n%s", must, got)
				}
			}
			want, err := os.ReadFile(golden)
			if err != nil {
				t.Fatal(err)
			}
			if got != string(want) {
				t.Errorf("events of %s:\n%s\nwant:\n%s", name, got, want)
			}
		})
	}
}

// replayed returns the events of a trace without their words.
func replayed(t *testing.T, args ...string) string {
	t.Helper()
	code, out, problem := runDewline(t, append([]string{"replay", "--format", "ndjson"}, args...)...)
	if code != exitOK {
		t.Fatalf("replay %v: %d %s", args, code, problem)
	}
	var b strings.Builder
	for line := range strings.Lines(out) {
		var e map[string]any
		if err := json.Unmarshal([]byte(line), &e); err != nil {
			t.Fatalf("%v in %q", err, line)
		}
		if e["text"] == "" {
			t.Errorf("no words in %s", line)
		}
		delete(e, "text")
		for _, k := range []string{"value", "limit"} { // processors differ in the last digits
			if v, ok := e[k].(float64); ok {
				e[k] = math.Round(v*100) / 100
			}
		}
		short, err := json.Marshal(e)
		if err != nil {
			t.Fatal(err)
		}
		b.Write(append(short, '\n'))
	}
	return b.String()
}

// The same trace without a configuration: each probe is an enclosure of its
// own, the room too, and what was not read is a gap and no value.
func TestReplay_WithoutAConfiguration(t *testing.T) {
	flags := []string{"--species", "dendrobates-tinctorius", "--lights", "08:00-20:00"}
	got := replayed(t, append(flags, "--trace", filepath.Join(traceDir, "heat-wave.csv"))...)
	for _, subject := range []string{"left", "right"} {
		if !strings.Contains(got, `"alarm":"lethal-ceiling"`) || !strings.Contains(got, `"subject":"`+subject+`"`) {
			t.Errorf("no heat in %s:\n%s", subject, got)
		}
	}
	got = replayed(t, append(flags, "--trace", filepath.Join(traceDir, "probe-gap.csv"))...)
	if strings.Count(got, `"alarm":"probe-silent"`) != 2 || !strings.Contains(got, `"from":"NORM"`) {
		t.Errorf("the gap:\n%s", got)
	}
}

// Without a configuration a probe that tells no humidity, or none from the first row on,
// measures none; one whose humidity ends is told, also in a later part of the trace.
func TestReplay_WithoutHumidity(t *testing.T) {
	var whole strings.Builder
	var parts [2]string
	whole.WriteString("time,probe,temperature_c,humidity_pct\n")
	for i := range 240 {
		if i == 180 {
			parts[0] = whole.String()
			whole.Reset()
			whole.WriteString("time,probe,temperature_c,humidity_pct\n")
		}
		when, damp := at(0, 0).Add(time.Duration(i)*time.Minute).Format(time.RFC3339), fmt.Sprintf("%.2f", 84+0.01*float64(i%7))
		ends := damp
		if i >= 180 {
			ends = ""
		}
		fmt.Fprintf(&whole, "%s,dry,23.5%d,\n%s,ends,23.4%d,%s\n%s,damp,23.6%d,%s\n", when, i%5, when, i%5, ends, when, i%5, damp)
	}
	parts[1] = whole.String()
	dir := t.TempDir()
	for i, part := range parts {
		got := replayed(t, "--species", "dendrobates-tinctorius", "--state", filepath.Join(dir, "state"), "--trace", write(t, dir, fmt.Sprint(i, ".csv"), part))
		silent := strings.Count(got, `"alarm":"probe-silent"`)
		if want := i; silent != want || silent > 0 && !strings.Contains(got, `"subject":"ends"`) {
			t.Errorf("part %d: %d told:\n%s", i, silent, got)
		}
	}
}

// A probe that the first rows do not show gets its enclosure when it comes, and
// what was raised before goes on.
func TestReplay_ALateProbe(t *testing.T) {
	var b bytes.Buffer
	w := trace.NewWriter(&b)
	const minutes = 6000 // more than are read ahead
	for i := range minutes {
		now := at(0, 0).Add(time.Duration(i) * time.Minute)
		for _, id := range []sensors.ProbeID{"early", "late"} {
			row := trace.Row{Time: now, Probe: id, Has: sensors.HasTemperature | sensors.HasHumidity, Temperature: 2350, Humidity: sensors.CentiPercent(8200 + i%5)}
			if id == "early" && i > 60 {
				row.Temperature = 3100
			}
			if id == "late" && i < minutes-60 {
				continue
			}
			if id == "late" && i > minutes-30 {
				row.Temperature = 3100
			}
			if err := w.Write(row); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	got := replayed(t, "--species", "dendrobates-tinctorius", "--trace", write(t, t.TempDir(), "late.csv", b.String()))
	for _, subject := range []string{"early", "late"} {
		n := 0
		for line := range strings.Lines(got) {
			if strings.Contains(line, `"lethal-ceiling"`) && strings.Contains(line, `"subject":"`+subject+`"`) {
				n++
			}
		}
		if n != 1 {
			t.Errorf("%d transitions of the ceiling of %s:\n%s", n, subject, got)
		}
	}
}

// Bad lines are told by their number; with --keep-going the rest runs.
func TestReplay_BadLines(t *testing.T) {
	text := trace.Header + "\n2026-06-10T12:00:00Z,a,23,80\n2026-06-10T12:01:00Z,a,warm,80\n2026-06-10T12:02:00Z,a,31,80\n2026-06-10T12:03:00Z,a,31.2,80\n"
	file := write(t, t.TempDir(), "bad.csv", text)
	args := []string{"replay", "--species", "dendrobates-tinctorius", "--format", "ndjson", "--trace", file}
	code, _, problem := runDewline(t, args...)
	if code != exitFailed || !strings.Contains(problem, "bad.csv:3") {
		t.Errorf("%d %q", code, problem)
	}
	code, out, problem := runDewline(t, append(args, "--keep-going")...)
	if code != exitFailed || !strings.Contains(problem, "bad.csv:3") || !strings.Contains(problem, "1 line could not be used") ||
		!strings.Contains(out, "lethal-ceiling") {
		t.Errorf("%d %q\n%s", code, problem, out)
	}
	room := filepath.Join(traceDir, "room.toml")
	code, _, problem = runDewline(t, "replay", "--config", room, "--trace", file)
	if code != exitFailed || !strings.Contains(problem, `:2: the configuration has no probe "a"`) {
		t.Errorf("%d %q", code, problem)
	}
}

// Open data that is not part of the repository (see its README for citation and
// licence): one office room and a house of nine probes, taken for enclosures.
// They are no enclosures, so what counts is that the count of each alarm stays
// what it was when it was last looked at, and that it is no storm:
//
//	go test -run TestReplay_OpenData ./cmd/dewline -update
func TestReplay_OpenData(t *testing.T) {
	const data, golden = "../../../shared/data", traceDir + "/open-data.json"
	if _, err := os.Stat(data); err != nil {
		t.Skip("the open data is not here: ", err)
	}
	got := map[string]map[string]int{}
	for _, name := range []string{"occupancy/datatest.txt", "occupancy/datatest2.txt", "occupancy/datatraining.txt", "appliances/testing.csv"} {
		counts := map[string]int{}
		for line := range strings.Lines(replayed(t, "--species", "dendrobates-tinctorius", "--lights", "08:00-20:00", "--trace", filepath.Join(data, name))) {
			var e struct{ Alarm, From, To string }
			if err := json.Unmarshal([]byte(line), &e); err != nil {
				t.Fatal(err)
			}
			if e.From == "NORM" {
				counts[e.Alarm]++
			}
		}
		got[name] = counts
	}
	b, err := json.MarshalIndent(got, "", "\t")
	if err != nil {
		t.Fatal(err)
	}
	if *update {
		if err := os.WriteFile(golden, append(b, '\n'), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if string(want) != string(b)+"\n" {
		t.Errorf("onsets by alarm:\n%s\nwant:\n%s", b, want)
	}
}
