package store

import (
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"
)

// TestOpenStaysQuick asks that a long record opens within 100 ms, the check
// included, after a clean close and after a kill, when the free pages have to be
// found again. The least of ten counts, since the machine may be busy. Sixty
// days by default, a year with DEWLINE_LONG=1; for five years (5 min, 1 GB):
//
//	DEWLINE_STORE_DAYS=1825 go test -timeout 30m -run OpenStaysQuick -v ./store
func TestOpenStaysQuick(t *testing.T) {
	days := 60
	if os.Getenv("DEWLINE_LONG") != "" {
		days = 365
	}
	if v, err := strconv.Atoi(os.Getenv("DEWLINE_STORE_DAYS")); err == nil {
		days = v
	}
	dir := memDir(t)
	s, _ := longRecord(t, dir, 48, days)
	if err := s.Close(ctx); err != nil {
		t.Fatal(err)
	}
	info, err := os.Stat(filepath.Join(dir, FileName))
	if err != nil {
		t.Fatal(err)
	}
	for _, killed := range []bool{false, true} {
		took, check := leastOpen(t, dir, killed)
		t.Logf("%d days, %d MB, killed before: %v: open %v, of which the check %v", days, info.Size()/1e6, killed, took, check)
		if took > 100*time.Millisecond {
			t.Errorf("opening %d days took %v", days, took)
		}
	}
}

// leastOpen is the shortest of ten openings, each after the store was closed
// cleanly or, as a kill would, with a commit as the last thing.
func leastOpen(t *testing.T, dir string, killed bool) (took, check time.Duration) {
	t.Helper()
	took = time.Hour
	for range 11 {
		began := time.Now()
		s, rep, err := Open(ctx, Options{Dir: dir})
		d := time.Since(began)
		if err != nil || rep.Damage != nil || rep.Check <= 0 {
			t.Fatalf("%v, %+v", err, rep)
		}
		if clean := readFreelist(t, dir) != noFreelist; d < took && clean != killed {
			took, check = d, rep.Check
		}
		if !killed {
			err = s.Close(ctx)
		} else if err = s.update(func(*bolt.Tx) error { return nil }); err == nil {
			err = s.db.Close()
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	return took, check
}

func readFreelist(t *testing.T, dir string) uint64 {
	t.Helper()
	f, err := os.Open(filepath.Join(dir, FileName))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	metas := readMetas(f)
	if len(metas) == 0 {
		t.Fatal("no root")
	}
	return metas[0].freelist
}
