package store

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"dewline/store/block"
)

// TestLostPage zeroes each page of a record of slow probes in turn, whose days were joined
// to 4 and to 16: no probe loses more than two days by it, once what is set aside was gone
// through. Half of the files are checked only after the start. A page is lost whole or all
// but what begins it; each in both ways with DEWLINE_LONG=1.
func TestLostPage(t *testing.T) {
	t.Parallel()
	const most = 2 * 288
	dir := filepath.Join(memDir(t), "origin")
	s, _ := open(t, dir)
	s.db.NoSync = true
	r := newRoom(8, 8)
	r.step, r.at.Wall = 5*time.Minute, time.UnixMilli(1300*joinWidth(levelMost-1)).UTC()
	want := fill(t, s, r, 38*24*time.Hour+5*time.Hour)
	sixteen := 0
	for _, e := range s.lastIndex() {
		if e.key.level == levelMost {
			sixteen++
		}
	}
	if err := s.Close(context.Background()); err != nil || sixteen != 2 {
		t.Fatalf("%d bundles of 16 days, close: %v", sixteen, err)
	}
	whole, err := os.ReadFile(filepath.Join(dir, FileName))
	if err != nil {
		t.Fatal(err)
	}
	worst, lost := 0, 0
	both := os.Getenv("DEWLINE_LONG") != ""
	for i := range 2 * len(whole) / pageSize {
		b, page := append([]byte(nil), whole...), i/2
		if !both && i%2 != page%2 {
			continue
		}
		clear(b[page*pageSize+i%2*64:][:pageSize-i%2*64])
		for p, n := range readBack(t, b, page%4 < 2, r) {
			gone := len(want[r.probes[p]]) - n
			if worst, lost = max(worst, gone), lost+gone; gone > most {
				t.Errorf("page %d: %d readings of probe %d are gone, %.1f days", page, gone, p, float64(gone)/288)
			}
		}
	}
	t.Logf("%d pages: at most %d readings of a probe lost by one, %d of all by all", len(whole)/pageSize, worst, lost)
}

// readBack counts the readings of each probe in a damaged file, after all that can be done.
func readBack(t *testing.T, b []byte, later bool, r *testRoom) (counts []int) {
	t.Helper()
	ctx, dir := context.Background(), memDir(t)
	if err := os.WriteFile(filepath.Join(dir, FileName), b, 0o600); err != nil {
		t.Fatal(err)
	}
	s, _, err := Open(ctx, Options{Dir: dir, CheckLater: later})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close(ctx)
	if err := s.Check(ctx); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Regain(ctx); err != nil {
		t.Fatal(err)
	}
	for _, p := range r.probes {
		n := 0
		for _, err := range s.Readings(ctx, p, time.Time{}, farFuture) {
			if err == nil {
				n++
			}
		}
		counts = append(counts, n)
	}
	return counts
}

// TestMended damages one page of a bundle after the other, and then a second one too.
func TestMended(t *testing.T) {
	var enc block.Encoder
	var parts []bundlePart
	for i, series := range [][]block.Record{make([]block.Record, 3), make([]block.Record, 5000), make([]block.Record, 4000)} {
		for k := range series {
			at := int64(k*k%7919 + k*10_000)
			series[k] = block.Record{Mono: at, Wall: at, Has: block.Temperature, RawHas: block.Temperature,
				Value: block.Values{int32(k * k % 1999)}, Raw: block.Values{int32(k * k % 1999)}}
		}
		b, err := enc.Append(nil, series)
		if err != nil {
			t.Fatal(err)
		}
		parts = append(parts, bundlePart{string(rune('a' + i)), [][]byte{b}})
	}
	whole := newBundle(rootRaw, emptyKey(3, levelMost).bytes(), parts)
	pages := (besideValue + len(whole)) / pageSize
	if mended(whole) != nil || pages < 6 {
		t.Fatalf("a whole bundle of %d pages is mended", pages)
	}
	for page := range pages - 1 {
		b := bytes.Clone(whole)
		clear(pageOf(b, page))
		if got := mended(b); !bytes.Equal(got, whole) {
			t.Errorf("page %d of %d is not made again", page, pages)
		}
		pageOf(b, (page+2)%pages)[100] ^= 4
		if mended(b) != nil {
			t.Errorf("two of %d pages, one of them %d, are damaged, and something is made of it", pages, page)
		}
	}
}
