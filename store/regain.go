package store

import (
	"cmp"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"path/filepath"
	"slices"

	bolt "go.etcd.io/bbolt"

	"dewline/store/block"
)

// Regain adds to the record what is whole in files that were set aside as damaged
// and is not in it: Open has seconds for that, and may find the disk full. It goes
// through each file once, a bundle at a time, so that flushes and commits are let in
// between, and leaves the files where they are. It returns what it added.
func (u *upkeep) Regain(ctx context.Context) (all RepairReport, err error) {
	defer wrap(&err, "regain readings")
	if err := u.tidying.take(ctx); err != nil {
		return all, err
	}
	defer u.tidying.give()
	files, err := filepath.Glob(u.path + ".damaged-*") // sorted
	for _, file := range files {
		if err := u.regainOnce(ctx, file, &all); err != nil {
			return all, fmt.Errorf("from %s: %w", file, err)
		}
	}
	return all, err
}

// regainOnce regains from one file, unless that was done before.
func (u *upkeep) regainOnce(ctx context.Context, file string, all *RepairReport) error {
	key := regainedPrefix + filepath.Base(file)
	if done, err := u.Get(bucketSelf, key); done != nil || errors.Is(err, ErrUnavailable) {
		return err
	}
	f, size, err := openToRead(file)
	if err != nil {
		return err
	}
	defer f.Close()
	if err := u.regainFrom(&salvager{ctx: ctx, f: f, size: size, rep: all}); err != nil {
		return err
	}
	return u.update(func(tx *bolt.Tx) error {
		return putDoc(tx, bucketSelf, []byte(key), []byte{1})
	})
}

// regainedPrefix, with the name of a file that was set aside behind it, is the key
// of a document that says that all that is whole in it is in the record.
const regainedPrefix = "regained "

// A regaining is a Regain at work on one file.
type regaining struct {
	*salvager
	u      *upkeep
	level  uint8 // the only level to take, 0 for all
	failed error // of the record, not of the file: no more is added
}

// regainFrom adds every bundle that the trees of a file lead to and, where these are
// damaged, those on other pages. Days first: hours that became part of one may lie about
// still.
func (u *upkeep) regainFrom(v *salvager) error {
	r, before := regaining{u: u, salvager: v}, v.rep.Damaged
	r.walkAll(r.takeBundle)
	if r.rep.Damaged > before {
		for r.level = levelMost; r.level >= levelHour; r.level-- {
			r.scan(r.takeLoose)
		}
	}
	return cmp.Or(r.failed, r.ctx.Err())
}

// takeBundle adds one bundle, without those of its blocks that are damaged.
func (r *regaining) takeBundle(path [][]byte, _ []byte, value func() ([]byte, error)) error {
	if len(path) != 2 || string(path[0]) != rootRaw && string(path[0]) != rootTable {
		return nil
	}
	b, err := value()
	if err == nil && b != nil { // or its first page is lost, which is told already
		if whole := mended(b); whole != nil {
			b = whole
		}
		err = r.addBundle(b)
	}
	if err != nil {
		r.damage(err)
	}
	return r.ctx.Err()
}

// takeLoose adds a bundle or an archive that no tree leads to. One on a page that was
// reused in part is no loss.
func (r *regaining) takeLoose(key, b []byte) {
	if string(key) != valueKey {
		return
	}
	if a, err := readArchive(b); err != nil {
		_ = r.addBundle(b)
	} else if r.level == levelHour {
		r.addArchive(&a, b)
	}
}

// with runs f while nothing else is written, unless a fault of the record ended it all.
func (r *regaining) with(f func() error) {
	if r.failed == nil && r.u.flushing.take(r.ctx) == nil {
		r.failed = f()
		r.u.flushing.give()
	}
}

// addArchive puts an archive of the journal into the record, if that has none of its entries
// and did not let go of them.
func (r *regaining) addArchive(a *archive, b []byte) {
	r.with(func() error {
		there := true
		err := r.u.view(func(tx *bolt.Tx) error {
			single, _ := tx.Bucket([]byte(rootJournal)).Cursor().Seek(binary.BigEndian.AppendUint64(nil, a.first))
			there = journalStart(tx).seq >= a.first || tx.Bucket([]byte(rootArchive)).Bucket(a.name()) != nil ||
				len(single) == 8 && binary.BigEndian.Uint64(single) <= a.last
			return nil
		})
		if err != nil || there {
			return err
		}
		r.rep.Journal += a.entries()
		return r.u.update(func(tx *bolt.Tx) error { return putBundle(tx, rootArchive, a.name(), b) })
	})
}

// addBundle puts what is whole of a bundle into the record, if that has nothing of its
// time. The error tells what is wrong with the bundle.
func (r *regaining) addBundle(b []byte) (bad error) {
	k, root, err := bundleHead(b)
	if err != nil || r.level != 0 && r.level != k.level {
		return err
	}
	r.with(func() error {
		if !r.u.hasPlaceFor(root, k) {
			return nil
		}
		var parts []bundlePart
		var readings int
		if parts, readings, bad = wholeParts(&r.dec, b, r.damage); len(parts) == 0 {
			return nil
		}
		r.u.mu.Lock()
		r.u.mem.nextSeq = max(r.u.mem.nextSeq, k.seq+1)
		r.u.mu.Unlock()
		name := k.bytes()
		if err := r.u.update(func(tx *bolt.Tx) error {
			return putBundle(tx, root, name, newBundle(root, name, parts))
		}); err != nil {
			return err
		}
		if root == rootTable {
			r.rep.Tables++
		} else {
			r.rep.cover(readings, k.wallMin, k.wallMax)
		}
		return nil
	})
	return bad
}

// hasPlaceFor reports whether a bundle has a place in the record: not where that has it, or
// knows of other readings of the same time, or where it would only be let go of again.
func (u *upkeep) hasPlaceFor(root string, k bundleKey) bool {
	f, there := u.figures(), false
	var entries []entry
	if err := u.view(func(tx *bolt.Tx) (err error) {
		there = tx.Bucket([]byte(root)).Bucket(k.bytes()) != nil
		entries, err = u.index(tx)
		return err
	}); err != nil || there {
		return false
	}
	age, keep := max(u.newest(), k.monoMax)-k.monoMax, u.kept.Load() // of a record begun anew nothing is newest
	if root == rootRaw && (age > keep.KeepRaw.Milliseconds() || f.used() > keep.MaxBytes-reserve(keep.MaxBytes)) ||
		keep.KeepTable > 0 && age > keep.KeepTable.Milliseconds() {
		return false
	}
	if _, ok := find(entries, k); ok {
		return true
	}
	if slices.ContainsFunc(entries, func(e entry) bool { return k.meets(e.key) }) {
		return false
	}
	u.mu.Lock()
	defer u.mu.Unlock()
	return !slices.ContainsFunc(u.mem.waiting, func(h *hour) bool { return k.meets(h.key) }) &&
		!slices.ContainsFunc(u.mem.order, func(p *openProbe) bool {
			return slices.ContainsFunc(p.recs, func(r block.Record) bool { return k.holds(r.Mono, r.Wall) })
		})
}

// meets reports whether two bundles may have readings of the same time.
func (k bundleKey) meets(o bundleKey) bool {
	return o.monoMin <= k.monoMax && k.monoMin <= o.monoMax && o.wallMin <= k.wallMax && k.wallMin <= o.wallMax
}

// holds reports whether a reading of that time may be in the bundle.
func (k bundleKey) holds(mono, wall int64) bool {
	return k.meets(bundleKey{monoMin: mono, monoMax: mono, wallMin: wall, wallMax: wall})
}
