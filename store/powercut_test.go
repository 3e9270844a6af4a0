package store

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"dewline/store/cutsim"
)

// traceVictim runs the victim under strace and returns what it did, first
// creation included.
func traceVictim(t *testing.T, flushes int) []cutsim.Op {
	t.Helper()
	dir := memDir(t)
	log := filepath.Join(t.TempDir(), "trace")
	cmd, err := cutsim.Command(log, os.Args[0])
	if err != nil {
		t.Skip(err)
	}
	cmd.Env = append(os.Environ(), "DEWLINE_STORE_VICTIM="+dir, fmt.Sprintf("DEWLINE_STORE_FLUSHES=%d", flushes))
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("the writer gave up: %v\n%.2000s", err, out)
	}
	f, err := os.Open(log)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	ops, err := cutsim.Parse(f, dir, FileName)
	if err != nil {
		t.Fatal(err)
	}
	return ops
}

// promised is what the victim said was on disk.
type promised struct{ flushed, acked int }

// hear takes note of what the victim says.
func (p *promised) hear(op cutsim.Op) {
	var what string
	var n int
	if op.Kind != cutsim.Said {
		return
	}
	if _, err := fmt.Sscan(string(op.Data), &what, &n); err != nil {
		return
	}
	switch what {
	case "f":
		p.flushed = n
	case "c":
		p.acked = n
	}
}

// TestPowerCut rebuilds the disk as it may be after a power cut at any moment,
// the first creation included, and asks that every state opens with all that
// was reported. DEWLINE_LONG=1 takes 20,000 states, DEWLINE_POWERCUTS any number; those that
// are alike are tried once.
func TestPowerCut(t *testing.T) { powerCuts(t, rounds(t, "DEWLINE_POWERCUTS", 150, 20_000), false) }

// TestPowerCutLyingDisk is the same with every fourth sync ignored by the disk.
// Then loss cannot be ruled out, but a wrong value, a crash or a store that does
// not start can.
func TestPowerCutLyingDisk(t *testing.T) {
	powerCuts(t, rounds(t, "DEWLINE_POWERCUTS", 150, 20_000)/4, true)
}

func powerCuts(t *testing.T, states int, lying bool) {
	t.Parallel()
	ops := traceVictim(t, 130)
	if len(ops) < 1000 {
		t.Fatalf("the trace has only %d operations", len(ops))
	}
	rng := rand.New(rand.NewPCG(21, 22))
	dir := memDir(t)
	var d cutsim.Disk
	said := promised{flushed: -1}
	at, damaged, fellBack := 0, 0, 0
	met := cutsim.Met{}
	for _, m := range cutsim.Moments(rng, states, len(ops)) {
		for ; at < m; at++ {
			said.hear(ops[at])
			d.Do(ops[at], lying && rng.IntN(4) == 0)
		}
		files := d.Cut(rng)
		if !met.First(files, said) {
			continue
		}
		rep := startAfterCut(t, dir, files, said, lying)
		if rep.Quarantined != "" {
			damaged++
		}
		if rep.FellBack {
			fellBack++
		}
	}
	t.Logf("%d states of %d operations, %d of them different: %d moved aside, %d fell back to the root before",
		states, len(ops), len(met), damaged, fellBack)
}

// startAfterCut opens a store on the files and checks what it holds.
func startAfterCut(t *testing.T, dir string, files map[string][]byte, said promised, lying bool) Report {
	t.Helper()
	if err := cutsim.Put(dir, files); err != nil {
		t.Fatal(err)
	}
	s, rep, err := Open(context.Background(), Options{Dir: dir, CheckLater: said.acked%2 == 0})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close(context.Background())
	n := 0
	for r, err := range s.Readings(context.Background(), "p", time.Time{}, farFuture) {
		if err != nil {
			if lying {
				continue
			}
			t.Fatal(err)
		}
		if lying {
			n = int(r.At.Mono / victimStep)
		}
		if r != victimReading(n) {
			t.Fatalf("reading %d is %+v", n, r)
		}
		n++
	}
	if err := s.Check(context.Background()); err != nil {
		t.Fatal(err)
	}
	v, err := s.Get(BucketMeta, "commit")
	if lying {
		return rep
	}
	have := 0
	if v != nil {
		have = int(v[6])<<8 | int(v[7])
	}
	entries, jerr := s.VerifyJournal()
	if err != nil || jerr != nil || rep.Damage != nil || n <= said.flushed || have < said.acked || entries < have {
		t.Fatalf("%d readings of %d, %d commits of %d, %d entries: %v %v %+v", n, said.flushed+1, have, said.acked, entries, err, jerr, rep)
	}
	return rep
}
