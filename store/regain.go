package store

import (
	"context"
	"fmt"
	"os"
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
	select {
	case u.tidying <- struct{}{}:
	case <-ctx.Done():
		return all, fmt.Errorf("regain readings: %w", ctx.Err())
	}
	defer func() { <-u.tidying }()
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
	f, err := os.Open(file)
	if err != nil {
		return err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return err
	}
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	r := regaining{s: u, salvager: newSalvager(ctx, f, info.Size()), all: all, stop: stop}
	r.put = r.add
	r.bundles()
	if r.failed != nil {
		return r.failed
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	return u.update(func(tx *bolt.Tx) error { return putRegained(tx, file) })
}

// A regaining is a Regain at work on one file.
type regaining struct {
	*salvager
	s      *upkeep
	all    *RepairReport
	failed error // of the record, not of the file
	stop   context.CancelFunc
}

// add puts one bundle into the record, if it has nothing of that time.
func (r *regaining) add(root string, k bundleKey, name []byte, parts []bundlePart) error {
	if r.failed != nil || len(parts) == 0 {
		return nil
	}
	s := r.s
	select {
	case s.flushing <- struct{}{}:
	case <-r.ctx.Done():
		return nil
	}
	defer func() { <-s.flushing }()
	e, ok := s.placeFor(root, k, name)
	if !ok || s.holds(root, name) {
		return nil
	}
	if e == nil {
		e = &entry{key: k, name: slices.Clone(name), noRaw: root == rootTable}
	}
	err := s.update(func(tx *bolt.Tx) error {
		return putBundle(tx, root, name, appendBundle(nil, kindOf(root), name, parts))
	})
	if err != nil {
		r.failed = err
		r.stop()
		return nil
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if root == rootRaw {
		e.noRaw = false
		r.all.Bundles++
		r.all.cover(r.held, k.wallMin, k.wallMax)
	} else {
		r.all.Tables++
	}
	if !slices.Contains(s.mem.entries, e) {
		s.mem.insert(e)
	}
	return nil
}

// placeFor reports whether a bundle has a place in the record, and the entry that
// it belongs to, nil for a new one. It has none where the record knows of other
// readings of the same time, or where they would only be let go of again.
func (u *upkeep) placeFor(root string, k bundleKey, name []byte) (*entry, bool) {
	_, used := u.sizes()
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
	return nil, true
}

// meets reports whether two bundles may have readings of the same time.
func (k bundleKey) meets(o bundleKey) bool {
	return o.monoMin <= k.monoMax && k.monoMin <= o.monoMax && o.wallMin <= k.wallMax && k.wallMin <= o.wallMax
}

// holds reports whether a reading of that time may be in the bundle.
func (k bundleKey) holds(mono, wall int64) bool {
	return k.meets(bundleKey{monoMin: mono, monoMax: mono, wallMin: wall, wallMax: wall})
}

// holds reports whether the file has a bundle of that name.
func (u *upkeep) holds(root string, name []byte) bool {
	there := false
	err := u.view(func(tx *bolt.Tx) error {
		b := tx.Bucket([]byte(root))
		there = b != nil && b.Bucket(name) != nil
		return nil
	})
	return there && err == nil
}
