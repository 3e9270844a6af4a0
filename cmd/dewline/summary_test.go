package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"dewline/cmd/dewline/daemon"
	"dewline/configs"
	"dewline/sensors"
	"dewline/store"
)

// recordedWeek makes a data directory with a day of one probe of the demo's
// room on record, on Tuesday of week 47 of 2026, and the room's file.
func recordedWeek(t *testing.T) (dir, room string) {
	t.Helper()
	dir = t.TempDir()
	room = filepath.Join(t.TempDir(), "room.toml")
	if err := os.WriteFile(room, configs.Demo(), 0o600); err != nil {
		t.Fatal(err)
	}
	st, _, err := store.Open(t.Context(), store.Options{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	from := time.Date(2026, 11, 17, 0, 0, 0, 0, time.UTC)
	for at := time.Duration(0); at < 24*time.Hour; at += time.Minute {
		s := sensors.Sample{Has: sensors.HasTemperature, Temperature: 2300}
		st.Append(sensors.Reading{Probe: "a-1-1-canopy", At: sensors.Instant{Mono: time.Hour + at, Wall: from.Add(at), Synced: true},
			Has: s.Has, Temperature: s.Temperature, Raw: s, Quality: sensors.Good})
	}
	if err := st.Flush(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	if err := st.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	return dir, room
}

// call runs one command line and returns its exit code and output.
func summaryCall(t *testing.T, args ...string) (code int, out, errs string) {
	t.Helper()
	var o, e bytes.Buffer
	code = dispatch(t.Context(), append([]string{"summary"}, args...), stdio{in: strings.NewReader(""), out: &o, err: &e})
	return code, o.String(), e.String()
}

func TestSummaryOffline(t *testing.T) {
	dir, room := recordedWeek(t)
	before, err := os.ReadFile(filepath.Join(dir, store.FileName))
	if err != nil {
		t.Fatal(err)
	}
	code, out, errs := summaryCall(t, "--data", dir, "--config", room, "--week", "2026-W47", "--text")
	if code != exitOK || !strings.Contains(out, "Moss Hollow") || !strings.Contains(out, "23.0 – 23.0 – 23.0 °C") {
		t.Fatalf("exit %d\n%s%s", code, out, errs)
	}
	file := filepath.Join(t.TempDir(), "week.html")
	if code, _, errs = summaryCall(t, "--data", dir, "--config", room, "--week", "2026-W47", "--to", file, "--units", "F"); code != exitOK {
		t.Fatalf("exit %d: %s", code, errs)
	}
	page, err := os.ReadFile(file)
	if err != nil || !bytes.Contains(page, []byte("data:image/png;base64,")) || !bytes.Contains(page, []byte("73.4")) {
		t.Errorf("the page lacks its pictures or units: %v", err)
	}
	// Nothing is written over, and the record stays as it was.
	if code, _, _ = summaryCall(t, "--data", dir, "--config", room, "--week", "2026-W47", "--to", file); code != exitFailed {
		t.Errorf("exit %d for a file that is there already", code)
	}
	after, err := os.ReadFile(filepath.Join(dir, store.FileName))
	if err != nil || !bytes.Equal(before, after) {
		t.Errorf("the record was changed: %v", err)
	}
}

// TestSummaryLastGood needs no configuration where the daemon left a copy of
// its own beside the record.
func TestSummaryLastGood(t *testing.T) {
	dir, _ := recordedWeek(t)
	missing := filepath.Join(dir, "none.toml")
	if code, _, errs := summaryCall(t, "--data", dir, "--config", missing, "--week", "2026-W47"); code != exitUsage || !strings.Contains(errs, "with --config") {
		t.Errorf("exit %d: %s", code, errs)
	}
	if err := os.WriteFile(filepath.Join(dir, daemon.LastGoodName), configs.Demo(), 0o600); err != nil {
		t.Fatal(err)
	}
	if code, out, errs := summaryCall(t, "--data", dir, "--config", missing, "--week", "2026-W47"); code != exitOK || !strings.Contains(out, "Moss Hollow") {
		t.Errorf("exit %d: %s%s", code, out, errs)
	}
}

func TestSummaryRefuses(t *testing.T) {
	dir, room := recordedWeek(t)
	for _, c := range []struct {
		args  string
		code  int
		holds string
	}{
		{"--week 47", exitUsage, "no week"},
		{"--week 2027-W53", exitUsage, "no week 53"},
		{"--units K", exitUsage, "°C or F"},
		{"--send --text", exitUsage, "--send goes without"},
		{"--week 2026-W47 --send", exitFailed, "[mail]"},
		{"more words", exitUsage, `"more" is no flag`},
	} {
		code, _, errs := summaryCall(t, append([]string{"--data", dir, "--config", room}, strings.Fields(c.args)...)...)
		if code != c.code || !strings.Contains(errs, c.holds) {
			t.Errorf("%s: exit %d, want %d with %q: %s", c.args, code, c.code, c.holds, errs)
		}
	}
}
