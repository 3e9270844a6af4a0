package store

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"

	"dewline/rules/event"
	"dewline/sensors"
)

// A countingReader counts the reads that a slow card has to answer.
type countingReader struct {
	io.ReaderAt
	n int
}

func (c *countingReader) ReadAt(b []byte, off int64) (int, error) {
	c.n++
	return c.ReaderAt.ReadAt(b, off)
}

// TestOpenReadsLittle has a long journal and two months of days on record: before it opens the
// file, a start reads no more of it than a card that takes 40 ms a read gives in a second.
func TestOpenReadsLittle(t *testing.T) {
	t.Parallel()
	dir := memDir(t)
	s, _ := longRecord(t, dir, 3, 60)
	lines := rounds(t, "DEWLINE_JOURNAL_LINES", 40_000, 200_000)
	for n := 0; n < lines; n += 20_000 {
		err := s.update(func(tx *bolt.Tx) error {
			var some []event.Event
			for i := range 20_000 {
				some = append(some, noted(sensors.Instant{Wall: start}, fmt.Sprint(n+i)))
			}
			return putJournal(tx, some)
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	b, err := os.ReadFile(filepath.Join(dir, FileName)) // as a kill leaves it
	if err != nil {
		t.Fatal(err)
	}
	reads := func(later bool) int {
		r := &countingReader{ReaderAt: bytes.NewReader(b)}
		if _, _, err := wholeRoot(ctx, r, int64(len(b)), readMetas(r), later); err != nil {
			t.Fatal(err)
		}
		return r.n
	}
	all, before := reads(false), reads(true)
	t.Logf("%d reads before the file is opened, %d for all of it", before, all)
	if before > 25 || all < lines/40 {
		t.Errorf("%d reads of %d, want 25 at most", before, all)
	}
}

// TestCheckLaterFindsDamage spoils what Open leaves for later, a page of readings and one
// of the journal: the watch begins with all documents, the check sets the file aside, and
// what is whole comes back.
func TestCheckLaterFindsDamage(t *testing.T) {
	t.Parallel()
	for name, magic := range map[string][]byte{"readings": append([]byte(bundleMagic), kindRaw), "journal": []byte(`"type":"note"`)} {
		dir := memDir(t)
		k := furnish(t, dir)
		path := filepath.Join(dir, FileName)
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		for from := 0; ; {
			at := bytes.Index(b[from:], magic)
			if at < 0 {
				break
			}
			from += at + 1
			clear(b[from/pageSize*pageSize:][:pageHeader])
		}
		if err := os.WriteFile(path, b, 0o600); err != nil {
			t.Fatal(err)
		}
		var told Report
		s, rep, err := Open(ctx, Options{Dir: dir, CheckLater: true, Replaced: func(r Report) { told = r }})
		if err != nil {
			t.Fatalf("%s: %v, %+v", name, err, rep)
		}
		if got := k.sift(t, s); got.docs != 60 {
			t.Errorf("%s: %d documents at the start", name, got.docs)
		}
		if err := s.Check(ctx); err != nil {
			t.Fatal(err)
		}
		if rep.Damage != nil { // where the start looked at it
			told = rep
		}
		if told.Quarantined == "" || told.Damage == nil {
			t.Errorf("%s: told %+v", name, told)
		}
		if _, err := s.Regain(ctx); err != nil {
			t.Fatal(err)
		}
		got := k.sift(t, s)
		if got.docs != 60 || name == "journal" && got.readings < 6*51*360*9/10 {
			t.Errorf("%s: %+v came back", name, got)
		}
		if err := s.Commit(Commit{Docs: []Doc{{BucketNotes, "after", []byte("x")}}}); err != nil {
			t.Errorf("%s: commit afterwards: %v", name, err)
		}
		if err := s.Close(ctx); err != nil {
			t.Error(err)
		}
	}
}

// TestOpenFindsACircle has a page of branches lead back to itself where a start goes first:
// the library would go down it for ever. A disk that drops writes can leave that.
func TestOpenFindsACircle(t *testing.T) {
	dir := memDir(t)
	s, _ := open(t, dir)
	for i := range 500 {
		if err := s.Commit(Commit{Journal: []event.Event{noted(sensors.Instant{Wall: start}, fmt.Sprint(i))}}); err != nil {
			t.Fatal(err)
		}
	}
	var root uint64
	if err := s.view(func(tx *bolt.Tx) error {
		root = uint64(tx.Bucket([]byte(rootJournal)).Root())
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(ctx); err != nil {
		t.Fatal(err)
	}
	whole, err := os.ReadFile(filepath.Join(dir, FileName))
	if err != nil {
		t.Fatal(err)
	}
	page := whole[root*pageSize:][:pageSize]
	le := binary.LittleEndian
	count := int(le.Uint16(page[10:]))
	if le.Uint16(page[8:]) != flagBranch || count < 2 {
		t.Fatalf("page %d has %d elements and flags %x", root, count, page[8:10])
	}
	for _, i := range []int{0, count - 1} {
		b := bytes.Clone(whole)
		le.PutUint64(b[int(root)*pageSize+pageHeader+i*elemSize+8:], root)
		r := bytes.NewReader(b)
		if _, _, err := wholeRoot(ctx, r, int64(len(b)), readMetas(r)[:1], true); !isDamage(err) {
			t.Errorf("child %d of %d is its parent: %v", i, count, err)
		}
	}
}

// TestCheckFirstAfterADeath starts where the start before did not get as far as to check
// the file: nothing is left for later then. A good end is none of those.
func TestCheckFirstAfterADeath(t *testing.T) {
	t.Parallel()
	dir := memDir(t)
	furnish(t, dir)
	later := func() *Store {
		t.Helper()
		s, _, err := Open(context.Background(), Options{Dir: dir, CheckLater: true})
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	for range 2 {
		s := later()
		if !s.unchecked.Load() {
			t.Fatal("all was checked after a good end")
		}
		if err := s.Close(ctx); err != nil {
			t.Fatal(err)
		}
	}
	s := later()
	killed := memDir(t)
	for _, name := range []string{FileName, FileName + uncheckedMark} {
		b, err := os.ReadFile(filepath.Join(dir, name))
		if err == nil {
			err = os.WriteFile(filepath.Join(killed, name), b, 0o600)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Check(ctx); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(ctx); err != nil {
		t.Fatal(err)
	}
	dir = killed
	for _, want := range []bool{false, true} { // the check is done now
		s := later()
		if s.unchecked.Load() != want {
			t.Errorf("what is left for later is %v, want %v", !want, want)
		}
		fill(t, s, newRoom(9, 1), time.Minute)
		if err := s.Close(ctx); err != nil {
			t.Fatal(err)
		}
	}
}
