package store

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	bolt "go.etcd.io/bbolt"

	"dewline/rules/event"
	"dewline/sensors"
	"dewline/store/block"
)

// ErrNothing says that a file has nothing that could be saved.
var ErrNothing = errors.New("nothing in it can be read")

// Repair copies every whole record of the file src to a new record at dst,
// which must not exist, and notes there that by did so. src is only read. It goes
// on past damage and says what it gave up; an error means that nothing could be
// written or read at all, and that there is no file at dst.
func Repair(ctx context.Context, src, dst, by string) (RepairReport, error) {
	if _, err := os.Lstat(dst); err == nil {
		return RepairReport{}, fmt.Errorf("repair: %s exists already; name a file that does not", dst)
	}
	if err := notInUse(src); err != nil {
		return RepairReport{}, fmt.Errorf("repair %s: %w", src, err)
	}
	rep, err := salvage(ctx, src, dst)
	if err == nil && rep.Docs+rep.Journal+rep.Bundles+rep.Tables+rep.Rows == 0 {
		err = errors.Join(ErrNothing, os.Remove(dst))
	}
	if err == nil {
		err = noteRepair(dst, src, by, &rep)
	}
	if err != nil {
		return rep, fmt.Errorf("repair %s: %w", src, err)
	}
	return rep, nil
}

// noteRepair writes into the journal of the new record what it was made from.
func noteRepair(dst, src, by string, rep *RepairReport) error {
	db, err := openBolt(dst, &bolt.Options{Timeout: time.Second, PageSize: pageSize, NoFreelistSync: true})
	if err != nil {
		return err
	}
	err = guard(func() error {
		return db.Update(func(tx *bolt.Tx) (err error) {
			j := chain{in: new(recordFile), era: 1} // another than the file's: nothing is remembered
			e := event.New(sensors.Instant{Mono: lastEntry(tx), Wall: time.Now()}, event.Record{Act: "repair", File: src,
				What: fmt.Sprintf("%d readings, %d documents and %d journal lines saved, %d pages or entries given up", rep.Readings, rep.Docs, rep.Journal, rep.Damaged)})
			e.By = by
			return j.putJournal(tx, []event.Event{e})
		})
	})
	return errors.Join(err, guard(db.Close))
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
	if err := isFile(f); err != nil {
		return RepairReport{}, err
	}
	return salvageFrom(ctx, f, info.Size(), dst)
}

// salvageFrom is salvage of so many bytes, which may refuse to be read in places.
func salvageFrom(ctx context.Context, f io.ReaderAt, size int64, dst string) (RepairReport, error) {
	v := newSalvager(ctx, f, size)
	v.walkAll(v.takeSmall)
	if len(v.small) == 0 {
		v.scan(v.takeLoose)
	}
	tmp := dst + ".salvage"
	err := create(tmp, v.fill)
	if err != nil {
		return v.rep, err
	}
	db, err := openBolt(tmp, &bolt.Options{Timeout: time.Second, PageSize: pageSize, NoFreelistSync: true, NoSync: true})
	if err != nil {
		return v.rep, err
	}
	v.put = func(root string, k bundleKey, name []byte, parts []bundlePart) error {
		return db.Update(func(tx *bolt.Tx) error {
			return putBundle(tx, root, name, appendBundle(nil, kindOf(root), name, parts))
		})
	}
	v.rep.Damaged, v.rep.DamagedReasons = 0, nil // the second walk meets them again
	v.bundles()
	err = errors.Join(guard(db.Close), syncPath(tmp))
	if err == nil {
		err = os.Rename(tmp, dst)
	}
	if err == nil {
		err = syncPath(filepath.Dir(dst))
	}
	v.rep.Incomplete = v.rep.Incomplete || ctx.Err() != nil
	return v.rep, err
}

// newSalvager returns a salvager that has nothing yet.
func newSalvager(ctx context.Context, f io.ReaderAt, size int64) *salvager {
	return &salvager{ctx: ctx, f: f, size: size, small: map[string]map[string][]byte{}, seen: map[string]bool{}, days: map[string][]bundleKey{}}
}

// bundles puts every bundle that the trees lead to and, where these are damaged,
// those on other pages. Days first: hours that became part of one may lie about
// still.
func (v *salvager) bundles() {
	before := v.rep.Damaged
	v.walkAll(v.takeBundle)
	if v.rep.Damaged == before {
		return
	}
	for v.level = levelDays; v.level >= levelHour; v.level-- {
		v.scan(v.takeLooseBundle)
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
	// What may be added later keeps its place in front of what comes from now on.
	return putDoc(tx, bucketSelf, []byte(keyLastSeq), binary.BigEndian.AppendUint64(nil, v.last))
}

// keyLastSeq is the document with the highest number that a bundle of a salvaged
// file had.
const keyLastSeq = "last-bundle"

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
	kind := kindOf(root)
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
	parts, blocks, readings, err := v.wholeParts(k, kind, b)
	if err != nil {
		return fmt.Errorf("%s of all probes, %s: %w", kindWord(kind), k, err)
	}
	v.seen[root+string(name)] = true
	v.held = readings
	if err := v.put(root, k, name, parts); err != nil {
		v.rep.Incomplete = true // the disk may be full: the bundle is whole, and not saved
		return err
	}
	if readings > 0 {
		v.rep.cover(readings, k.wallMin, k.wallMax)
	}
	if k.level > levelHour {
		v.days[root] = append(v.days[root], k)
	}
	v.rep.Blocks += blocks
	if root == rootRaw {
		v.rep.Bundles++
	} else {
		v.rep.Tables++
	}
	return nil
}

// wholeParts returns what is whole of a bundle, and how many blocks and readings
// that is. It counts what is not.
func (v *salvager) wholeParts(k bundleKey, kind byte, b []byte) (parts []bundlePart, blocks, readings int, err error) {
	var dec block.Decoder
	err = walkBundle(b, kind, func(probe []byte, have [][]byte) bool {
		p := bundlePart{probe: string(probe)}
		for _, blk := range have {
			var err error
			if kind == kindRaw {
				v.recs, err = dec.Decode(v.recs[:0], blk)
			} else if len(blk) > 0 {
				_, err = dec.DecodeSpans(nil, blk)
			}
			if err != nil {
				v.damage(fmt.Errorf("%s of probe %s, %s: %w", kindWord(kind), probe, k, err))
				if kind == kindTable {
					break // levels go by place
				}
				continue
			}
			p.blocks = append(p.blocks, blk)
			blocks++
			if kind == kindRaw {
				readings += len(v.recs)
			}
		}
		if len(p.blocks) > 0 {
			parts = append(parts, p)
		}
		return true
	})
	return parts, blocks, readings, err
}

// inDay tells a bundle that a longer one holds already: its pages were freed but
// not written over.
func (v *salvager) inDay(root string, k bundleKey) bool {
	for _, d := range v.days[root] {
		if d.level > k.level && d.monoMin <= k.monoMin && k.monoMax <= d.monoMax {
			return true
		}
	}
	return false
}

// noteRegained says so in the record at path, which nobody has open.
func noteRegained(path, aside string) error {
	db, err := openBolt(path, &bolt.Options{Timeout: time.Second, PageSize: pageSize, NoFreelistSync: true})
	if err != nil {
		return err
	}
	err = guard(func() error { return db.Update(func(tx *bolt.Tx) error { return putRegained(tx, aside) }) })
	return errors.Join(err, guard(db.Close))
}

// regainedPrefix, with the name of a file that was set aside behind it, is the key
// of a document that says that all that is whole in it is in the record.
const regainedPrefix = "regained "

func putRegained(tx *bolt.Tx, aside string) error {
	return putDoc(tx, bucketSelf, []byte(regainedPrefix+filepath.Base(aside)), []byte{1})
}
