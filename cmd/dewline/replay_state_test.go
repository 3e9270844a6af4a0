package main

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"dewline/sensors/trace"
)

// A trace in parts, each going on from the state of the one before as after a
// restart, tells the same as the whole.
func TestReplay_InParts(t *testing.T) {
	room := filepath.Join(traceDir, "room.toml")
	for _, name := range []string{"heat-wave", "dry-out", "door"} {
		t.Run(name, func(t *testing.T) {
			whole := filepath.Join(traceDir, name+".csv")
			b, err := os.ReadFile(whole)
			if err != nil {
				t.Fatal(err)
			}
			lines := strings.SplitAfter(strings.TrimSpace(string(b)), "\n")
			state, got := filepath.Join(t.TempDir(), "state"), ""
			header, rows := lines[0], lines[1:]
			stamp := func(row string) string { return row[:strings.IndexByte(row, ',')] }
			for part := range 3 {
				n := len(rows) / (3 - part)
				for n < len(rows) && stamp(rows[n]) == stamp(rows[n-1]) {
					n++ // a round stays whole
				}
				file := filepath.Join(t.TempDir(), fmt.Sprintf("part%d.csv", part))
				if err := os.WriteFile(file, []byte(header+strings.Join(rows[:n], "")), 0o600); err != nil {
					t.Fatal(err)
				}
				got += replayed(t, "--trace", file, "--config", room, "--state", state)
				rows = rows[n:]
			}
			if want := replayed(t, "--trace", whole, "--config", room); got != want {
				t.Errorf("in parts:\n%s\nas a whole:\n%s", got, want)
			}
			if code, _, problem := runDewline(t, "replay", "--trace", whole, "--config", room, "--state", state); code != exitFailed || !strings.Contains(problem, "before the end of what --state holds") {
				t.Errorf("a trace from before the state: exit %d, %s", code, problem)
			}
		})
	}
}

func TestReplay_StateOfNobody(t *testing.T) {
	file := filepath.Join(t.TempDir(), "state")
	for _, text := range []string{"{}", "no state"} {
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		code, _, problem := runDewline(t, "replay", "--trace", filepath.Join(traceDir, "calm-day.csv"), "--config", filepath.Join(traceDir, "room.toml"), "--state", file)
		if b, err := os.ReadFile(file); code != exitFailed || !strings.Contains(problem, file) || err != nil || string(b) != text {
			t.Errorf("%q: exit %d, %s; the file holds %q", text, code, problem, b)
		}
	}
}

// An open alarm that becomes more urgent is news: here heat that reaches the limit
// to act on. The trace is a straight rise by 1.5 °C an hour from 24 °C.
func TestReplay_PriorityChanges(t *testing.T) {
	var b strings.Builder
	b.WriteString("time,probe,temperature_c,humidity_pct\n")
	at := time.Date(2026, 6, 10, 10, 0, 0, 0, time.UTC)
	for minute := range 5 * 60 {
		for _, probe := range []string{"tank", "air"} {
			fmt.Fprintf(&b, "%s,%s,%.2f,80\n", at.Add(time.Duration(minute)*time.Minute).Format(time.RFC3339), probe, 24+1.5*float64(minute)/60)
		}
	}
	file := filepath.Join(t.TempDir(), "rise.csv")
	if err := os.WriteFile(file, []byte(b.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	got := replayed(t, "--trace", file, "--species", "dendrobates-tinctorius", "--room-probe", "air")
	lines := strings.Split(got, "\n")
	urgent := func(priority, from, to string) func(string) bool {
		return func(l string) bool {
			for _, want := range []string{`"above-band"`, `"subject":"tank"`, `"priority":"` + priority + `"`, `"from":"` + from + `"`, `"to":"` + to + `"`} {
				if !strings.Contains(l, want) {
					return false
				}
			}
			return true
		}
	}
	if !slices.ContainsFunc(lines, urgent("wake", "UNACK", "UNACK")) {
		t.Errorf("what became a wake is not told:\n%s", got)
	}
	if slices.ContainsFunc(lines, func(l string) bool {
		return strings.Contains(l, `"above-band"`) && strings.Contains(l, `"subject":"air"`)
	}) {
		t.Errorf("the room's own probe is taken for an enclosure:\n%s", got)
	}
	if code, _, problem := runDewline(t, "replay", "--trace", file, "--config", filepath.Join(traceDir, "room.toml"), "--room-probe", "air"); code != exitUsage {
		t.Errorf("--room-probe with a configuration: exit %d, %s", code, problem)
	}
}

// Mists and nights are printed where asked for, and only there.
func TestReplay_Events(t *testing.T) {
	args := []string{"replay", "--trace", filepath.Join(traceDir, "missed-mist.csv"), "--config", filepath.Join(traceDir, "room.toml")}
	_, without, _ := runDewline(t, args...)
	code, with, problem := runDewline(t, append(args, "--events")...)
	if code != exitOK {
		t.Fatal(problem)
	}
	given := 0
	for line := range strings.Lines(with) {
		if strings.Contains(line, "  mist    ") && strings.Contains(line, "given") {
			given++
		}
		if !strings.Contains(without, line) && !strings.Contains(line, " mist ") && !strings.Contains(line, " night ") && !strings.Contains(line, " dry-down ") && !strings.Contains(line, " dose ") {
			t.Errorf("no event: %s", line)
		}
	}
	if given == 0 || strings.Contains(without, "  mist    ") {
		t.Errorf("%d mists given with --events; without:\n%s", given, without)
	}
}

// Without a configuration too, a part that begins with another probe, or lacks one, says what the
// whole does.
func TestReplay_PartsWithoutConfiguration(t *testing.T) {
	dir := t.TempDir()
	rows := []string{}
	for i := range 60 {
		for _, p := range []string{"b", "a", "c"} {
			rows = append(rows, fmt.Sprintf("2026-06-10T12:%02d:00Z,%s,%.2f,80\n", i, p, 24+0.15*float64(i)))
		}
	}
	of := func(name string, rows []string) string {
		return write(t, dir, name, trace.Header+"\n"+strings.Join(rows, ""))
	}
	args := []string{"--species", "dendrobates-tinctorius", "--trace"}
	whole := replayed(t, append(args, of("whole.csv", rows))...)
	parts, state := "", filepath.Join(dir, "state")
	for i, part := range [][]string{rows[:70], rows[70:]} {
		parts += replayed(t, append(args, of(fmt.Sprint(i, ".csv"), part), "--state", state)...)
	}
	if parts != whole {
		t.Errorf("in parts:\n%s\nwhole:\n%s", parts, whole)
	}
}

// A room probe that the trace lacks is told.
func TestReplay_NoSuchRoomProbe(t *testing.T) {
	file := write(t, t.TempDir(), "hot.csv", trace.Header+"\n2026-06-10T12:00:00Z,a,23,80\n2026-06-10T12:01:00Z,a,23,80\n")
	for probe, want := range map[string]bool{"a": false, "romo": true} {
		_, _, problem := runDewline(t, "replay", "--species", "dendrobates-tinctorius", "--trace", file, "--room-probe", probe)
		if got := strings.Contains(problem, `no probe "romo" is in it`); got != want {
			t.Errorf("%s: told %v, want %v: %q", probe, got, want, problem)
		}
	}
}

// What the flags cannot be is said in a keeper's words.
func TestFlags_WrongValues(t *testing.T) {
	for _, x := range [][]string{
		{"no number; write for example 600", "demo", "--speed", "abc"},
		{"no length of time; write for example", "demo", "--for", "1"},
		{"no whole number of 0 or more", "demo", "--seed", "-1"},
		{"there is no file nosuch.csv", "replay", "--species", "dendrobates-tinctorius", "--trace", "nosuch.csv"},
		{"is a directory", "import", "--data", t.TempDir(), "--trace", t.TempDir()},
	} {
		code, _, problem := runDewline(t, x[1:]...)
		if code != exitUsage || !strings.Contains(problem, x[0]) || strings.Contains(problem, "strconv") {
			t.Errorf("%v: exit %d, %q", x[1:], code, problem)
		}
	}
}

// The key of a signed command lies where the shell is, as README shows it.
func TestCommand_KeyBesideTheShell(t *testing.T) {
	t.Chdir(t.TempDir())
	write(t, ".", "robin-key", strings.Repeat("0123456789abcdef", 4)+"\n")
	code, out, problem := runDewline(t, "command", "ack", "--by", "robin", "--room", "attic", "--key", "robin-key", "--version", "2", "N")
	if code != exitOK || !strings.Contains(out, `"signature"`) {
		t.Errorf("exit %d, %q", code, problem)
	}
}
