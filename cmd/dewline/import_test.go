package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"dewline/store"
)

// longTrace is one probe every five minutes, for so many days.
func longTrace(days int) string {
	var b strings.Builder
	b.WriteString("time,probe,temperature_c,humidity_pct\n")
	start := time.Date(2026, 5, 1, 8, 0, 0, 0, time.UTC)
	for i := range days * 288 {
		fmt.Fprintf(&b, "%s,litter,%.1f,%.1f\n", start.Add(time.Duration(i)*5*time.Minute).Format(time.RFC3339), 23+float64(i%40)/10, 85-float64(i%70)/10)
	}
	return b.String()
}

// A rehearsal says what would be added and leaves the folder, and a record in it, alone.
func TestImportRehearses(t *testing.T) {
	dir := t.TempDir()
	trace := write(t, t.TempDir(), "t.csv", smallTrace())
	says(t, exitOK, []string{"would add 120 readings of 2 probes, 2026-05-01 08:00 UTC to 2026-05-01 08:09 UTC", "nothing was written", "litter: 60 readings", "water: 60 readings"},
		"import", "--dry-run", "--trace", trace, "--data", dir)
	if names, err := os.ReadDir(dir); err != nil || len(names) > 0 {
		t.Errorf("the rehearsal left %v: %v", names, err)
	}
	says(t, exitFailed, []string{"would add 1 reading of", "1 line could not be used", "bad.csv:3"}, "import", "--dry-run", "--keep-going", "--data", dir,
		"--trace", write(t, t.TempDir(), "bad.csv", "time,probe,temperature_c,humidity_pct\n2026-05-01T08:00:00Z,litter,23,80\nno time,litter,23,80\n"))
	dir, _ = imported(t)
	before, err := os.ReadFile(filepath.Join(dir, store.FileName))
	if err != nil {
		t.Fatal(err)
	}
	says(t, exitFailed, []string{"imported before"}, "import", "--dry-run", "--trace", trace, "--data", dir)
	says(t, exitOK, []string{"would add 120 readings"}, "import", "--dry-run", "--again", "--trace", trace, "--data", dir)
	after, err := os.ReadFile(filepath.Join(dir, store.FileName))
	if err != nil || !bytes.Equal(after, before) {
		t.Errorf("the rehearsal changed the record: %v", err)
	}
}

// An import of many days packs them itself: a daemon would do one day at a time.
func TestImportSettles(t *testing.T) {
	dir := t.TempDir()
	out := says(t, exitOK, []string{"51840 readings added"}, "import", "--data", dir, "--trace", write(t, t.TempDir(), "long.csv", longTrace(180)))
	if lines := strings.Count(out, " readings, up to 2026-"); lines < 2 || !strings.Contains(out, " 79 %  40000 readings, up to 2026-09-17") || strings.Contains(out, "\r") {
		t.Errorf("it tells %d times how far it is:\n%s", lines, out)
	}
	s, _, err := store.Open(t.Context(), store.Options{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close(t.Context())
	blocks := s.Stats().Blocks
	if err := s.Flush(t.Context(), nil); err != nil || s.Stats().Commits > 0 || blocks > 60 {
		t.Errorf("%d bundles, and the first write did more: %v", blocks, err)
	}
}

func TestProgress(t *testing.T) {
	var out strings.Builder
	for _, c := range []struct {
		bar   bool
		total int64
		want  string
	}{
		{true, 200, "\r[                                        ]   1 %  1\x1b[K\r[====================                    ]  50 %  3\x1b[K\n"},
		{false, 200, " 50 %  3\n"},
		{false, 0, ""},
		{true, 0, ""},
	} {
		out.Reset()
		p := &progress{w: &out, bar: c.bar, total: c.total}
		for i, read := range []int64{2, 3, 100} {
			p.read = read
			p.tell(i+1, fmt.Sprint(i+1))
		}
		if p.end(); out.String() != c.want {
			t.Errorf("%+v: %q, want %q", c, out.String(), c.want)
		}
	}
	out.Reset()
	p := &progress{w: &out}
	for _, n := range []int{900_000, 1_100_000, 1_900_000, 3_000_000} {
		p.tell(n, fmt.Sprint(n))
	}
	if got := out.String(); got != "1100000\n3000000\n" {
		t.Errorf("without a length: %q", got)
	}
}
