package store

import (
	"bytes"
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
// eighth, or where it is longer than its cap and need not be: after the cap or the age of
// readings was lowered. It leaves the file alone where the disk has no room for the copy,
// and reports whether it did anything.
func (u *upkeep) Tidy(ctx context.Context) (bool, error) {
	size, used := u.sizes()
	free := size - used
	over := size > u.kept.Load().MaxBytes && used+free/4 < u.kept.Load().MaxBytes
	worth := free >= worthBytes && free >= size/2 ||
		size < youngFile && free > max(size/8, youngWorth) && u.written()-u.tidied.Load() > wornTimes*used
	if used == 0 || !over && !worth {
		return false, nil
	}
	if room, err := u.roomForCopy(); err != nil || !room {
		return false, err
	}
	u.tidied.Store(u.written())
	return true, u.Compact(ctx)
}

// roomForCopy reports whether the disk has the room for a copy of what is in use.
func (u *upkeep) roomForCopy() (bool, error) {
	_, used := u.sizes()
	var disk syscall.Statfs_t
	if err := syscall.Statfs(u.opt.Dir, &disk); err != nil {
		return false, fmt.Errorf("compact the record: ask for the room on the disk: %w", err)
	}
	return int64(disk.Bavail)*int64(disk.Bsize) >= used+used/8+growBy, nil
}

// Compact copies the record into a smaller file without the free pages, checks
// the copy and goes on with it. What is large and does not change is copied and
// checked beside the running record; commits wait only while the rest follows.
func (u *upkeep) Compact(ctx context.Context) error { return u.compact(ctx, false) }

// compact is Compact. lost says that the file has no name any more, so that the copy
// is all that will be left: then what is damaged in the record goes along as it is.
func (u *upkeep) compact(ctx context.Context, lost bool) error {
	if err := u.tidying.take(ctx); err != nil {
		return fmt.Errorf("compact the record: %w", err)
	}
	defer u.tidying.give()
	c := &compaction{s: u, ctx: ctx, tmp: u.path + ".compact", lost: lost}
	err := c.run()
	if c.dst != nil {
		err = errors.Join(err, guard(c.dst.Close))
	}
	if err != nil {
		_ = os.Remove(c.tmp)
		return fmt.Errorf("compact the record: %w", err)
	}
	return nil
}

// A compaction is a Compact at work.
type compaction struct {
	s    *upkeep
	ctx  context.Context
	tmp  string
	dst  *bolt.DB
	lost bool            // see compact
	late map[string]bool // bundles that came after the check
}

// compactRoots are the buckets that only gain and lose whole entries.
var compactRoots = [...]string{rootRaw, rootTable, rootArchive, rootJournal}

func (c *compaction) run() error {
	if err := c.s.displaced(); err != nil {
		return err
	}
	if err := os.Remove(c.tmp); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	o := c.s.boltOptions()
	o.NoSync = true
	var err error
	if c.dst, err = openBolt(c.tmp, o); err != nil {
		return err
	}
	c.dst.AllocSize = pageSize // each time some are copied
	if err := c.update(emptyRecord); err != nil {
		return err
	}
	for _, root := range compactRoots {
		if err := c.copyRoot(root); err != nil {
			return err
		}
	}
	// On the disk now, so that under the locks only what is late has to be waited for.
	if err := syncPath(c.tmp); err != nil {
		return err
	}
	if err := c.check(func([][]byte) bool { return true }); err != nil {
		return err
	}
	s := c.s
	if err := s.flushing.take(c.ctx); err != nil {
		return err
	}
	defer s.flushing.give()
	s.writing.Lock()
	defer s.writing.Unlock()
	if err := c.catchUp(); err != nil {
		return err
	}
	err = c.swap()
	s.measure()
	if err != nil {
		return err
	}
	size, _ := s.sizes()
	s.wrote(0, uint64(size))
	return nil
}

func (c *compaction) update(f func(tx *bolt.Tx) error) error {
	return guard(func() error { return c.dst.Update(f) })
}

// A pair is an entry of a root, copied out. The value of a bundle is that of the
// only key of its bucket.
type pair struct{ key, value []byte }

// copyRoot copies all of a root, some at a time: a read transaction that stays
// open would keep the file from growing and from using pages again.
func (c *compaction) copyRoot(root string) error {
	const atATime = 4 << 20
	from := []byte{}
	for from != nil {
		if err := c.ctx.Err(); err != nil {
			return err
		}
		var some []pair
		err := c.s.view(func(tx *bolt.Tx) error {
			b := tx.Bucket([]byte(root))
			size := 0
			cursor := b.Cursor()
			k, _ := cursor.Seek(from)
			for ; k != nil && size < atATime; k, _ = cursor.Next() {
				p := pairOf(b, k)
				some, size = append(some, p), size+len(p.value)
			}
			c.s.touched(tx, len(some))
			from = bytes.Clone(k)
			return nil
		})
		if err != nil {
			return err
		}
		if err := c.put(root, some); err != nil {
			return err
		}
	}
	return nil
}

func pairOf(b *bolt.Bucket, key []byte) pair {
	v := b.Get(key)
	if v == nil {
		v = bucketValue(b.Bucket(key))
	}
	return pair{bytes.Clone(key), bytes.Clone(v)}
}

func (c *compaction) put(root string, some []pair) error {
	return c.update(func(tx *bolt.Tx) error {
		for _, p := range some {
			if root != rootJournal {
				if err := putBundle(tx, root, p.key, p.value); err != nil {
					return err
				}
				continue
			}
			b := tx.Bucket([]byte(root))
			b.FillPercent = 1
			if err := b.Put(p.key, p.value); err != nil {
				return err
			}
		}
		return nil
	})
}

// catchUp brings the copy to where the record is now. The caller holds the
// flushing token and the writing lock, so that the record stands still.
func (c *compaction) catchUp() error {
	c.late = map[string]bool{}
	for _, root := range compactRoots {
		if err := c.follow(root); err != nil {
			return err
		}
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
	if err = errors.Join(err, syncPath(c.tmp)); err != nil {
		return err
	}
	return c.checkLate()
}

// follow drops from the copy what the record no longer has, and adds what is new.
func (c *compaction) follow(root string) error {
	var gone [][]byte
	var news []pair
	err := c.s.view(func(from *bolt.Tx) error {
		return guard(func() error {
			return c.dst.View(func(to *bolt.Tx) error {
				news, gone = differences(from.Bucket([]byte(root)), to.Bucket([]byte(root)))
				return nil
			})
		})
	})
	if err != nil {
		return err
	}
	err = c.update(func(tx *bolt.Tx) error {
		for _, k := range gone {
			if err := dropBundle(tx, root, k); err != nil {
				return err
			}
		}
		return nil
	})
	for _, p := range news {
		c.late[string(p.key)] = true
	}
	return errors.Join(err, c.put(root, news))
}

// differences lists what a has and b has not, and the keys that only b has.
func differences(a, b *bolt.Bucket) (news []pair, gone [][]byte) {
	ca, cb := a.Cursor(), b.Cursor()
	ka, _ := ca.First()
	kb, _ := cb.First()
	for ka != nil || kb != nil {
		switch order := bytes.Compare(ka, kb); {
		case kb == nil || ka != nil && order < 0:
			news = append(news, pairOf(a, ka))
			ka, _ = ca.Next()
		case ka == nil || order > 0:
			gone = append(gone, bytes.Clone(kb))
			kb, _ = cb.Next()
		default:
			ka, _ = ca.Next()
			kb, _ = cb.Next()
		}
	}
	return news, gone
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

// checkLate reads the finished copy: all of its structure, and every record that
// came after the first check.
func (c *compaction) checkLate() error {
	return c.check(func(path [][]byte) bool {
		return len(path) == 2 && (string(path[0]) == rootKeep || c.late[string(path[1])])
	})
}

// check reads all of the copy's structure, and the records that want picks.
func (c *compaction) check(want func(path [][]byte) bool) error {
	f, size, err := openToRead(c.tmp)
	if err != nil {
		return err
	}
	defer f.Close()
	if err := verifyOnly(c.ctx, f, size, func(path [][]byte) bool { return !c.lost && want(path) }); err != nil {
		return fmt.Errorf("check the copy: %w", err)
	}
	return nil
}

// swap puts the copy in the record's place and goes on with it. The caller holds
// the flushing token and the writing lock.
func (c *compaction) swap() error {
	if err := c.s.displaced(); err != nil {
		return err
	}
	return c.s.reopen(func() error {
		if err := os.Rename(c.tmp, c.s.path); err != nil {
			return err
		}
		return syncPath(filepath.Dir(c.s.path))
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
