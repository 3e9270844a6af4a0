package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// smallTrace is two probes over some minutes, with a reading missing.
func smallTrace() string {
	var b strings.Builder
	b.WriteString("time,probe,temperature_c,humidity_pct\n")
	start := time.Date(2026, 5, 1, 8, 0, 0, 0, time.UTC)
	for i := range 60 {
		at := start.Add(time.Duration(i) * 10 * time.Second).Format(time.RFC3339)
		fmt.Fprintf(&b, "%s,litter,%.2f,%.2f\n", at, 23+float64(i)/100, 85-float64(i)/50)
		if i == 30 {
			fmt.Fprintf(&b, "%s,water,,\n", at)
			continue
		}
		fmt.Fprintf(&b, "%s,water,%.2f,\n", at, 21.5+float64(i)/100)
	}
	return b.String()
}

// imported returns a data directory that holds smallTrace.
func imported(t *testing.T) (dir, trace string) {
	t.Helper()
	dir, trace = t.TempDir(), smallTrace()
	code, out, err := runDewlineWith(t, trace, "import", "--trace", "-", "--data", dir, "--control", filepath.Join(dir, "none"))
	if code != exitOK || !strings.Contains(out, "120 readings added") {
		t.Fatalf("import: exit %d, %s%s", code, out, err)
	}
	return dir, trace
}

var spanOfSmallTrace = []string{"--from", "2026-05-01", "--to", "2026-05-02"}

func exported(t *testing.T, dir, format string, more ...string) string {
	t.Helper()
	args := append([]string{"export", "--data", dir, "--control", filepath.Join(dir, "none"), "--format", format}, spanOfSmallTrace...)
	code, out, err := runDewline(t, append(args, more...)...)
	if code != exitOK {
		t.Fatalf("export %s: exit %d, %s", format, code, err)
	}
	return out
}

func TestImportThenExportGivesTheTraceBack(t *testing.T) {
	dir, trace := imported(t)
	if got := exported(t, dir, "csv"); got != trace {
		t.Errorf("the trace came back changed:\n%s", diffLines(trace, got))
	}
	only := exported(t, dir, "csv", "--probe", "water")
	if strings.Contains(only, "litter") || strings.Count(only, "\n") != 61 {
		t.Errorf("--probe water gave %d lines", strings.Count(only, "\n"))
	}
}

// diffLines names the first line that differs.
func diffLines(want, got string) string {
	w, g := strings.Split(want, "\n"), strings.Split(got, "\n")
	for i := range min(len(w), len(g)) {
		if w[i] != g[i] {
			return fmt.Sprintf("line %d: %q, want %q", i+1, g[i], w[i])
		}
	}
	return fmt.Sprintf("%d lines, want %d", len(g), len(w))
}

// TestExportOpenMetrics has promtool, Prometheus' own tool, make blocks of the
// export.
func TestExportOpenMetrics(t *testing.T) {
	dir, _ := imported(t)
	text := exported(t, dir, "openmetrics")
	if !strings.HasSuffix(text, "# EOF\n") || !strings.Contains(text, `dewline_probe_humidity_ratio{probe="litter"} 0.85 1777622400.000`) {
		t.Errorf("the export begins\n%.400s", text)
	}
	promtool, err := exec.LookPath("promtool")
	if err != nil {
		t.Skip("promtool is not installed (Debian package prometheus)")
	}
	file := write(t, t.TempDir(), "export.om", text)
	blocks := filepath.Join(t.TempDir(), "blocks")
	out, err := exec.CommandContext(t.Context(), promtool, "tsdb", "create-blocks-from", "openmetrics", file, blocks).CombinedOutput()
	if err != nil {
		t.Fatalf("promtool: %v\n%s", err, out)
	}
	list, err := exec.CommandContext(t.Context(), promtool, "tsdb", "list", blocks).CombinedOutput()
	// 60 temperatures and humidities of one probe, 59 temperatures of the other.
	if err != nil || !strings.Contains(string(list), "179") {
		t.Errorf("promtool tsdb list: %v, want 179 samples\n%s", err, list)
	}
}

// An export never writes over a file, and a form that left the product is
// refused.
func TestExportRefuses(t *testing.T) {
	dir, _ := imported(t)
	file := filepath.Join(t.TempDir(), "export.csv")
	exported(t, dir, "csv", "--out", file)
	code, _, errOut := runDewline(t, append([]string{"export", "--data", dir, "--out", file}, spanOfSmallTrace...)...)
	if code != exitFailed || !strings.Contains(errOut, "exists") {
		t.Errorf("an export over an existing file: exit %d, %s", code, errOut)
	}
	code, _, errOut = runDewline(t, "export", "--data", dir, "--format", "parquet")
	if code != exitUsage || !strings.Contains(errOut, "csv or openmetrics") {
		t.Errorf("a form that is gone: exit %d, %s", code, errOut)
	}
}

func TestExportUsage(t *testing.T) {
	dir, _ := imported(t)
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"--format", "xml"}, "xml"},
		{[]string{"--probe", "nobody"}, "nobody"},
		{[]string{"--from", "yesterday"}, "yesterday"},
		{[]string{"--from", "2026-05-02", "--to", "2026-05-01"}, "before"},
	} {
		code, _, err := runDewline(t, append([]string{"export", "--data", dir}, c.args...)...)
		if code != exitUsage || !strings.Contains(err, c.want) {
			t.Errorf("%v: exit %d, %q", c.args, code, err)
		}
	}
}

func TestBackupRestoreAndRepair(t *testing.T) {
	dir, trace := imported(t)
	copied := filepath.Join(t.TempDir(), "copy.db")
	if code, out, err := runDewline(t, "backup", "--data", dir, "--to", copied); code != exitOK || !strings.Contains(out, "checked") {
		t.Fatalf("backup: exit %d, %s%s", code, out, err)
	}
	if code, _, _ := runDewline(t, "backup", "--data", dir, "--to", copied); code != exitFailed {
		t.Errorf("a backup over an existing file: exit %d", code)
	}
	other := t.TempDir()
	if code, _, err := runDewline(t, "restore", "--data", other, "--from", copied); code != exitOK {
		t.Fatalf("restore: exit %d, %s", code, err)
	}
	if got := exported(t, other, "csv"); got != trace {
		t.Errorf("the restored record differs:\n%s", diffLines(trace, got))
	}
	mended := filepath.Join(t.TempDir(), "dewline.db")
	if code, out, err := runDewline(t, "repair", "--from", copied, "--to", mended); code != exitOK || !strings.Contains(out, "nothing was damaged") {
		t.Fatalf("repair: exit %d, %s%s", code, out, err)
	}
	if got := exported(t, filepath.Dir(mended), "csv"); got != trace {
		t.Errorf("the repaired record differs:\n%s", diffLines(trace, got))
	}
	if err := os.WriteFile(copied, []byte("no record at all"), 0o600); err != nil {
		t.Fatal(err)
	}
	if code, _, err := runDewline(t, "restore", "--data", t.TempDir(), "--from", copied); code != exitFailed {
		t.Errorf("a restore from rubbish: exit %d, %s", code, err)
	}
}

func TestJournalOfADemo(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data")
	code, out, err := runDewline(t, "demo", "--for", "3h", "--speed", "100000", "--http", "127.0.0.1:0", "--data", dir)
	if code != exitOK || !strings.Contains(out, "Summary of Demo room") {
		t.Fatalf("demo: exit %d\n%s%s", code, out, err)
	}
	code, out, err = runDewline(t, "journal", "--data", dir, "--from", "2026-07-18", "--to", "2026-07-19")
	if code != exitOK || !strings.Contains(out, "start") || !strings.Contains(out, "mist-missing/a-1-2") || !strings.Contains(out, "stop") {
		t.Errorf("journal: exit %d\n%s%s", code, out, err)
	}
	code, out, err = runDewline(t, "journal", "--data", dir, "--verify")
	if code != exitOK || !strings.Contains(out, "unbroken") {
		t.Errorf("journal --verify: exit %d, %s%s", code, out, err)
	}
}
