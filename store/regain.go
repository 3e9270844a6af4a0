package store

import (
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"path/filepath"
	"slices"

	bolt "go.etcd.io/bbolt"

	"dewline/store/block"
)

// Regain adds to the record what is whole in files that were set aside as damaged
// and is not in it: Open has seconds for that, and may find the disk full. It goes
// through each file once, a bundle at a time, so that flushes and commits are let in
// between, and leaves the files where they are. It returns what it added.
func (u *upkeep) Regain(ctx context.Context) (RepairReport, error) {
	var all RepairReport
	if err := u.tidying.take(ctx); err != nil {
		return all, fmt.Errorf("regain readings: %w", err)
	}
	defer u.tidying.give()
	files, err := filepath.Glob(u.path + ".damaged-*")
	if err != nil {
		return all, fmt.Errorf("regain readings: %w", err)
	}
	slices.Sort(files)
	for _, file := range files {
		if err := u.regainOnce(ctx, file, &all); err != nil {
			return all, fmt.Errorf("regain readings from %s: %w", file, err)
		}
	}
	return all, nil
}

// regainOnce regains from one file, unless that was done before.
func (u *upkeep) regainOnce(ctx context.Context, file string, all *RepairReport) error {
	done := false
	err := u.view(func(tx *bolt.Tx) error {
		_, err := getDoc(tx, bucketSelf, []byte(regainedPrefix+filepath.Base(file)))
		done = err == nil
		return nil
	})
	if err != nil || done {
		return err
	}
	f, size, err := openToRead(file)
	if err != nil {
		return err
	}
	defer f.Close()
	rep, err := u.regainFrom(ctx, f, size)
	all.add(&rep)
	if err != nil {
		return err
	}
	return u.update(func(tx *bolt.Tx) error { return putRegained(tx, file) })
}

// A regaining is a Regain at work on one file.
type regaining struct {
	*salvager
	u      *upkeep
	level  uint8          // the only level to take, 0 for all
	recs   []block.Record // scratch
	failed error          // of the record, not of the file: no more is added
}

// placeFor returns the entry that a bundle belongs to, which may be new, and false where
// it has no place in the record: where that has it, or knows of other readings of the same
// time, or where it would only be let go of again.
func (u *upkeep) placeFor(root string, k bundleKey, name []byte) (*entry, bool) {
	_, used := u.sizes()
	there := false
	if err := u.view(func(tx *bolt.Tx) error {
		there = tx.Bucket([]byte(root)).Bucket(name) != nil
		return nil
	}); err != nil || there {
		return nil, false
	}
	u.mu.Lock()
	defer u.mu.Unlock()
	age, keep := max(u.mem.newestMono(), k.monoMax)-k.monoMax, u.kept.Load() // of a record begun anew nothing is newest
	if root == rootRaw && (age > keep.KeepRaw.Milliseconds() || used > keep.MaxBytes-reserve(keep.MaxBytes)) ||
		keep.KeepTable > 0 && age > keep.KeepTable.Milliseconds() {
		return nil, false
	}
	for _, e := range u.mem.entries {
		if string(e.name) == string(name) {
			return e, true
		}
		if k.meets(e.key) {
			return nil, false
		}
	}
	for _, p := range u.mem.order {
		if slices.ContainsFunc(p.recs, func(r block.Record) bool { return k.holds(r.Mono, r.Wall) }) {
			return nil, false
		}
	}
	return &entry{key: k, name: slices.Clone(name), noRaw: root == rootTable}, true
}

// meets reports whether two bundles may have readings of the same time.
func (k bundleKey) meets(o bundleKey) bool {
	return o.monoMin <= k.monoMax && k.monoMin <= o.monoMax && o.wallMin <= k.wallMax && k.wallMin <= o.wallMax
}

// holds reports whether a reading of that time may be in the bundle.
func (k bundleKey) holds(mono, wall int64) bool {
	return k.meets(bundleKey{monoMin: mono, monoMax: mono, wallMin: wall, wallMax: wall})
}

// wholeParts returns what is whole of a bundle, and how many blocks and readings
// that is. It counts what is not.
func (r *regaining) wholeParts(k bundleKey, kind byte, b []byte) (parts []bundlePart, blocks, readings int, err error) {
	err = walkBundle(b, kind, func(probe []byte, have [][]byte) bool {
		p := bundlePart{probe: string(probe)}
		for _, blk := range have {
			var err error
			if r.recs, err = readBlock(&r.dec, r.recs[:0], kind, blk); err != nil {
				r.damage(fmt.Errorf("%s of probe %s, %s: %w", kindWord(kind), probe, k, err))
				if kind == kindTable {
					break // levels go by place
				}
				continue
			}
			p.blocks = append(p.blocks, blk)
			blocks, readings = blocks+1, readings+len(r.recs)
		}
		if len(p.blocks) > 0 {
			parts = append(parts, p)
		}
		return true
	})
	return parts, blocks, readings, err
}

func putRegained(tx *bolt.Tx, aside string) error {
	return putDoc(tx, bucketSelf, []byte(regainedPrefix+filepath.Base(aside)), []byte{1})
}

// regainedPrefix, with the name of a file that was set aside behind it, is the key
// of a document that says that all that is whole in it is in the record.
const regainedPrefix = "regained "

// regainFrom adds every bundle that the trees of a file lead to and, where these are
// damaged, those on other pages. Days first: hours that became part of one may lie about
// still.
func (u *upkeep) regainFrom(ctx context.Context, f io.ReaderAt, size int64) (RepairReport, error) {
	r := regaining{u: u, salvager: newSalvager(ctx, f, size)}
	r.walkAll(r.takeBundle)
	if r.rep.Damaged > 0 {
		for r.level = levelMost; r.level >= levelHour; r.level-- {
			r.scan(r.takeLooseBundle)
		}
	}
	if r.failed != nil {
		return r.rep, r.failed
	}
	return r.rep, ctx.Err()
}

// takeBundle adds one bundle, without those of its blocks that are damaged.
func (r *regaining) takeBundle(path [][]byte, key []byte, value func() ([]byte, error)) error {
	if len(path) != 2 || string(key) != valueKey {
		return nil
	}
	root := string(path[0])
	if root != rootRaw && root != rootTable {
		return nil
	}
	b, err := value()
	if err == nil {
		err = r.addBundle(root, b)
	}
	if err != nil {
		r.damage(err)
	}
	return r.ctx.Err()
}

// takeLooseBundle adds a bundle found on a page that no tree leads to. One on a page that
// was reused in part is no loss.
func (r *regaining) takeLooseBundle(n *node, e *element) {
	if e.flags != 0 || string(e.key) != valueKey || e.size <= int64(bundleStart) {
		return
	}
	b, err := n.value(e)
	switch {
	case err != nil:
	case isBundle(b, kindRaw):
		_ = r.addBundle(rootRaw, b)
	case isBundle(b, kindTable):
		_ = r.addBundle(rootTable, b)
	case r.level == levelHour:
		if a, err := readArchive(b); err == nil {
			r.addArchive(&a, b)
		}
	}
}

// addArchive puts an archive of the journal into the record, if that has none of its entries
// and did not let go of them.
func (r *regaining) addArchive(a *archive, b []byte) {
	if r.failed != nil || r.u.flushing.take(r.ctx) != nil {
		return
	}
	defer r.u.flushing.give()
	there := true
	r.failed = r.u.view(func(tx *bolt.Tx) error {
		some, _ := archivedFrom(tx, binary.BigEndian.AppendUint64(nil, a.first))
		single, _ := singleFrom(tx, binary.BigEndian.AppendUint64(nil, a.first), 1)
		there = journalStart(tx).seq >= a.first
		for _, v := range append(some, single...) {
			there = there || binary.BigEndian.Uint64(v.key) <= a.last
		}
		return nil
	})
	if r.failed != nil || there {
		return
	}
	r.failed = r.u.update(func(tx *bolt.Tx) error { return putBundle(tx, rootArchive, a.name(), b) })
	if r.failed == nil {
		r.rep.Journal += int(a.last - a.first + 1)
	}
}

// addBundle puts what is whole of a bundle into the record, if that has nothing of its time.
func (r *regaining) addBundle(root string, b []byte) error {
	if len(b) < bundleStart {
		return fmt.Errorf("%w: bundle of %d bytes", ErrDamaged, len(b))
	}
	kind, name := kindOf(root), b[len(bundleMagic)+1:bundleStart]
	k, ok := parseKey(name)
	if !ok {
		return fmt.Errorf("%w: name of a bundle", ErrDamaged)
	}
	if r.failed != nil || r.level != 0 && r.level != k.level {
		return nil
	}
	if r.u.flushing.take(r.ctx) != nil {
		return nil
	}
	defer r.u.flushing.give()
	e, ok := r.u.placeFor(root, k, name)
	if !ok {
		return nil
	}
	parts, blocks, readings, err := r.wholeParts(k, kind, b)
	if err != nil {
		return fmt.Errorf("%s of all probes, %s: %w", kindWord(kind), k, err)
	}
	if len(parts) == 0 {
		return nil
	}
	if err := r.u.takeIn(root, e, appendBundle(nil, kind, name, parts)); err != nil {
		r.failed = err
		return nil
	}
	r.rep.Blocks += blocks
	if root == rootTable {
		r.rep.Tables++
		return nil
	}
	r.rep.Bundles++
	r.rep.cover(readings, k.wallMin, k.wallMax)
	return nil
}

// takeIn writes a bundle of an entry, which may be new. The caller holds the flushing token.
func (u *upkeep) takeIn(root string, e *entry, bundle []byte) error {
	if err := u.update(func(tx *bolt.Tx) error { return putBundle(tx, root, e.name, bundle) }); err != nil {
		return err
	}
	u.mu.Lock()
	defer u.mu.Unlock()
	e.noRaw = e.noRaw && root == rootTable
	if !slices.Contains(u.mem.entries, e) {
		u.mem.insert(e)
	}
	return nil
}
