package store

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	bolt "go.etcd.io/bbolt"

	"dewline/store/block"
)

// A RepairReport tells what was saved from a damaged file.
type RepairReport struct {
	Docs, Journal  int // documents and journal entries
	Bundles        int // hours or days of readings
	Tables         int // the same of rollups
	Blocks         int // one probe's share of them
	Rows           int // batches of the open hour
	Damaged        int // pages, records and blocks given up
	Incomplete     bool
	DamagedReasons []string // the first few
}

// Repair copies every whole record of the file src to a new record at dst,
// which must not exist. src is only read. It goes on past damage and says what
// it gave up; an error means that nothing could be written or read at all.
func Repair(ctx context.Context, src, dst string) (RepairReport, error) {
	if _, err := os.Lstat(dst); !errors.Is(err, os.ErrNotExist) {
		return RepairReport{}, fmt.Errorf("repair: %s exists already; name a file that does not", dst)
	}
	rep, err := salvage(ctx, src, dst)
	if err != nil {
		return rep, fmt.Errorf("repair %s: %w", src, err)
	}
	return rep, nil
}

// A salvager collects what is whole.
type salvager struct {
	ctx   context.Context
	f     *os.File
	size  int64
	rep   RepairReport
	small map[string]map[string][]byte // bucket path → key → value, as stored
	seen  map[string]bool              // root and name of bundles saved
	days  map[string][]bundleKey       // by root
	level uint8                        // the only level to copy, 0 for both
	dst   *bolt.DB
}

// salvage reads src twice: once for what is small, which must be in the new file whatever
// happens later, and once for the bundles, written one by one. Where the trees are
// damaged it also looks at pages that nothing leads to. It keeps in memory only the
// small records and the bundles' names.
func salvage(ctx context.Context, src, dst string) (RepairReport, error) {
	f, err := os.Open(src)
	if err != nil {
		return RepairReport{}, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return RepairReport{}, err
	}
	v := &salvager{ctx: ctx, f: f, size: info.Size(), small: map[string]map[string][]byte{}, seen: map[string]bool{}, days: map[string][]bundleKey{}}
	v.walkAll(v.takeSmall)
	if len(v.small) == 0 {
		v.scan(v.takeLoose)
	}
	tmp := dst + ".salvage"
	if err := create(tmp, v.fill); err != nil {
		return v.rep, err
	}
	if v.dst, err = openBolt(tmp, &bolt.Options{Timeout: time.Second, PageSize: pageSize, NoFreelistSync: true, NoSync: true}); err != nil {
		return v.rep, err
	}
	v.rep.Damaged, v.rep.DamagedReasons = 0, nil // the second walk meets them again
	v.walkAll(v.takeBundle)
	if v.rep.Damaged > 0 {
		// Days first: hours that became part of one may lie about still.
		for v.level = levelDay; v.level >= levelHour; v.level-- {
			v.scan(v.takeLooseBundle)
		}
	}
	err = errors.Join(v.dst.Close(), syncPath(tmp))
	if err == nil {
		err = os.Rename(tmp, dst)
	}
	v.rep.Incomplete = ctx.Err() != nil
	return v.rep, err
}

// damage counts what is given up, and says why of the first ten.
func (v *salvager) damage(err error) {
	v.rep.Damaged++
	if len(v.rep.DamagedReasons) < 10 {
		v.rep.DamagedReasons = append(v.rep.DamagedReasons, err.Error())
	}
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

// takeSmall keeps documents, journal entries and batches of the open hour.
func (v *salvager) takeSmall(path [][]byte, key []byte, value func() ([]byte, error)) error {
	if len(path) == 0 || string(path[0]) == rootRaw || string(path[0]) == rootTable {
		return nil
	}
	b, err := value()
	if err != nil {
		v.damage(err)
		return nil
	}
	where := string(path[len(path)-1])
	switch {
	case len(path) == 2 && string(path[0]) == rootKeep && len(path[1]) == 1:
		if _, err := openEnvelope(Bucket(path[1][0]), key, b); err != nil {
			v.damage(err)
			return nil
		}
		where = rootKeep + where
	case len(path) == 1 && where == rootJournal:
		if len(key) != 8 || len(b) < 32 {
			v.damage(fmt.Errorf("%w: journal entry %x", ErrDamaged, key))
			return nil
		}
	case len(path) == 1 && len(where) == 9 && (where[0] == prefixRow || where[0] == prefixPart):
		var dec block.Decoder
		if err := dec.DecodeSet(b, func(int, []block.Record) {}); err != nil {
			v.damage(err)
			return nil
		}
	default:
		return nil
	}
	v.keep(where, string(key), b)
	return nil
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

// takeLoose keeps documents on pages that no root leads to. Which of several
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
		case len(where) == len(rootKeep)+1:
			b, err = tx.Bucket([]byte(rootKeep)).CreateBucketIfNotExists([]byte(where[len(rootKeep):]))
			v.rep.Docs += len(pairs)
		default:
			b, err = tx.CreateBucketIfNotExists([]byte(where))
			v.rep.Rows++
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
	return nil
}

// takeBundle copies one bundle, without those of its blocks that are damaged.
func (v *salvager) takeBundle(path [][]byte, key []byte, value func() ([]byte, error)) error {
	if len(path) != 2 || string(key) != valueKey {
		return nil
	}
	root := string(path[0])
	if root != rootRaw && root != rootTable {
		return nil
	}
	b, err := value()
	if err == nil {
		err = v.copyBundle(root, b)
	}
	if err != nil {
		v.damage(err)
	}
	return v.ctx.Err()
}

// takeLooseBundle copies a bundle found on a page that no tree leads to.
func (v *salvager) takeLooseBundle(n *node, e *element) {
	if e.flags != 0 || string(e.key) != valueKey || e.size <= int64(bundleStart) {
		return
	}
	b, err := n.value(e)
	if err != nil || len(b) <= bundleStart || string(b[:4]) != bundleMagic {
		return
	}
	root := rootRaw
	if b[4] == kindTable {
		root = rootTable
	}
	_ = v.copyBundle(root, b) // a page that was reused in part is no loss
}

// copyBundle writes the whole blocks of a bundle to the new file once.
func (v *salvager) copyBundle(root string, b []byte) error {
	kind := byte(kindRaw)
	if root == rootTable {
		kind = kindTable
	}
	if len(b) < bundleStart {
		return fmt.Errorf("%w: bundle of %d bytes", ErrDamaged, len(b))
	}
	name := b[len(bundleMagic)+1 : bundleStart]
	k, ok := parseKey(name)
	if !ok {
		return fmt.Errorf("%w: name of a bundle", ErrDamaged)
	}
	if v.seen[root+string(name)] || v.inDay(root, k) || (v.level != 0 && v.level != k.level) {
		return nil
	}
	var dec block.Decoder
	var parts []bundlePart
	blocks := 0
	err := walkBundle(b, kind, func(probe []byte, have [][]byte) bool {
		p := bundlePart{probe: string(probe)}
		for _, blk := range have {
			var err error
			if kind == kindRaw {
				_, err = dec.Decode(nil, blk)
			} else {
				_, err = dec.DecodeSpans(nil, blk)
			}
			if err != nil {
				v.damage(fmt.Errorf("probe %s: %w", probe, err))
				if kind == kindTable {
					break // levels go by place
				}
				continue
			}
			p.blocks = append(p.blocks, blk)
			blocks++
		}
		if len(p.blocks) > 0 {
			parts = append(parts, p)
		}
		return true
	})
	if err != nil {
		return err
	}
	v.seen[root+string(name)] = true
	if k.level == levelDay {
		v.days[root] = append(v.days[root], k)
	}
	v.rep.Blocks += blocks
	if root == rootRaw {
		v.rep.Bundles++
	} else {
		v.rep.Tables++
	}
	return v.dst.Update(func(tx *bolt.Tx) error {
		return putBundle(tx, root, name, appendBundle(nil, kind, name, parts))
	})
}

// inDay tells an hour that a saved day holds already: its pages were freed but
// not written over.
func (v *salvager) inDay(root string, k bundleKey) bool {
	if k.level != levelHour {
		return false
	}
	for _, d := range v.days[root] {
		if d.monoMin <= k.monoMin && k.monoMax <= d.monoMax {
			return true
		}
	}
	return false
}

// verify reads a whole record file and returns the first fault: structure,
// documents and blocks.
func verify(ctx context.Context, f interface {
	io.ReaderAt
	Stat() (os.FileInfo, error)
}) error {
	return verifyOnly(ctx, f, func([][]byte) bool { return true })
}

// verifyOnly reads all of the structure, and the records in those buckets that
// want picks by their path.
func verifyOnly(ctx context.Context, f interface {
	io.ReaderAt
	Stat() (os.FileInfo, error)
}, want func(path [][]byte) bool) error {
	info, err := f.Stat()
	if err != nil {
		return err
	}
	metas := readMetas(f)
	if len(metas) == 0 {
		return badf("neither of its two roots is valid")
	}
	w, err := newWalker(ctx, f, info.Size(), metas[0])
	if err != nil {
		return err
	}
	var dec block.Decoder
	w.leaf = func(path [][]byte, key []byte, value func() ([]byte, error)) error {
		if !want(path) {
			return nil
		}
		b, err := value()
		if err != nil {
			return err
		}
		return verifyRecord(&dec, path, key, b)
	}
	return w.whole(metas[0])
}

// verifyRecord checks one record by the checksums it carries. The journal has a chain
// of its own; see VerifyJournal.
func verifyRecord(dec *block.Decoder, path [][]byte, key, b []byte) (err error) {
	switch {
	case len(path) == 2 && string(path[0]) == rootKeep && len(path[1]) == 1:
		_, err = openEnvelope(Bucket(path[1][0]), key, b)
	case len(path) == 2 && string(path[0]) == rootRaw:
		werr := walkBundle(b, kindRaw, func(_ []byte, blocks [][]byte) bool {
			for _, blk := range blocks {
				if _, err = dec.Decode(nil, blk); err != nil {
					return false
				}
			}
			return true
		})
		err = errors.Join(werr, err)
	case len(path) == 2 && string(path[0]) == rootTable:
		werr := walkBundle(b, kindTable, func(_ []byte, blocks [][]byte) bool {
			for _, blk := range blocks {
				if _, err = dec.DecodeSpans(nil, blk); err != nil {
					return false
				}
			}
			return true
		})
		err = errors.Join(werr, err)
	}
	return err
}
