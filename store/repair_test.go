package store

import (
	"bytes"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"dewline/rules/event"
	"dewline/sensors"
)

// A spottyCard refuses to read some pages, as a card with bad blocks does.
type spottyCard struct {
	io.ReaderAt
	bad []int64
}

func (c spottyCard) ReadAt(b []byte, off int64) (int, error) {
	for _, page := range c.bad {
		if off < (page+1)*pageSize && page*pageSize < off+int64(len(b)) {
			return 0, &os.PathError{Op: "read", Path: "card", Err: syscall.EIO}
		}
	}
	return c.ReaderAt.ReadAt(b, off)
}

// TestRepairOfAnUnreadableCard lets pages refuse to be read: what lies on others is
// saved all the same, and what is given up is told by its time.
func TestRepairOfAnUnreadableCard(t *testing.T) {
	dir := memDir(t)
	k := furnish(t, dir)
	path := filepath.Join(dir, FileName)
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	pages := int64(len(b) / pageSize)
	saved := func(bad ...int64) (found, RepairReport) {
		t.Helper()
		dst := filepath.Join(memDir(t), FileName)
		note := func(*RepairReport) event.Event {
			e := event.New(sensors.Instant{Wall: start}, event.Record{Act: "repair"})
			e.By = "robin"
			return e
		}
		rep, err := repairFrom(t.Context(), spottyCard{bytes.NewReader(b), bad}, int64(len(b)), dst, note)
		if err != nil {
			t.Fatalf("pages %d: %v", bad, err)
		}
		s, _ := open(t, filepath.Dir(dst))
		return k.sift(t, s), rep
	}
	all, _ := saved()
	if all.docs != 60 || all.journal != 60 {
		t.Fatalf("from a whole card: %+v", all)
	}
	journalPages := 0
	for page := int64(2); page < pages; page++ {
		if !bytes.Contains(b[page*pageSize:(page+1)*pageSize], []byte(`"type":"note"`)) {
			continue
		}
		if journalPages++; journalPages > 4 {
			break
		}
		// The documents of two kinds may share the page with nothing; all others
		// and every reading are elsewhere.
		got, rep := saved(page)
		if got.docs < 40 || got.readings < all.readings*9/10 || got.rollups < all.rollups*9/10 {
			t.Errorf("without page %d: %+v of %+v", page, got, all)
		}
		if rep.Damaged > 0 && !strings.Contains(strings.Join(rep.DamagedReasons, "\n"), "input/output error") {
			t.Errorf("without page %d: %q", page, rep.DamagedReasons)
		}
	}
	if journalPages == 0 {
		t.Error("no page of the journal was found")
	}
	// Copies of a bundle on pages that are free again may come first in the file.
	magic := slices.Concat([]byte(bundleMagic), []byte{kindRaw})
	var rep RepairReport
	var of bundleKey
	for at := 0; rep.Damaged == 0; at += len(magic) {
		next := bytes.Index(b[at:], magic)
		if next < 0 {
			t.Fatal("no damage to a directory is told")
		}
		at += next
		of, _ = parseKey(b[at+len(magic) : at+bundleStart])
		b[at+bundleStart+3] ^= 1 // in the directory
		_, rep = saved()
		b[at+bundleStart+3] ^= 1
	}
	if !strings.Contains(rep.DamagedReasons[0], "readings of all probes, "+of.String()) {
		t.Errorf("a damaged directory is told as %q", rep.DamagedReasons)
	}
	if rep.Readings == 0 || rep.From.Before(start.Add(-time.Minute)) || rep.To.After(start.Add(52*time.Hour)) {
		t.Errorf("%d readings from %s to %s", rep.Readings, rep.From, rep.To)
	}
}

// TestReplacedWhileInUse damages the file under a running store: it is moved
// aside, and who asked is told.
func TestReplacedWhileInUse(t *testing.T) {
	dir := memDir(t)
	var told []Report
	s, _, err := Open(t.Context(), Options{Dir: dir, Replaced: func(r Report) { told = append(told, r) }})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close(t.Context())
	r := newRoom(61, 2)
	fill(t, s, r, 30*time.Minute)
	f, err := os.OpenFile(s.path, os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.WriteAt(bytes.Repeat([]byte{0xA5}, 2*pageSize), 0); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	fillAfterDamage(t, s, r)
	if len(told) != 1 || told[0].Quarantined == "" || told[0].Damage == nil {
		t.Errorf("told %+v", told)
	}
}

// fillAfterDamage appends and flushes until the store has begun another file.
func fillAfterDamage(t *testing.T, s *Store, r *testRoom) {
	t.Helper()
	for range 1000 {
		for _, x := range r.next() {
			s.Append(x)
		}
		if err := s.Flush(ctx, nil); err != nil {
			continue
		}
		if aside, _ := filepath.Glob(s.path + ".damaged-*"); len(aside) == 1 {
			return
		}
	}
	t.Fatal("the damaged file is still in use")
}

// TestStatsWaitForNoDisk asks for figures while the library's own lock is held for
// good, as a panic in it leaves it: who decides and warns asks for them.
func TestStatsWaitForNoDisk(t *testing.T) {
	s, _ := open(t, memDir(t))
	fill(t, s, newRoom(62, 1), 10*time.Minute)
	want := s.Stats()
	h := s.current()
	h.gate.Lock()
	defer h.gate.Unlock()
	got := make(chan Stats, 1)
	go func() { got <- s.Stats() }()
	select {
	case st := <-got:
		if st.FileBytes != want.FileBytes || st.FileBytes == 0 || st.FreeBytes == 0 {
			t.Errorf("%+v, want %+v", st, want)
		}
	case <-time.After(2 * time.Minute):
		t.Error("the figures wait for the file")
	}
}

// TestCutWhileSettingAside lets the power go right after a damaged record was given its
// dated name, before anything was saved: the next start saves its documents.
func TestCutWhileSettingAside(t *testing.T) {
	dir := memDir(t)
	k := furnish(t, dir)
	path := filepath.Join(dir, FileName)
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for from := 0; ; { // the pages of all bundles of readings
		at := bytes.Index(b[from:], append([]byte(bundleMagic), kindRaw))
		if at < 0 {
			break
		}
		from += at + 1
		page := from / pageSize * pageSize
		clear(b[page : page+pageHeader])
	}
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	aside, fresh, err := quarantine(path, start)
	if err != nil || !fresh {
		t.Fatal(fresh, err)
	}
	s, rep := open(t, dir)
	if rep.Quarantined != aside {
		t.Errorf("it is kept as %s and was as %s", rep.Quarantined, aside)
	}
	if got := k.sift(t, s); got.docs != 60 {
		t.Errorf("%d documents of 60 are there", got.docs)
	}
	if names, _ := filepath.Glob(path + ".damaged-*"); len(names) != 1 {
		t.Errorf("set aside are %v", names)
	}
}
