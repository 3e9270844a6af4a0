package main

import (
	"bytes"
	"errors"
	"math"
	"os"
	"slices"
	"strings"
	"testing"
)

// TestMain lets the test binary be its own child.
func TestMain(m *testing.M) {
	if asked := os.Getenv("PEERS_JOB"); asked != "" {
		exit(answer(asked, os.Stdout))
	}
	os.Exit(m.Run())
}

func memory(t *testing.T) string {
	t.Helper()
	if _, err := os.Stat("/dev/shm"); err != nil {
		return t.TempDir()
	}
	return "/dev/shm"
}

// TestStoresAgree fills each store with the same day and asks that all three
// queries see the same, and that the table has a line for each.
func TestStoresAgree(t *testing.T) {
	var rows []row
	for _, name := range names {
		r, err := child(job{Store: name, Dir: memory(t), Days: 1, Kind: kinds[0]})
		if err != nil {
			t.Fatal(err)
		}
		if want := probes * dayMillis / stepMillis; r.Readings != want || r.Bytes < int64(want) || r.Opening <= 0 {
			t.Errorf("%s: %+v", name, r)
		}
		rows = append(rows, row{name: name, days: 1, held: r, wear: r})
	}
	if err := agree(rows, kinds[0]); err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	writeTable(&out, rows)
	for _, name := range names {
		if strings.Count(out.String(), "| "+name+" |") != 1 {
			t.Errorf("no line for %s in\n%s", name, out.String())
		}
	}
	rows[1].held.Sums[1].Max++
	if agree(rows, kinds[0]) == nil {
		t.Error("a wrong answer passed")
	}
}

// TestBound checks the entropy against a source whose entropy is known: steps
// of four kinds, equally often, are two bits each.
func TestBound(t *testing.T) {
	var all []point
	steps := [...]int32{-2, -1, 1, 2}
	x := point{}
	for i := range 4001 {
		all = append(all, x)
		x.at += stepMillis
		x.temp += steps[i%4]
		x.hu += steps[i/4%4]
	}
	if got := bound(slices.Chunk(all, 100), stepMillis); math.Abs(got-0.5) > 0.001 {
		t.Errorf("%.4f bytes a reading, and 4 bits are 0.5", got)
	}
}

func TestOpenData(t *testing.T) {
	if _, err := openData(t.TempDir(), "occupancy"); !errors.Is(err, errNoData) {
		t.Errorf("missing data is %v", err)
	}
	for set, want := range map[string]int{"occupancy": 20_560, "appliances": 9 * 4932} {
		batches, err := openData("../../../shared/data", set)
		if errors.Is(err, errNoData) {
			t.Skip(err)
		}
		if err != nil {
			t.Fatal(err)
		}
		n, last := 0, int64(math.MinInt64)
		for b := range batches {
			for _, x := range b {
				if x.at < last || x.temp < -2000 || x.temp > 5000 || x.hu < 0 || x.hu > 10_000 {
					t.Fatalf("%s: %+v after %d", set, x, last)
				}
				last = x.at
			}
			n += len(b)
		}
		if n < want*99/100 || n > want {
			t.Errorf("%s has %d readings of %d", set, n, want)
		}
	}
}

func TestCountSyncs(t *testing.T) {
	const table = `% time     seconds  usecs/call     calls    errors syscall
------ ----------- ----------- --------- --------- ----------------
 99.00    0.100000         100      1000           fdatasync
  1.00    0.001000         100        10         2 fsync
------ ----------- ----------- --------- --------- ----------------
100.00    0.101000                  1010         2 total
`
	if n := countSyncs(table); n != 1010 {
		t.Errorf("%d syncs", n)
	}
}
