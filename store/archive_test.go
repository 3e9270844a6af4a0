package store

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"

	"dewline/rules/event"
	"dewline/sensors"
)

// archived makes a record of so many entries, one an hour, and lets it archive the old
// ones.
func archived(t *testing.T, dir string, entries int) *Store {
	t.Helper()
	s, _ := open(t, dir)
	s.db.NoSync = true
	for n := 0; n < entries; n += 100 {
		var some []event.Event
		for i := range 100 {
			at := sensors.Instant{Mono: time.Duration(n+i) * time.Hour, Wall: start.Add(time.Duration(n+i) * time.Hour)}
			e := noted(at, fmt.Sprint(n+i))
			if i%7 == 3 {
				e.By, e.Text = "", ""
			}
			some = append(some, e)
		}
		if err := s.Commit(Commit{Journal: some}); err != nil {
			t.Fatal(err)
		}
	}
	archiveAll(t, s)
	return s
}

// archiveAll writes until nothing is left to do.
func archiveAll(t *testing.T, s *Store) {
	t.Helper()
	for range 100 {
		before := s.Stats().Commits
		if err := s.Flush(ctx, nil); err != nil {
			t.Fatal(err)
		}
		if s.Stats().Commits == before {
			return
		}
	}
	t.Fatal("it writes without end")
}

// archives lists the names of those on record.
func archives(t *testing.T, s *Store) (out []archive) {
	t.Helper()
	err := s.view(func(tx *bolt.Tx) error {
		return tx.Bucket([]byte(rootArchive)).ForEach(func(name, _ []byte) error {
			a, ok := namedArchive(name)
			if !ok {
				return fmt.Errorf("an archive is called %x", name)
			}
			out = append(out, a)
			return nil
		})
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// allLines reads the whole journal, and counts what is refused.
func allLines(s *Store) (lines []event.Event, refused int) {
	for e, err := range s.Journal(time.Time{}, time.Time{}) {
		if err != nil {
			refused++
			continue
		}
		lines = append(lines, e)
	}
	return lines, refused
}

// Old entries go into archives, and the journal reads as before: by time, by running time,
// after a restart, a compaction, a backup and a repair.
func TestJournalIsArchived(t *testing.T) {
	t.Parallel()
	const n = 3000
	dir := memDir(t)
	s := archived(t, dir, n)
	if got := archives(t, s); len(got) != 7 || got[0].first != 1 || got[6].last != 7*archiveOf {
		t.Fatalf("archives %+v", got)
	}
	whole := func(name string, s *Store, entries int) {
		t.Helper()
		if got, err := s.VerifyJournal(); got != entries || err != nil {
			t.Errorf("%s: %d entries are whole, want %d: %v", name, got, entries, err)
		}
		lines, refused := allLines(s)
		if len(lines) != entries || refused > 0 {
			t.Fatalf("%s: %d lines, %d refused", name, len(lines), refused)
		}
		for i, e := range lines[:n] {
			text, by := fmt.Sprint(i), "keeper"
			if i%100%7 == 3 {
				text, by = "", ""
			}
			if e.Seq != uint64(i+1) || e.Text != text || e.By != by || e.At.Mono != time.Duration(i)*time.Hour {
				t.Fatalf("%s: line %d is %+v", name, i, e)
			}
		}
		for _, from := range []int{0, 1, 255, 256, 257, 1000, 7*archiveOf - 1, 7 * archiveOf, 7*archiveOf + 1, n - 1, n} {
			count := 0
			for e, err := range s.JournalSince(time.Duration(from) * time.Hour) {
				if err != nil || count == 0 && from < n && e.Seq != uint64(from+1) {
					t.Fatalf("%s: since %d h begins with %d: %v", name, from, e.Seq, err)
				}
				count++
			}
			if count < n-from || count > entries-from {
				t.Errorf("%s: %d lines since %d h, want %d", name, count, from, n-from)
			}
		}
	}
	whole("archived", s, n)
	if err := s.Compact(ctx); err != nil {
		t.Fatal(err)
	}
	whole("compacted", s, n)
	backup := filepath.Join(dir, "backup")
	if err := s.Backup(ctx, backup); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(ctx); err != nil {
		t.Fatal(err)
	}
	s, _ = open(t, dir)
	whole("opened again", s, n)
	other := memDir(t)
	rep, err := Repair(ctx, backup, filepath.Join(other, FileName), "keeper")
	if err != nil || rep.Journal != n {
		t.Fatalf("repair saved %d lines: %v", rep.Journal, err)
	}
	s, _ = open(t, other)
	whole("repaired", s, n+1)
}

// reseal puts another text into an entry of the archive that begins at first, with every
// hash and sum of that archive made right.
func reseal(tx *bolt.Tx, first uint64, change func(a *archive, entries []stored) error) error {
	root := tx.Bucket([]byte(rootArchive))
	name, _ := root.Cursor().Seek(keyOf(first))
	b := root.Bucket(name)
	a, entries, err := unpackArchive(bytes.Clone(bucketValue(b)))
	if err != nil {
		return err
	}
	if err := change(&a, entries); err != nil {
		return err
	}
	hash := a.before
	for _, v := range entries {
		hash = chained(hash, v.value[32:])
	}
	a.after = hash
	packed, err := a.bytes(entries)
	if err != nil {
		return err
	}
	if err := b.Delete([]byte(valueKey)); err != nil {
		return err
	}
	return b.Put([]byte(valueKey), packed)
}

// What is changed in an archive is found, also where whoever did it made its hash and the
// archive's own right.
func TestArchivesShowChanges(t *testing.T) {
	t.Parallel()
	const n = 2000
	fern := func(_ *archive, entries []stored) error {
		text := bytes.Replace(entries[9].value, []byte("moss"), []byte("fern"), 1)
		if bytes.Equal(text, entries[9].value) {
			return errors.New("nothing was changed")
		}
		entries[9].value = text
		return nil
	}
	for name, c := range map[string]struct {
		change  func(tx *bolt.Tx) error
		whole   int // entries before the fault
		refused int // lines, as they are read
	}{
		"an entry rewritten":                  {func(tx *bolt.Tx) error { return reseal(tx, 1, fern) }, archiveOf, 1},
		"one in the newest archive rewritten": {func(tx *bolt.Tx) error { return reseal(tx, 2*archiveOf+1, fern) }, 3 * archiveOf, 1},
		"a name changed": {func(tx *bolt.Tx) error {
			return reseal(tx, archiveOf+1, func(_ *archive, entries []stored) error {
				entries[1].beside = bytes.Replace(entries[1].beside, []byte("keeper"), []byte("nobody"), 1)
				return nil
			})
		}, archiveOf + 1, 1},
		"a name erased": {func(tx *bolt.Tx) error {
			return reseal(tx, archiveOf+1, func(_ *archive, entries []stored) error {
				entries[1].beside = []byte{}
				return nil
			})
		}, n, 0},
		"an entry taken out": {func(tx *bolt.Tx) error {
			return reseal(tx, archiveOf+1, func(_ *archive, entries []stored) error {
				copy(entries[5:], entries[6:])
				return nil
			})
		}, archiveOf + 5, 1},
		"an archive taken out": {func(tx *bolt.Tx) error {
			name, _ := tx.Bucket([]byte(rootArchive)).Cursor().Seek(keyOf(archiveOf + 1))
			return dropBundle(tx, rootArchive, bytes.Clone(name))
		}, archiveOf, 1},
		"the beginning taken out, as if it were let go of": {func(tx *bolt.Tx) error {
			name, _ := tx.Bucket([]byte(rootArchive)).Cursor().First()
			a, err := readArchive(bucketValue(tx.Bucket([]byte(rootArchive)).Bucket(name)))
			if err != nil {
				return err
			}
			p := archiving{archive: a, name: bytes.Clone(name)}
			return p.put(tx)
		}, n - archiveOf + tampered, 0},
		"a bit flipped": {func(tx *bolt.Tx) error {
			root := tx.Bucket([]byte(rootArchive))
			name, _ := root.Cursor().First()
			b := bytes.Clone(bucketValue(root.Bucket(name)))
			b[len(b)/2] ^= 4
			return root.Bucket(name).Put([]byte(valueKey), b)
		}, 0, 2}, // the archive, and what would follow from its end
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := archived(t, memDir(t), n)
			if got := len(archives(t, s)); got != 3 {
				t.Fatalf("%d archives", got)
			}
			if err := s.update(c.change); err != nil {
				t.Fatal(err)
			}
			got, err := s.VerifyJournal()
			if bad := c.whole != n; got != c.whole%5000 && got+tampered != c.whole || (err != nil) != bad || bad && !errors.Is(err, ErrTampered) {
				t.Errorf("%d whole entries, want %d: %v", got, c.whole, err)
			}
			if _, refused := allLines(s); refused != c.refused {
				t.Errorf("%d lines were refused, want %d", refused, c.refused)
			}
		})
	}
}

// Old lines go by the keeper's word alone; the journal says so itself, and is unbroken.
func TestJournalIsKeptAsLongAsAsked(t *testing.T) {
	t.Parallel()
	const n = 2000
	dir := memDir(t)
	s := archived(t, dir, n)
	r := newRoom(1, 1)
	r.at.Mono = n * time.Hour
	s.Append(r.next()[0])
	s.SetKeep(Keep{KeepJournal: 1400 * time.Hour}) // the first two archives are older
	archiveAll(t, s)
	check := func() {
		t.Helper()
		lines, refused := allLines(s)
		if refused > 0 || lines[0].Seq != 2*archiveOf+1 || len(lines) != n+2-2*archiveOf {
			t.Fatalf("%d lines from %d on, %d refused", len(lines), lines[0].Seq, refused)
		}
		told, ok := lines[len(lines)-1].Body.(event.Record)
		if !ok || told.Until != 2*archiveOf || told.Act != "let go" {
			t.Errorf("the last line is %+v", lines[len(lines)-1])
		}
		if got, err := s.VerifyJournal(); got != len(lines) || err != nil {
			t.Errorf("%d whole of %d: %v", got, len(lines), err)
		}
		count := 0
		for _, err := range s.JournalSince(0) {
			if err != nil {
				t.Fatal(err)
			}
			count++
		}
		if count != len(lines) {
			t.Errorf("%d lines since the start", count)
		}
	}
	check()
	if err := errors.Join(s.Compact(ctx), s.Close(ctx)); err != nil {
		t.Fatal(err)
	}
	s, _ = open(t, dir)
	check()
	// Another word about the record does not take that one back.
	err := s.Commit(Commit{Journal: []event.Event{event.New(r.at, event.Record{Act: "record", What: "checked"})}})
	if _, bad := s.VerifyJournal(); err != nil || bad != nil {
		t.Error(err, bad)
	}
	if archiveAll(t, s); len(archives(t, s)) != 1 {
		t.Error("without the keeper's word more was let go of")
	}
}

// A tree that no longer leads to the archives costs none of them: they are found on their pages.
func TestArchivesComeBackFromTheirPages(t *testing.T) {
	t.Parallel()
	dir := memDir(t)
	s := archived(t, dir, 2000)
	for i := range 3 { // both roots lead to the page
		if err := s.Commit(Commit{Docs: []Doc{{Bucket: BucketMeta, Key: "k", Value: fmt.Append(nil, i)}}}); err != nil {
			t.Fatal(err)
		}
	}
	var page uint64
	err := s.view(func(tx *bolt.Tx) error {
		page = uint64(tx.Bucket([]byte(rootArchive)).Root())
		return nil
	})
	if err = errors.Join(err, s.Close(ctx)); err != nil || page < 2 {
		t.Fatal(page, err)
	}
	f, err := os.OpenFile(filepath.Join(dir, FileName), os.O_RDWR, 0)
	if err == nil {
		_, err = f.WriteAt(bytes.Repeat([]byte{0xA5}, 24), int64(page)*pageSize)
		err = errors.Join(err, f.Close())
	}
	if err != nil {
		t.Fatal(err)
	}
	s, rep := open(t, dir)
	if rep.Quarantined == "" {
		t.Fatalf("%+v", rep)
	}
	if back, err := s.Regain(ctx); err != nil || back.Journal != 3*archiveOf {
		t.Fatalf("%+v: %v", back, err)
	}
	if got, err := s.VerifyJournal(); got != 2000 || err != nil {
		t.Errorf("%d whole: %v", got, err)
	}
}
