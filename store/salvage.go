package store

import (
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"time"

	bolt "go.etcd.io/bbolt"

	"dewline/store/block"
)

// A salvager collects what is whole in a damaged file.
type salvager struct {
	ctx  context.Context
	f    io.ReaderAt
	size int64
	rep  *RepairReport
	dec  block.Decoder
	last uint64 // highest number of a bundle in the trees
}

// A RepairReport tells what was saved from a damaged file.
type RepairReport struct {
	Docs, Journal  int       // documents and journal entries
	Readings       int       // good and bad
	From, To       time.Time // wall times of the first and the last of them
	Tables         int       // hours or days of rollups
	Damaged        int       // pages, records and blocks given up
	Incomplete     bool
	DamagedReasons []string // the first few
}

// saveSmall makes a new record at dst of what is small in the damaged one at src, which
// must be there at once; Regain adds the bundles.
func saveSmall(ctx context.Context, src, dst string) error {
	f, size, err := openToRead(src)
	if err != nil {
		return err
	}
	defer f.Close()
	return create(dst, (&salvager{ctx: ctx, f: f, size: size, rep: new(RepairReport)}).fill)
}

// fill writes documents, journal entries and batches of the open hour into the new file,
// each as far as it is sound.
func (v *salvager) fill(tx *bolt.Tx) error {
	if err := emptyRecord(tx); err != nil {
		return err
	}
	found := false
	v.walkAll(func(path [][]byte, key []byte, value func() ([]byte, error)) error {
		if !v.isSmall(path) {
			return nil
		}
		b, err := value()
		if err == nil {
			err = v.put(tx, path, key, b)
		}
		if err != nil {
			v.damage(err)
		}
		found = found || err == nil
		return nil
	})
	if !found {
		v.scan(func(key, b []byte) { v.putLoose(tx, key, b) })
	}
	// What may be added later keeps its place in front of what comes from now on.
	return putDoc(tx, bucketSelf, []byte(keyLastSeq), binary.BigEndian.AppendUint64(nil, v.last))
}

// isSmall reports whether what lies at a path is saved at once. Of bundles it only notes
// how far their numbers go.
func (v *salvager) isSmall(path [][]byte) bool {
	if len(path) == 0 { // where a damaged tree leads
		return false
	}
	switch root := string(path[0]); root {
	case rootJournal, rootGen, rootSlots:
		return len(path) == 1
	case rootKeep:
		return len(path) == 2 && len(path[1]) == 1
	case rootArchive:
		return len(path) == 2
	case rootRaw, rootTable:
		if k, ok := parseKey(path[len(path)-1]); ok {
			v.last = max(v.last, k.seq)
		}
		return false
	default:
		return len(path) == 1 && isPart(root)
	}
}

// put stores a record that is sound in its place, the first time it is met: the newest
// root comes first.
func (v *salvager) put(tx *bolt.Tx, path [][]byte, key, b []byte) error {
	if err := verifyRecord(&v.dec, path, key, b); err != nil {
		return err
	}
	root := string(path[0])
	if root == rootJournal && (len(key) != 8 || len(b) < 32) {
		return fmt.Errorf("%w: journal entry %x", ErrDamaged, key)
	}
	in, err := tx.CreateBucketIfNotExists(path[0])
	if err == nil && len(path) == 2 {
		in, err = in.CreateBucketIfNotExists(path[1])
	}
	if err != nil || in.Get(key) != nil {
		return err
	}
	if err := in.Put(key, b); err != nil {
		return err
	}
	switch root {
	case rootKeep:
		v.rep.Docs++
	case rootJournal:
		v.rep.Journal++
	case rootArchive:
		a, err := readArchive(b)
		v.rep.Journal += a.entries()
		return err
	}
	return nil
}

// putLoose stores a document or an archive of the journal from a page that no root leads
// to. Which of several versions was the last cannot be told; any is better than none.
func (v *salvager) putLoose(tx *bolt.Tx, key, b []byte) {
	if len(b) < 5 || len(b) > 1<<20 {
		return
	}
	path := [][]byte{[]byte(rootKeep), b[4:5]}
	if a, err := readArchive(b); err == nil {
		path = [][]byte{[]byte(rootArchive), a.name()}
	}
	_ = v.put(tx, path, key, b) // what is not sound is anything
}

// cover counts readings of a span of wall time.
func (r *RepairReport) cover(readings int, from, to int64) {
	a, b := time.UnixMilli(from).UTC(), time.UnixMilli(to).UTC()
	if r.Readings == 0 || a.Before(r.From) {
		r.From = a
	}
	if r.Readings == 0 || b.After(r.To) {
		r.To = b
	}
	r.Readings += readings
}

// damage counts what is given up, and says why of the first ten.
func (v *salvager) damage(err error) {
	v.rep.Damaged++
	if len(v.rep.DamagedReasons) < 10 {
		v.rep.DamagedReasons = append(v.rep.DamagedReasons, err.Error())
	}
}

// walkAll visits every record in reach of either root, the newest first.
func (v *salvager) walkAll(take visit) {
	metas := readMetas(v.f)
	if len(metas) == 0 {
		v.damage(badf("neither root is valid"))
	}
	for _, m := range metas {
		before := v.rep.Damaged
		m.pages = min(m.pages, uint64(v.size/pageSize))
		if err := (walker{ctx: v.ctx, r: v.f, leaf: take, skip: v.damage}).walk(v.size, m); err != nil {
			v.damage(err)
		}
		if v.rep.Damaged == before {
			return
		}
	}
}

// scan visits every value that lies on a leaf, whether or not a tree leads there.
func (v *salvager) scan(take func(key, value []byte)) {
	pages := uint64(v.size / pageSize)
	for id := uint64(2); id < pages && v.ctx.Err() == nil; id++ {
		n, err := readNode(v.f, id, pages)
		if err != nil || n.branch {
			continue
		}
		for i := range n.elems {
			if b, err := n.value(&n.elems[i]); err == nil && n.elems[i].flags == 0 {
				take(n.elems[i].key, b)
			}
		}
	}
}
