package store

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/fnv"
	"os"
	"path/filepath"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"

	"dewline/store/block"
)

// smallFile makes a record of every kind of page (branches, leaves, overflow,
// buckets inside pages, a list of free pages) in as few of them as that takes.
func smallFile(tb testing.TB) []byte {
	tb.Helper()
	path := filepath.Join(memDir(tb), "small")
	db, err := openBolt(path, &bolt.Options{PageSize: pageSize})
	if err != nil {
		tb.Fatal(err)
	}
	fill := func(tx *bolt.Tx) error {
		if err := emptyRecord(tx); err != nil {
			return err
		}
		name := emptyKey(1, levelHour).bytes()
		if err := putBundle(tx, rootRaw, name, make([]byte, 3*pageSize)); err != nil {
			return err
		}
		for i := range 150 { // enough for a branch over two leaves
			if err := putDoc(tx, BucketAlarms, fmt.Appendf(nil, "alarm-%04d", i), make([]byte, 40)); err != nil {
				return err
			}
		}
		return nil
	}
	for _, f := range []func(*bolt.Tx) error{fill, func(tx *bolt.Tx) error {
		return putDoc(tx, BucketAlarms, []byte("alarm-0003"), nil) // frees pages
	}} {
		if err := db.Update(f); err != nil {
			tb.Fatal(err)
		}
	}
	if err := db.Close(); err != nil {
		tb.Fatal(err)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		tb.Fatal(err)
	}
	return b
}

// newest checks the file b under the newer of its roots.
func newest(b []byte) error {
	metas := readMetas(bytes.NewReader(b))
	if len(metas) == 0 {
		return badf("no root")
	}
	return walker{ctx: context.Background(), r: bytes.NewReader(b)}.walk(int64(len(b)), metas[0])
}

// sealMeta makes the newest root's checksum right again after a change to it.
func sealMeta(b []byte, slot int64) {
	d := b[slot*pageSize+pageHeader:]
	sum := fnv.New64a()
	sum.Write(d[:56])
	binary.LittleEndian.PutUint64(d[56:], sum.Sum64())
}

// TestCheckFinds damages a file in each way that the check has a word for.
func TestCheckFinds(t *testing.T) {
	whole := smallFile(t)
	if err := newest(whole); err != nil {
		t.Fatal(err)
	}
	m := readMetas(bytes.NewReader(whole))[0]
	le := binary.LittleEndian
	root := int(m.root) * pageSize
	for name, spoil := range map[string]func(b []byte) []byte{
		"root outside the file":      func(b []byte) []byte { le.PutUint64(b[m.slot*pageSize+pageHeader+16:], m.pages); return b },
		"more pages than bytes":      func(b []byte) []byte { return b[:len(b)/pageSize/2*pageSize] },
		"page that is another":       func(b []byte) []byte { le.PutUint64(b[root:], 3); return b },
		"page of an unknown type":    func(b []byte) []byte { b[root+8] = 0x40; return b },
		"overflow past the end":      func(b []byte) []byte { le.PutUint32(b[root+12:], 1<<30); return b },
		"element past its page":      func(b []byte) []byte { le.PutUint32(b[root+pageHeader+4:], 1<<20); return b },
		"element with a huge key":    func(b []byte) []byte { le.PutUint32(b[root+pageHeader+8:], 1<<31); return b },
		"element with unknown flags": func(b []byte) []byte { b[root+pageHeader] |= 0x80; return b },
		"keys out of order":          func(b []byte) []byte { swapElements(b[root+pageHeader:]); return b },
	} {
		b := spoil(bytes.Clone(whole))
		sealMeta(b, m.slot)
		if err := newest(b); !errors.Is(err, errBadFile) {
			t.Errorf("%s: %v", name, err)
		}
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if err := (walker{ctx: ctx, r: bytes.NewReader(whole)}.walk(int64(len(whole)), m)); !errors.Is(err, context.Canceled) {
		t.Errorf("a check that was called off: %v", err)
	}
}

// swapElements exchanges the keys of the first two elements of a leaf.
func swapElements(b []byte) {
	le := binary.LittleEndian
	pos, size := le.Uint32(b[4:]), le.Uint32(b[8:])
	nextPos, nextSize := le.Uint32(b[20:])+elemSize, le.Uint32(b[24:])
	le.PutUint32(b[4:], nextPos)
	le.PutUint32(b[8:], nextSize)
	le.PutUint32(b[20:], pos-elemSize)
	le.PutUint32(b[24:], size)
}

// TestOldFreelistIsNotBelieved leaves a list of free pages behind, as the library does
// by itself and as versions before this did, one that names pages in use: nothing is
// written over them.
func TestOldFreelistIsNotBelieved(t *testing.T) {
	for _, later := range []bool{false, true} {
		dir := memDir(t)
		s, _ := open(t, dir)
		r := newRoom(19, 3)
		want := fill(t, s, r, 3*time.Hour)
		s.db.NoFreelistSync = false
		if err := s.Commit(Commit{Docs: []Doc{{BucketNotes, "n", []byte("n")}}}); err != nil {
			t.Fatal(err)
		}
		if err := s.Close(ctx); err != nil {
			t.Fatal(err)
		}
		path := filepath.Join(dir, FileName)
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		m := readMetas(bytes.NewReader(b))[0]
		if m.freelist == noFreelist {
			t.Fatal("there is no list of free pages")
		}
		list := b[m.freelist*pageSize:]
		n := binary.LittleEndian.Uint16(list[10:])
		for i := range uint64(n) { // whatever there is
			binary.LittleEndian.PutUint64(list[pageHeader+8*i:], 2+i)
		}
		if err := os.WriteFile(path, b, 0o600); err != nil {
			t.Fatal(err)
		}
		s, rep, err := Open(ctx, Options{Dir: dir, CheckLater: later})
		if err != nil || rep.Damage != nil || s.unchecked.Load() != later {
			t.Fatalf("%v, %+v", err, rep)
		}
		check := func() {
			t.Helper()
			for p, more := range fill(t, s, r, 70*time.Minute) {
				want[p] = append(want[p], more...)
				compare(t, readAll(t, s, p, start, farFuture), want[p])
			}
		}
		check()
		before := s.Stats().FreeBytes
		if err := s.Check(ctx); err != nil {
			t.Fatal(err)
		}
		if free := s.Stats().FreeBytes; later && free <= before {
			t.Errorf("%d bytes are known to be free after the check, %d before", free, before)
		}
		check()
		if err := s.Close(ctx); err != nil {
			t.Fatal(err)
		}
	}
}

// FuzzCheck changes bytes of a file anywhere and compares the check with the
// library it stands in front of: what passes must open, be read to the end
// without a panic, and pass the library's own check.
func FuzzCheck(f *testing.F) {
	whole := smallFile(f)
	m := readMetas(bytes.NewReader(whole))[0]
	for _, page := range []uint64{m.root, uint64(m.slot)} {
		for at := range 12 {
			f.Add(uint32(page*pageSize)+uint32(at*4), []byte{1, 0, 0, 0})
		}
	}
	path := filepath.Join(memDir(f), "fuzzed")
	f.Fuzz(func(t *testing.T, at uint32, patch []byte) {
		b := bytes.Clone(whole)
		copy(b[int(at)%len(b):], patch[:min(len(patch), 64)])
		sealMeta(b, m.slot)
		if now := readMetas(bytes.NewReader(b)); len(now) == 0 || now[0].slot != m.slot || newest(b) != nil {
			return
		}
		if err := os.WriteFile(path, b, 0o600); err != nil {
			t.Fatal(err)
		}
		file, err := os.OpenFile(path, os.O_RDWR, 0)
		if err == nil {
			err = errors.Join(setFreelist(file, readMetas(file)[0], false), file.Close())
		}
		if err != nil {
			t.Fatal(err)
		}
		db, err := openBolt(path, &bolt.Options{PageSize: pageSize, NoFreelistSync: true})
		if err != nil {
			t.Fatalf("the check let pass what does not open: %v", err)
		}
		err = guard(func() error {
			return db.View(func(tx *bolt.Tx) error {
				var first error
				for err := range tx.Check() { // to the end, as the library asks
					if first == nil {
						first = err
					}
				}
				return first
			})
		})
		if err := errors.Join(err, db.Close()); err != nil {
			t.Fatalf("the check let pass what the library does not: %v", err)
		}
	})
}

// FuzzBundle changes a bundle's directory under a right checksum, as only a
// fault of the writer could, and the bundle as a whole under a wrong one.
func FuzzBundle(f *testing.F) {
	parts := []bundlePart{{"rack0-shelf1-litter2", [][]byte{make([]byte, 300)}}, {"room", [][]byte{make([]byte, 7), nil}}, {"", nil}}
	whole := newBundle(rootRaw, emptyKey(3, levelHour).bytes(), parts)
	data := len(whole) - 307
	for at := bundleStart; at < data-4; at++ {
		f.Add(uint16(at), []byte{0xFF, 0xFF, 0x03}, true)
	}
	f.Add(uint16(0), whole[:20], false)
	f.Fuzz(func(t *testing.T, at uint16, patch []byte, mend bool) {
		b := bytes.Clone(whole)
		copy(b[int(at)%len(b):], patch)
		if mend {
			copy(b[data-4:], binary.LittleEndian.AppendUint32(nil, block.Checksum(b[:data-4])))
		}
		mended(withSpare(b)) // does not panic
		inside, seen := 0, 0
		parts, err := readParts(b)
		for _, p := range parts {
			for _, x := range p.blocks {
				inside += len(x)
			}
			seen++
		}
		if inside > len(b) || err != nil && !errors.Is(err, ErrDamaged) {
			t.Fatalf("%d bytes of blocks in %d: %v", inside, len(b), err)
		}
		if err == nil && !bytes.Equal(b, whole) && !mend && !bytes.Equal(b[:data], whole[:data]) {
			t.Fatalf("a changed directory passed with %d probes", seen)
		}
	})
}
