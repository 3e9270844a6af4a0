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
	return checkTree(context.Background(), bytes.NewReader(b), int64(len(b)), metas[0])
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
	free := int(m.freelist) * pageSize
	count := int(le.Uint16(whole[free+10:]))
	if count < 2 {
		t.Fatalf("only %d free pages to try with", count)
	}
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
		"free list out of the file":  func(b []byte) []byte { le.PutUint64(b[m.slot*pageSize+pageHeader+32:], 1<<40); return b },
		"free list that is none":     func(b []byte) []byte { b[free+8] = flagLeaf; return b },
		"free list too long":         func(b []byte) []byte { le.PutUint16(b[free+10:], 600); return b },
		"free list out of order": func(b []byte) []byte {
			copy(b[free+pageHeader:], b[free+pageHeader+8:free+pageHeader+16])
			return b
		},
		"page both used and free": func(b []byte) []byte { le.PutUint64(b[free+pageHeader+8*(count-1):], m.root); return b },
		"page neither used nor free": func(b []byte) []byte {
			le.PutUint16(b[free+10:], uint16(count-1))
			return b
		},
	} {
		b := spoil(bytes.Clone(whole))
		sealMeta(b, m.slot)
		if err := newest(b); !errors.Is(err, errBadFile) {
			t.Errorf("%s: %v", name, err)
		}
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if err := checkTree(ctx, bytes.NewReader(whole), int64(len(whole)), m); !errors.Is(err, context.Canceled) {
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

// TestFreelistOnlyAfterCleanClose asks that a clean close leaves the list of
// free pages, that no commit after it does, and that a damaged list costs
// nothing but itself.
func TestFreelistOnlyAfterCleanClose(t *testing.T) {
	dir := memDir(t)
	s, _ := open(t, dir)
	r := newRoom(19, 3)
	want := fill(t, s, r, 3*time.Hour)
	path := filepath.Join(dir, FileName)
	listed := func() (fileMeta, []byte) {
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		return readMetas(bytes.NewReader(b))[0], b
	}
	if m, _ := listed(); m.freelist != noFreelist {
		t.Error("a running store writes its list of free pages")
	}
	if err := s.Close(ctx); err != nil {
		t.Fatal(err)
	}
	m, b := listed()
	if m.freelist == noFreelist {
		t.Fatal("a closed store left no list of free pages")
	}
	clear(b[m.freelist*pageSize:][:pageSize])
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	s, rep, err := Open(ctx, Options{Dir: dir})
	if err != nil || !rep.FellBack || rep.Quarantined != "" {
		t.Fatalf("%v, %+v", err, rep)
	}
	for _, p := range r.probes {
		compare(t, readAll(t, s, p, start, farFuture), want[p])
	}
	if err := s.Close(ctx); err != nil {
		t.Fatal(err)
	}
}

// FuzzCheck changes bytes of a file anywhere and compares the check with the
// library it stands in front of: what passes must open, be read to the end
// without a panic, and pass the library's own check.
func FuzzCheck(f *testing.F) {
	whole := smallFile(f)
	m := readMetas(bytes.NewReader(whole))[0]
	for _, page := range []uint64{m.root, m.freelist, uint64(m.slot)} {
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
	whole := appendBundle(nil, kindRaw, emptyKey(3, levelDay).bytes(), parts)
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
		inside, seen := 0, 0
		err := walkBundle(b, kindRaw, func(probe []byte, blocks [][]byte) bool {
			for _, x := range blocks {
				inside += len(x)
			}
			seen++
			return true
		})
		if inside > len(b) || err != nil && !errors.Is(err, ErrDamaged) {
			t.Fatalf("%d bytes of blocks in %d: %v", inside, len(b), err)
		}
		if err == nil && !bytes.Equal(b, whole) && !mend && !bytes.Equal(b[:data], whole[:data]) {
			t.Fatalf("a changed directory passed with %d probes", seen)
		}
	})
}
