package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"dewline/sensors"
	"dewline/sensors/sim"
	"dewline/sensors/table"
	"dewline/sensors/trace"
)

// TestSameDecisions replays random rooms with faults through this program and
// through another build of it, and compares every transition, texts aside. It
// is for a change that is to change no decision:
//
//	.ci/differ REVISION
//
// DEWLINE_BASE is the other program. DEWLINE_ROOMS rooms of DEWLINE_DAYS days
// each are looked at, from the number DEWLINE_FIRST_ROOM on.
func TestSameDecisions(t *testing.T) {
	base := os.Getenv("DEWLINE_BASE")
	if base == "" {
		t.Skip("DEWLINE_BASE names no program to compare with: see .ci/differ")
	}
	dir := t.TempDir()
	mine := filepath.Join(dir, "dewline")
	if out, err := exec.Command("go", "build", "-o", mine, ".").CombinedOutput(); err != nil {
		t.Fatalf("build: %v\n%s", err, out)
	}
	rooms, days, first := setting(t, "DEWLINE_ROOMS", 40), setting(t, "DEWLINE_DAYS", 10), setting(t, "DEWLINE_FIRST_ROOM", 1)
	for i := range rooms {
		seed := uint64(first + i)
		t.Run(fmt.Sprintf("room %d", seed), func(t *testing.T) {
			d := drawRoom(t, filepath.Join(dir, "room"), seed, days)
			want, got := d.decisions(t, base), d.decisions(t, mine)
			t.Logf("%d enclosures, %d days, %s: %d transitions", d.enclosures, days, d.faults, len(want))
			compareDecisions(t, want, got)
		})
	}
}

// setting reads a whole number from the environment.
func setting(t *testing.T, name string, standard int) int {
	t.Helper()
	text, ok := os.LookupEnv(name)
	if !ok {
		return standard
	}
	n, err := strconv.Atoi(text)
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	return n
}

// A drawnRoom is a random room's record on disk.
type drawnRoom struct {
	config, trace string
	enclosures    int
	faults        string
}

// drawRoom lives through a random room with a fault every three days, each of
// which lasts for a day, and writes what its probes say.
func drawRoom(t *testing.T, dir string, seed uint64, days int) drawnRoom {
	t.Helper()
	rng := rand.New(rand.NewPCG(seed, 11))
	o := sim.RandomRoom(rng)
	room, err := sim.New(o)
	if err != nil {
		t.Fatal(err)
	}
	cfg, err := table.Decode("room.toml", o.TOML())
	if err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	d := drawnRoom{config: filepath.Join(dir, "room.toml"), trace: filepath.Join(dir, "room.csv"), enclosures: len(o.Enclosures)}
	if err := os.WriteFile(d.config, o.TOML(), 0o644); err != nil {
		t.Fatal(err)
	}
	f, err := os.Create(d.trace)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	w := trace.NewWriter(f)
	for day := range days {
		if day%3 == 2 {
			fault := sim.RandomFault(rng, o, room.Now())
			fault.To = fault.From.Add(24 * time.Hour)
			if err := room.Inject(fault); err != nil {
				t.Fatal(err)
			}
			d.faults += fmt.Sprintf("%v ", fault.Kind)
		}
		for range 24 * 60 {
			room.Advance(time.Minute)
			for _, p := range cfg.Probes {
				sample, err := room.Sample(sensors.ProbeID(p.ID))
				row := trace.Row{Time: room.Now(), Probe: sensors.ProbeID(p.ID)}
				if err == nil {
					row.Has, row.Temperature, row.Humidity = sample.Has, sample.Temperature, sample.Humidity
				}
				if err := w.Write(row); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	return d
}

// decisions are the transitions that a program finds in the record, one JSON
// object a line without its text.
func (d drawnRoom) decisions(t *testing.T, program string) []string {
	t.Helper()
	var stderr bytes.Buffer
	cmd := exec.Command(program, "replay", "--trace", d.trace, "--config", d.config, "--format", "ndjson")
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%v: %v\n%s", cmd, err, stderr.String())
	}
	var list []string
	for s := bufio.NewScanner(bytes.NewReader(out)); s.Scan(); {
		var o map[string]any
		if err := json.Unmarshal(s.Bytes(), &o); err != nil {
			t.Fatalf("%s: %v", s.Text(), err)
		}
		delete(o, "text")
		line, err := json.Marshal(o)
		if err != nil {
			t.Fatal(err)
		}
		list = append(list, string(line))
	}
	return list
}

// compareDecisions fails with the lines that only one side has: how many of
// each alarm, and the first few.
func compareDecisions(t *testing.T, want, got []string) {
	t.Helper()
	count := make(map[string]int)
	for _, l := range want {
		count[l]++
	}
	var differ []string
	for _, l := range got {
		if count[l]--; count[l] < 0 {
			differ = append(differ, "only now:    "+l)
		}
	}
	for _, l := range want {
		if count[l] > 0 {
			count[l]--
			differ = append(differ, "only before: "+l)
		}
	}
	if len(differ) == 0 {
		return
	}
	t.Errorf("%d of %d transitions before, %d now differ", len(differ), len(want), len(got))
	kinds := make(map[string]int)
	for _, l := range differ {
		side, object, _ := strings.Cut(l, ":")
		var o struct {
			Alarm string `json:"alarm"`
		}
		if err := json.Unmarshal([]byte(object), &o); err != nil {
			t.Fatalf("%s: %v", l, err)
		}
		kinds[side+" "+o.Alarm]++
	}
	t.Log(kinds)
	for _, l := range differ[:min(len(differ), 20)] {
		t.Log(l)
	}
}
