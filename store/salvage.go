package store

import (
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	bolt "go.etcd.io/bbolt"

	"dewline/store/block"
)

// takeSmall keeps documents, journal entries and batches of the open hour, each as
// far as it is sound. Of bundles it only notes how far their numbers go.
func (v *salvager) takeSmall(path [][]byte, key []byte, value func() ([]byte, error)) error {
	where := v.smallAt(path)
	if where == "" {
		return nil
	}
	b, err := value()
	if err == nil {
		err = v.sound(where, path, key, b)
	}
	if err != nil {
		v.damage(err)
		return nil
	}
	v.keep(where, string(key), b)
	return nil
}

// smallAt tells under which name what lies at a path is kept, and none for what is not small.
func (v *salvager) smallAt(path [][]byte) string {
	if len(path) == 0 { // where a damaged tree leads
		return ""
	}
	root := string(path[0])
	switch len(path) {
	case 1:
		return topName(root)
	case 2:
		if root == rootKeep && len(path[1]) == 1 || root == rootArchive {
			return root + string(path[1])
		}
		if k, ok := parseKey(path[1]); ok && (root == rootRaw || root == rootTable) {
			v.last = max(v.last, k.seq)
		}
	}
	return ""
}

// topName is under which name the values of a bucket at the top are kept.
func topName(root string) string {
	switch {
	case root == rootJournal, root == rootGen, root == rootSlots:
		return root
	case len(root) == 9 && (root[0] == prefixRow || root[0] == prefixPart):
		return string(prefixPart) + root[1:]
	}
	return ""
}

// sound reports what is wrong with a record, and counts the readings of the open hour.
func (v *salvager) sound(where string, path [][]byte, key, b []byte) error {
	switch {
	case where == rootJournal:
		return soundEntry(key, b)
	case where == rootSlots:
		v.countSlots(b)
	case len(path) == 1 && where != rootGen:
		return v.soundBatch(where, b)
	}
	return verifyRecord(&v.dec, path, key, b)
}

func soundEntry(key, b []byte) error {
	if len(key) != 8 || len(b) < 32 {
		return fmt.Errorf("%w: journal entry %x", ErrDamaged, key)
	}
	return nil
}

// soundBatch unpacks a batch of the open hour, and counts its readings if none of that
// name was met before.
func (v *salvager) soundBatch(where string, b []byte) error {
	n, from, to := 0, int64(math.MaxInt64), int64(math.MinInt64)
	err := v.dec.DecodeSet(b, func(_ int, recs []block.Record) {
		for i := range recs {
			from, to = min(from, recs[i].Wall), max(to, recs[i].Wall)
		}
		n += len(recs)
	})
	if err != nil {
		return fmt.Errorf("a batch of the open hour: %w", err)
	}
	if _, met := v.small[where]; n > 0 && !met {
		v.rep.cover(n, from, to)
	}
	return nil
}

// countSlots counts what is whole in slots; the generation that counts is met before.
func (v *salvager) countSlots(b []byte) {
	if gen := v.small[rootGen][valueKey]; len(gen) == 8 {
		for _, s := range readSlots(b, binary.BigEndian.Uint64(gen)) {
			if err := v.soundBatch(rootSlots, s.set); err != nil {
				v.damage(err)
			}
		}
	}
}

// keep stores a record the first time it is met: the newest root comes first.
func (v *salvager) keep(where, key string, b []byte) {
	if v.small[where] == nil {
		v.small[where] = map[string][]byte{}
	}
	if _, ok := v.small[where][key]; !ok {
		v.small[where][key] = append([]byte{}, b...)
	}
}

// takeLoose keeps documents and archives of the journal on pages that no root leads to. Which of several
// versions was the last cannot be told; any is better than none.
func (v *salvager) takeLoose(n *node, e *element) {
	if e.flags != 0 || e.size < 5 || e.size > 1<<20 {
		return
	}
	b, err := n.value(e)
	if err != nil {
		return
	}
	if _, err := openEnvelope(Bucket(b[4]), e.key, b); err == nil {
		v.keep(rootKeep+string(b[4:5]), string(e.key), b)
	} else if a, err := readArchive(b); err == nil {
		v.keep(rootArchive+string(a.name()), valueKey, b)
	}
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

// A salvager collects what is small and whole in a damaged file: documents, the journal
// and the open hour.
type salvager struct {
	ctx   context.Context
	f     io.ReaderAt
	size  int64
	rep   RepairReport
	dec   block.Decoder
	small map[string]map[string][]byte // bucket path → key → value, as stored
	last  uint64                       // highest number of a bundle in the trees
}

// A RepairReport tells what was saved from a damaged file.
type RepairReport struct {
	Docs, Journal  int       // documents and journal entries
	Readings       int       // good and bad
	From, To       time.Time // wall times of the first and the last of them
	Bundles        int       // hours or days of readings
	Tables         int       // the same of rollups
	Blocks         int       // one probe's share of them
	Rows           int       // batches of the open hour
	Damaged        int       // pages, records and blocks given up
	Incomplete     bool
	DamagedReasons []string // the first few
}

// walkAll visits every record in reach of either root, the newest first.
func (v *salvager) walkAll(take func(path [][]byte, key []byte, value func() ([]byte, error)) error) {
	metas := readMetas(v.f)
	if len(metas) == 0 {
		v.damage(badf("neither root is valid"))
	}
	for _, m := range metas {
		before := v.rep.Damaged
		m.pages = min(m.pages, uint64(v.size/pageSize))
		w, err := newWalker(v.ctx, v.f, v.size, m)
		if err != nil {
			v.damage(err)
			continue
		}
		w.leaf, w.skip = take, v.damage
		if err := w.page(m.root, nil, nil, nil, 0); err != nil {
			v.damage(err)
		}
		if v.rep.Damaged == before {
			return
		}
	}
}

// scan looks at every page for leaves that no tree leads to any more.
func (v *salvager) scan(take func(n *node, e *element)) {
	for id := uint64(2); id < uint64(v.size/pageSize) && v.ctx.Err() == nil; id++ {
		first := make([]byte, pageSize)
		if _, err := v.f.ReadAt(first, int64(id)*pageSize); err != nil {
			continue
		}
		n := &node{id: id, r: v.f, off: int64(id) * pageSize, first: first}
		if n.parse(func(uint64, uint64) error { return nil }) != nil || n.branch {
			continue
		}
		for i := range n.elems {
			take(n, &n.elems[i])
		}
	}
}

// fill writes the small records into the new file.
func (v *salvager) fill(tx *bolt.Tx) error {
	if err := emptyRecord(tx); err != nil {
		return err
	}
	for where, pairs := range v.small {
		var b *bolt.Bucket
		var err error
		switch {
		case where == rootJournal:
			b = tx.Bucket([]byte(rootJournal))
			v.rep.Journal += len(pairs)
		case strings.HasPrefix(where, rootArchive):
			name := []byte(where[len(rootArchive):])
			b, err = tx.Bucket([]byte(rootArchive)).CreateBucket(name)
			if a, ok := namedArchive(name); ok {
				v.rep.Journal += int(a.last - a.first + 1)
			}
		case len(where) == len(rootKeep)+1:
			b, err = tx.Bucket([]byte(rootKeep)).CreateBucketIfNotExists([]byte(where[len(rootKeep):]))
			v.rep.Docs += len(pairs)
		default:
			b, err = tx.CreateBucketIfNotExists([]byte(where))
			if where != rootGen {
				v.rep.Rows++
			}
		}
		if err != nil {
			return err
		}
		for k, value := range pairs {
			if err := b.Put([]byte(k), value); err != nil {
				return err
			}
		}
	}
	// What may be added later keeps its place in front of what comes from now on.
	return putDoc(tx, bucketSelf, []byte(keyLastSeq), binary.BigEndian.AppendUint64(nil, v.last))
}

// keyLastSeq is the document with the highest number that a bundle of a salvaged
// file had.
const keyLastSeq = "last-bundle"

// newSalvager returns a salvager that has nothing yet.
func newSalvager(ctx context.Context, f io.ReaderAt, size int64) *salvager {
	return &salvager{ctx: ctx, f: f, size: size, small: map[string]map[string][]byte{}}
}

// saveSmall makes a new record at dst of what is small in a damaged one, which must be
// there at once; Regain adds the bundles.
func saveSmall(ctx context.Context, f io.ReaderAt, size int64, dst string) (RepairReport, error) {
	v := newSalvager(ctx, f, size)
	v.walkAll(v.takeSmall)
	if len(v.small) == 0 {
		v.scan(v.takeLoose)
	}
	return v.rep, create(dst, v.fill)
}

// add counts what another report has saved and given up.
func (r *RepairReport) add(o *RepairReport) {
	if o.Readings > 0 {
		r.cover(o.Readings, o.From.UnixMilli(), o.To.UnixMilli())
	}
	r.Journal += o.Journal
	r.Bundles, r.Tables, r.Blocks = r.Bundles+o.Bundles, r.Tables+o.Tables, r.Blocks+o.Blocks
	r.Damaged += o.Damaged
	r.DamagedReasons = append(r.DamagedReasons, o.DamagedReasons...)
}
