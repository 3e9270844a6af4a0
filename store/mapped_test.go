package store

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"
)

// resident reads from the kernel what this process holds in memory, in kB: all of it, and
// what of that is files.
func resident() (all, files int) {
	b, _ := os.ReadFile("/proc/self/status") // without it all is 0, and the test says so
	shared := 0                              // of a folder in memory
	for line := range strings.Lines(string(b)) {
		_, _ = fmt.Sscanf(line, "VmRSS: %d kB", &all)
		_, _ = fmt.Sscanf(line, "RssFile: %d kB", &files)
		_, _ = fmt.Sscanf(line, "RssShmem: %d kB", &shared)
	}
	return all, files + shared
}

// reader is a process of its own that looks at all there is in a record, as a summary and
// charts of every probe do, and prints what that took of memory.
func reader(dir string) error {
	ctx := context.Background()
	_, before := resident()
	s, _, err := Open(ctx, Options{Dir: dir})
	if err != nil {
		return err
	}
	most := 0
	for _, p := range s.Probes() {
		for _, level := range []Level{Hour, TenMinutes} {
			for _, err := range s.Rollups(ctx, p, level, time.Time{}, farFuture) {
				if err != nil {
					return err
				}
			}
		}
		for _, err := range s.Readings(ctx, p, s.Stats().Newest.AddDate(0, 0, -2), farFuture) {
			if err != nil {
				return err
			}
		}
		_, files := resident()
		most = max(most, files-before)
	}
	all, _ := resident()
	fmt.Println(most, all)
	return s.Close(ctx)
}

// TestMappedPagesAreGivenBack looks at all of a long record in a process of its own, which
// may hold no more of the file in memory than a few bundles. DEWLINE_STORE_DAYS=365 tells
// what a year of 48 probes takes.
func TestMappedPagesAreGivenBack(t *testing.T) {
	days := rounds(t, "DEWLINE_STORE_DAYS", 0, 40)
	if days == 0 {
		t.Skip("forty days of 48 probes: with DEWLINE_LONG=1")
	}
	dir := memDir(t)
	s, probes := longRecord(t, dir, 48, days)
	for i, p := range probes { // so that the file knows them
		r := newBusyRoom(48, time.Second).reading(i, 0)
		r.Probe, r.At.Mono, r.At.Wall = p, time.Duration(days)*24*time.Hour, s.Stats().Newest.Add(time.Minute)
		s.Append(r)
	}
	if err := s.Close(context.Background()); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), "DEWLINE_STORE_READER="+dir)
	cmd.Stderr = os.Stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	var files, all int
	if _, err := fmt.Sscan(string(out), &files, &all); err != nil || all == 0 {
		t.Skipf("the kernel does not tell of memory: %q", out)
	}
	info, err := os.Stat(dir + "/" + FileName)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%d days, %.1f MB of file: %.1f MB of files came to be held at most, %.1f MB in all at the end",
		days, float64(info.Size())/1e6, float64(files)/1e3, float64(all)/1e3)
	if files > 12_000 {
		t.Errorf("%d kB of files are held in memory", files)
	}
}

// mappedOf asks the kernel how many kB of a file are mapped and resident in this process.
func mappedOf(t *testing.T, name string) (kB int) {
	t.Helper()
	b, err := os.ReadFile("/proc/self/smaps")
	if err != nil {
		t.Fatalf("the kernel does not tell of memory: %v", err)
	}
	ours := false
	for line := range strings.Lines(string(b)) {
		var n int
		if strings.Contains(strings.Fields(line)[0], "-") {
			ours = strings.HasSuffix(strings.TrimSpace(line), name)
		} else if _, err := fmt.Sscanf(line, "Rss: %d kB", &n); ours && err == nil {
			kB += n
		}
	}
	return kB
}

// TestOpeningHoldsNothing opens two months of days, and checks them behind the running
// watch: each time the library goes through all of the file for pages that are free.
func TestOpeningHoldsNothing(t *testing.T) {
	dir := memDir(t)
	s, _ := longRecord(t, dir, 3, 60)
	if err := s.Close(ctx); err != nil {
		t.Fatal(err)
	}
	s, _, err := Open(ctx, Options{Dir: dir, CheckLater: true})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close(ctx)
	opened := mappedOf(t, s.path)
	if err := s.Check(ctx); err != nil {
		t.Fatal(err)
	}
	checked, most := mappedOf(t, s.path), int(s.Stats().FileBytes>>10)/4
	if opened > most || checked > most {
		t.Errorf("%d kB of the file are held after opening it and %d after checking it, of %d", opened, checked, 4*most)
	}
}
