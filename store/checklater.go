package store

import (
	"context"
	"errors"
	"os"

	bolt "go.etcd.io/bbolt"
)

// Check reads all of the file's structure that Open left for later, while the record is
// in use, and lets the library find the pages that are free. A file that turns out
// damaged is set aside as by Open, and Options.Replaced is told.
func (u *upkeep) Check(ctx context.Context) (err error) {
	defer wrap(&err, "check the record")
	if !u.unchecked.Load() {
		return nil
	}
	if err := u.tidying.take(ctx); err != nil {
		return err
	}
	defer u.tidying.give()
	fault := u.checkRest(ctx)
	if fault != nil && !isDamage(fault) {
		return fault
	}
	if err := u.flushing.take(ctx); err != nil {
		return err
	}
	defer u.flushing.give()
	return u.afterCheck(ctx, fault)
}

// checkRest walks the tree as it is now. The transaction keeps its pages from being
// written over.
func (u *upkeep) checkRest(ctx context.Context) error {
	return u.view(func(tx *bolt.Tx) error {
		h := u.current()
		if h == nil {
			return ErrUnavailable
		}
		info, err := h.file.Stat()
		if err != nil {
			return err
		}
		for _, m := range readMetas(h.file) {
			if m.txid == uint64(tx.ID()) {
				return walker{ctx: ctx, r: h.file}.walk(info.Size(), m)
			}
		}
		return badf("its root is not what it was")
	})
}

// afterCheck goes on with a whole file, whose pages are in the kernel's cache now, and
// sets a damaged one aside. The caller holds the flushing token.
func (u *upkeep) afterCheck(ctx context.Context, fault error) error {
	info, err := os.Stat(u.path)
	u.notePlace(info, err)
	if u.place.Load() != inPlace { // what is open has no name by which it could be opened again
		return errors.New("its file is not in its place")
	}
	u.writing.Lock()
	err = u.reopen(func() error {
		if fault != nil {
			return fault
		}
		f, err := os.OpenFile(u.path, os.O_RDWR, 0)
		if err != nil {
			return err
		}
		defer f.Close()
		newest, err := newestMeta(f)
		if err != nil {
			return err
		}
		return setFreelist(f, newest, false)
	})
	u.writing.Unlock()
	if err == nil {
		u.unchecked.Store(false)
		u.measure()
		return os.Remove(u.path + uncheckedMark)
	}
	u.suspect.Store(true)
	ctx, cancel := context.WithTimeout(ctx, openLimit)
	defer cancel()
	return u.reattach(ctx)
}
