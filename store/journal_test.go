package store

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"

	"dewline/rules/event"
	"dewline/sensors"
)

// noted is an event with a name and a text.
func noted(at sensors.Instant, text string) event.Event {
	e := event.New(at, event.Note{Enclosure: "moss"})
	e.By, e.Text = "keeper", text
	return e
}

func keyOf(seq uint64) []byte { return binary.BigEndian.AppendUint64(nil, seq) }

// rewritten is entry seq with its text changed and its own hash made right.
func rewritten(b *bolt.Bucket, seq uint64) error {
	was := b.Get(keyOf(seq))
	text := bytes.Replace(was[32:], []byte("moss"), []byte("fern"), 1)
	if bytes.Equal(text, was[32:]) {
		return errors.New("nothing was changed")
	}
	var before [32]byte
	copy(before[:], b.Get(keyOf(seq-1)))
	hash := chained(before, text)
	return b.Put(keyOf(seq), append(hash[:], text...))
}

func TestJournalShowsChanges(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(b *bolt.Bucket) error
		whole  int // entries before the fault
	}{
		{"untouched", func(*bolt.Bucket) error { return nil }, 300},
		{"text changed", func(b *bolt.Bucket) error {
			return b.Put(keyOf(9), bytes.Replace(b.Get(keyOf(9)), []byte("moss"), []byte("fern"), 1))
		}, 8},
		// It follows from the one before it, but the next does not from it.
		{"text and its own hash changed", func(b *bolt.Bucket) error { return rewritten(b, 9) }, 9},
		// No entry follows: only the head kept apart tells.
		{"newest text and its own hash changed", func(b *bolt.Bucket) error { return rewritten(b, 300) }, 300 + tampered},
		{"entry taken out", func(b *bolt.Bucket) error { return b.Delete(keyOf(260)) }, 259},
		{"entry taken out and those after it moved up", func(b *bolt.Bucket) error {
			for seq := uint64(260); seq < 300; seq++ {
				if err := b.Put(keyOf(seq), bytes.Clone(b.Get(keyOf(seq+1)))); err != nil {
					return err
				}
			}
			return b.Delete(keyOf(300))
		}, 259},
		{"two entries exchanged", func(b *bolt.Bucket) error {
			one, two := bytes.Clone(b.Get(keyOf(20))), bytes.Clone(b.Get(keyOf(21)))
			return errors.Join(b.Put(keyOf(20), two), b.Put(keyOf(21), one))
		}, 19},
		{"end cut off", func(b *bolt.Bucket) error { return b.Delete(keyOf(300)) }, 299},
		{"all of it gone", func(b *bolt.Bucket) error {
			for seq := uint64(1); seq <= 300; seq++ {
				if err := b.Delete(keyOf(seq)); err != nil {
					return err
				}
			}
			return nil
		}, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := memDir(t)
			s, _ := open(t, dir)
			for i := range 100 {
				e := noted(sensors.Instant{Wall: start.Add(time.Duration(i) * time.Minute)}, fmt.Sprint(i))
				if err := s.Commit(Commit{Journal: []event.Event{e, e, e}}); err != nil {
					t.Fatal(err)
				}
			}
			if err := s.Close(ctx); err != nil {
				t.Fatal(err)
			}
			db, err := bolt.Open(filepath.Join(dir, FileName), 0o600, nil)
			if err != nil {
				t.Fatal(err)
			}
			err = db.Update(func(tx *bolt.Tx) error { return c.change(tx.Bucket([]byte(rootJournal))) })
			if err = errors.Join(err, db.Close()); err != nil {
				t.Fatal(err)
			}
			s, _ = open(t, dir)
			n, err := s.VerifyJournal()
			if n != c.whole%tampered || (err != nil) != (c.whole != 300) || err != nil && !errors.Is(err, ErrTampered) {
				t.Fatalf("%d whole entries, want %d: %v", n, c.whole%tampered, err)
			}
			if c.whole != 300 { // what is written since does not hide it
				err := s.Commit(Commit{Journal: []event.Event{noted(sensors.Instant{Wall: start}, "")}})
				if _, still := s.VerifyJournal(); err != nil || !errors.Is(still, ErrTampered) {
					t.Errorf("after one more entry: %v, %v", err, still)
				}
				return
			}
			n = 0
			for e, err := range s.Journal(start.Add(10*time.Minute), start.Add(20*time.Minute)) {
				if err != nil || e.Text != fmt.Sprint(10+n/3) || e.By != "keeper" || e.Seq != uint64(31+n) {
					t.Fatalf("entry %d is %+v: %v", n, e, err)
				}
				n++
			}
			if n != 30 {
				t.Fatalf("%d entries in ten minutes of three", n)
			}
		})
	}
}

// tampered added to a number of whole entries says that there is a fault all the same.
const tampered = 1000

// Names and free text can be erased and the chain still holds; changed they are found.
func TestNamesStandBesideTheChain(t *testing.T) {
	dir := memDir(t)
	s, _ := open(t, dir)
	for i := range 3 {
		if err := s.Commit(Commit{Journal: []event.Event{noted(sensors.Instant{Wall: start}, fmt.Sprint("note ", i))}}); err != nil {
			t.Fatal(err)
		}
	}
	err := s.update(func(tx *bolt.Tx) error {
		tx.Bucket([]byte(rootJournal)).ForEach(func(_, v []byte) error {
			if bytes.Contains(v, []byte("keeper")) || bytes.Contains(v, []byte("note 1")) {
				t.Errorf("a name or a text stands in the chain: %s", v[32:])
			}
			return nil
		})
		text, err := getDoc(tx, bucketBeside, keyOf(3))
		if err != nil {
			return err
		}
		return errors.Join(putDoc(tx, bucketBeside, keyOf(2), []byte{}),
			putDoc(tx, bucketBeside, keyOf(3), bytes.Replace(text, []byte("keeper"), []byte("nobody"), 1)))
	})
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for e, err := range s.Journal(time.Time{}, time.Time{}) {
		got = append(got, e.By+"|"+e.Text+"|"+fmt.Sprint(errors.Is(err, ErrTampered)))
	}
	if want := "[keeper|note 0|false ||false ||true]"; fmt.Sprint(got) != want {
		t.Errorf("%v, want %s", got, want)
	}
	if n, err := s.VerifyJournal(); n != 2 || !errors.Is(err, ErrTampered) {
		t.Errorf("%d whole entries, %v; want the two before the changed name", n, err)
	}
}

// A line of before events had types, as 55685e9 wrote it, is read, and what is
// written after it follows from it.
func TestOldLinesAreRead(t *testing.T) {
	s, _ := open(t, memDir(t))
	old := []string{
		`{"seq":1,"at":{"mono":1000000000,"wall":"2026-03-01T08:00:00Z","synced":true},"kind":"alarm","subject":"above-band/moss/7","old":"NORM","new":"UNACK","priority":"today"}`,
		`{"seq":2,"at":{"mono":2000000000,"wall":"2026-03-01T08:00:01Z","synced":true},"kind":"notice","who":"una","subject":"above-band/moss/7","old":"mqtt","new":"handed-over"}`,
		`{"seq":3,"at":{"mono":3000000000,"wall":"2026-03-01T08:01:00Z","synced":true},"kind":"shelve","who":"una","subject":"above-band/moss","old":"UNACK","new":"SHLVD for 2h0m0s, once","why":"door"}`,
	}
	err := s.update(func(tx *bolt.Tx) error {
		var h journalHead
		for i, text := range old {
			h = journalHead{uint64(i + 1), chained(h.hash, []byte(text))}
			if err := tx.Bucket([]byte(rootJournal)).Put(keyOf(h.seq), append(h.hash[:], text...)); err != nil {
				return err
			}
		}
		return putDoc(tx, bucketSelf, []byte("journal"), h.bytes())
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Commit(Commit{Journal: []event.Event{noted(sensors.Instant{Mono: 4 * time.Second, Wall: start}, "new")}}); err != nil {
		t.Fatal(err)
	}
	var got []event.Event
	for e, err := range s.JournalSince(0) {
		if err != nil {
			t.Fatal(err)
		}
		got = append(got, e)
	}
	if len(got) != 4 || got[0].Body != (event.Alarm{Alarm: "above-band", Subject: "moss", Onset: 7, From: "NORM", To: "UNACK", Priority: "today"}) ||
		got[1].Person != "una" || got[1].Body != (event.Notice{Notice: "above-band/moss/7", What: "handed-over", Channel: "mqtt"}) ||
		got[2].Line() != (event.Line{Kind: "shelve", Who: "una", Subject: "above-band/moss", Old: "UNACK", New: "SHLVD for 2h0m0s, once", Why: "door"}) {
		t.Errorf("read as %+v", got)
	}
	if n, err := s.VerifyJournal(); n != 4 || err != nil {
		t.Errorf("%d whole, %v", n, err)
	}
}
