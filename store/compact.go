package store

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync/atomic"
	"syscall"

	bolt "go.etcd.io/bbolt"
)

// An upkeep looks after the record as a whole.
type upkeep struct {
	*writer
	tidying token        // holds one token: Recompute, Compact, Regain, a copy
	tidied  atomic.Int64 // bytes that were written up to the last Tidy that made a copy
}

// worthBytes is the least room that makes a smaller copy worth its writing. That of a file
// which is smaller than youngFile is worth it sooner, but only once so many times as much as
// it takes was written since the start or the copy before.
const (
	worthBytes = 8 << 20
	youngFile  = 2 << 20
	youngWorth = 64 << 10
	wornTimes  = 4
)

// Tidy compacts the file where more than half of it is free, of a small one more than an
// eighth, or where it is longer than its cap and what it holds is not: some flushes after the
// cap was lowered. It leaves the file alone where the disk has no room for the copy,
// and reports whether it did anything.
func (u *upkeep) Tidy(ctx context.Context) (bool, error) {
	f, limit := u.figures(), u.kept.Load().MaxBytes
	size, free, written := f.FileBytes, f.FreeBytes, int64(f.BytesWritten)
	over := pastCap(size, f.used(), limit)
	worth := free >= worthBytes && free >= size/2 ||
		size < youngFile && free > max(size/8, youngWorth) && written-u.tidied.Load() > wornTimes*f.used()
	if f.used() == 0 || !over && !worth {
		return false, nil
	}
	if room, err := u.roomForCopy(); err != nil || !room {
		return false, err
	}
	u.tidied.Store(written)
	return true, u.Compact(ctx)
}

// pastCap reports whether a file is longer than its cap and need not be. Flushes make room
// down to the reserve and no further, so half of that has to be enough.
func pastCap(size, used, limit int64) bool { return size > limit && used <= limit-reserve(limit)/2 }

// roomForCopy reports whether the disk has the room for a copy of what is in use.
func (u *upkeep) roomForCopy() (bool, error) {
	f := u.figures()
	var disk syscall.Statfs_t
	if err := syscall.Statfs(u.opt.Dir, &disk); err != nil {
		return false, fmt.Errorf("compact the record: ask for the room on the disk: %w", err)
	}
	return int64(disk.Bavail)*int64(disk.Bsize) >= f.used()+f.used()/8+growBy, nil
}

// Compact copies the record into a smaller file without the free pages, checks
// the copy and goes on with it. What is large and does not change is copied and
// checked beside the running record; commits wait only while the rest follows.
func (u *upkeep) Compact(ctx context.Context) error { return u.compact(ctx, false) }

// compact is Compact. lost says that the file has no name any more, so that the copy
// is all that will be left: then what is damaged in the record goes along as it is.
func (u *upkeep) compact(ctx context.Context, lost bool) (err error) {
	defer wrap(&err, "compact the record")
	if err := u.tidying.take(ctx); err != nil {
		return err
	}
	defer u.tidying.give()
	c := &compaction{s: u, ctx: ctx, tmp: u.path + ".compact", lost: lost}
	err = c.run()
	if c.dst != nil {
		err = errors.Join(err, guard(c.dst.Close))
	}
	if err != nil {
		_ = os.Remove(c.tmp)
	}
	return err
}

// A compaction is a Compact at work.
type compaction struct {
	s    *upkeep
	ctx  context.Context
	tmp  string
	dst  *bolt.DB
	lost bool // see compact
}

// compactRoots are the buckets that only gain and lose whole entries.
var compactRoots = [...]string{rootRaw, rootTable, rootArchive, rootJournal}

func (c *compaction) run() error {
	s := c.s
	if err := s.displaced(); err != nil {
		return err
	}
	if err := os.Remove(c.tmp); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	o := s.boltOptions()
	o.NoSync = true
	var err error
	if c.dst, err = openBolt(c.tmp, o); err != nil {
		return err
	}
	c.dst.AllocSize = pageSize // each time some are copied
	if err := c.update(emptyRecord); err != nil {
		return err
	}
	if err := c.follow(); err != nil {
		return err
	}
	// On the disk now, so that under the locks only what is late has to be waited for.
	if err := c.check(!c.lost); err != nil {
		return err
	}
	if err := s.flushing.take(c.ctx); err != nil {
		return err
	}
	defer s.flushing.give()
	s.writing.Lock()
	defer s.writing.Unlock()
	if err := c.catchUp(); err != nil {
		return err
	}
	err = s.displaced()
	if err == nil {
		err = s.reopen(func() error {
			return cmp.Or(os.Rename(c.tmp, s.path), syncPath(filepath.Dir(s.path)))
		})
	}
	s.measure()
	if err != nil {
		return err
	}
	s.wrote(0, uint64(s.figures().FileBytes))
	return nil
}

func (c *compaction) update(f func(tx *bolt.Tx) error) error {
	return guard(func() error { return c.dst.Update(f) })
}

// catchUp brings the copy to where the record is now. The caller holds the
// flushing token and the writing lock, so that the record stands still.
func (c *compaction) catchUp() error {
	if err := c.follow(); err != nil {
		return err
	}
	err := c.s.view(func(from *bolt.Tx) error {
		return c.update(func(to *bolt.Tx) error { return copySmall(from, to) })
	})
	if err != nil {
		return err
	}
	c.dst.NoSync = false
	err = guard(c.dst.Close)
	c.dst = nil
	return cmp.Or(err, c.check(false))
}

// check waits until the copy is on the disk and verifies it.
func (c *compaction) check(records bool) error {
	err := cmp.Or(syncPath(c.tmp), verify(c.ctx, c.tmp, records))
	wrap(&err, "check the copy")
	return err
}

// follow drops from the copy what the record no longer has, and adds what is new, some at
// a time: a read transaction that stays open would keep the file from growing and from
// using pages again.
func (c *compaction) follow() error {
	for _, root := range compactRoots {
		for all := false; !all; {
			if err := c.ctx.Err(); err != nil {
				return err
			}
			err := c.s.view(func(from *bolt.Tx) (err error) {
				all, err = c.mirror(from, root)
				return err
			})
			if err != nil {
				return err
			}
		}
	}
	return nil
}

// mirror makes a root of the copy what the record's is, and reports whether that was all:
// it adds some megabytes. An entry of one name stays the same, but for sums that are stored
// in full before their readings go: these are copied again. The copy is looked at in a
// transaction that only reads, as the library ends the process where one that writes meets
// a damaged page.
func (c *compaction) mirror(from *bolt.Tx, root string) (all bool, err error) {
	a := from.Bucket([]byte(root))
	var news, gone [][]byte
	err = c.dst.View(func(to *bolt.Tx) error {
		b := to.Bucket([]byte(root))
		news, gone = without(a, b), without(b, a)
		return nil
	})
	if err != nil || len(news)+len(gone) == 0 {
		return true, err
	}
	err = c.update(func(to *bolt.Tx) error {
		all, err = c.bring(a, to, root, news, gone)
		return err
	})
	return all, err
}

// bring takes gone out of a root of the copy and adds the first of news, and reports
// whether these were all.
func (c *compaction) bring(from *bolt.Bucket, to *bolt.Tx, root string, news, gone [][]byte) (all bool, err error) {
	b := to.Bucket([]byte(root))
	b.FillPercent = 1
	for _, k := range gone {
		switch root {
		case rootJournal:
			err = b.Delete(k)
		case rootRaw:
			err = dropBundles(to, k)
		default:
			err = dropBundle(to, root, k)
		}
		if err != nil {
			return false, err
		}
	}
	size := 0
	for _, k := range news {
		if size >= 4<<20 {
			return false, nil
		}
		v, put := from.Get(k), b.Put
		if v == nil {
			v = bucketValue(from.Bucket(k))
			put = func(k, v []byte) error { return putBundle(to, root, k, v) }
		}
		if err := put(k, v); err != nil {
			return false, err
		}
		c.s.touched(from.Tx(), 1)
		size += len(v)
	}
	return true, nil
}

// without lists the keys of one bucket that another has not, in order.
func without(a, b *bolt.Bucket) (keys [][]byte) {
	other := b.Cursor()
	c := a.Cursor()
	for k, _ := c.First(); k != nil; k, _ = c.Next() {
		if found, _ := other.Seek(k); !bytes.Equal(found, k) {
			keys = append(keys, bytes.Clone(k))
		}
	}
	return keys
}

// copySmall copies everything beside the roots of bundles and the journal: the
// documents, and the batches of the open hour.
func copySmall(from, to *bolt.Tx) error {
	return from.ForEach(func(name []byte, b *bolt.Bucket) error {
		switch string(name) {
		case rootRaw, rootTable, rootArchive, rootJournal:
			return nil
		}
		into, err := to.CreateBucketIfNotExists(name)
		if err != nil {
			return err
		}
		return copyBucket(b, into)
	})
}

func copyBucket(from, to *bolt.Bucket) error {
	return from.ForEach(func(k, v []byte) error {
		if v != nil {
			return to.Put(k, v)
		}
		into, err := to.CreateBucketIfNotExists(k)
		if err != nil {
			return err
		}
		return copyBucket(from.Bucket(k), into)
	})
}

// backInPlace gives a record whose file was removed under it its name again, with
// all that it holds.
func (u *upkeep) backInPlace(ctx context.Context) error {
	switch u.place.Load() {
	case nameTaken:
		return ErrDisplaced
	case nameGone:
		if err := os.MkdirAll(u.opt.Dir, 0o700); err != nil {
			return err
		}
		room, err := u.roomForCopy()
		if err != nil {
			return err
		}
		if !room { // each try would wear the card with as much as fits
			return fmt.Errorf("the record's file was removed while it was in use, and to write it anew: %w", syscall.ENOSPC)
		}
		u.opt.Logger.Error("the record's file was removed while it was in use; it is written anew", "file", u.path)
		return u.compact(ctx, true)
	}
	return nil
}
