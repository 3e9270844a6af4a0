package store

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	bolt "go.etcd.io/bbolt"
	bolterrors "go.etcd.io/bbolt/errors"
)

// attach checks and opens the file, beginning one if there is none, and takes
// its index and open hour into memory. The caller holds the flushing token, or
// is Open.
func (w *writer) attach(ctx context.Context) (Report, error) {
	var rep Report
	if w.opt.Dir == "" {
		return rep, errors.New("no data directory given")
	}
	if !w.opt.ReadOnly {
		if err := os.MkdirAll(w.opt.Dir, 0o700); err != nil {
			return rep, err
		}
	}
	err := w.inspect(ctx, &rep)
	if err == nil && !w.opt.ReadOnly { // nobody else has it open, or copies that were to become it
		for _, suffix := range []string{".new", ".salvage", ".salvage.new", ".compact", ".restored"} {
			_ = os.Remove(w.path + suffix)
		}
	}
	if err == nil {
		err = w.openFile(ctx, &rep)
	}
	if isDamage(err) && !w.opt.ReadOnly {
		if err = w.replace(ctx, &rep, err); err == nil {
			err = w.openFile(ctx, &rep)
		}
	}
	if err == nil && !w.opt.ReadOnly && !w.unchecked.Load() {
		_ = os.Remove(w.path + uncheckedMark)
	}
	return rep, err
}

// inspect checks the file before anything maps it, and creates a missing one.
func (w *writer) inspect(ctx context.Context, rep *Report) error {
	flag := os.O_RDWR
	if w.opt.ReadOnly {
		flag = os.O_RDONLY
	}
	f, err := os.OpenFile(w.path, flag, 0)
	if errors.Is(err, os.ErrNotExist) && !w.opt.ReadOnly {
		rep.Fresh = true
		return create(w.path, emptyRecord)
	}
	if err != nil {
		return err
	}
	defer f.Close()
	if err := lockFree(f, w.opt.ReadOnly); err != nil {
		return err
	}
	info, err := f.Stat()
	if err != nil {
		return err
	}
	later := w.mayWait(info.Size())
	err = bounded(ctx, func() error {
		metas := readMetas(f)
		at, fault, err := wholeRoot(ctx, f, info.Size(), metas, later)
		if err == nil && at > 0 {
			rep.FellBack, rep.Damage = true, fault
			if w.opt.ReadOnly {
				return fault
			}
			_, err = f.WriteAt(make([]byte, pageSize), metas[0].slot*pageSize) // the library takes the other
			err = errors.Join(err, f.Sync())
		}
		if err == nil && !w.opt.ReadOnly {
			err = setFreelist(f, metas[at], later)
		}
		return err
	})
	w.unchecked.Store(err == nil && later)
	return err
}

// bounded gives up on f when ctx ends: a dying card can make a read take for
// ever, and then the goroutine is all that waits.
func bounded(ctx context.Context, f func() error) error {
	done := make(chan error, 1)
	go func() { done <- f() }()
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
		return fmt.Errorf("the disk did not answer in time: %w", ctx.Err())
	}
}

// wholeRoot is the index of the newest root whose tree is whole, and what is wrong with
// a newer one. It refuses a layout that this version does not know.
func wholeRoot(ctx context.Context, r io.ReaderAt, size int64, metas []fileMeta, later bool) (at int, fault, err error) {
	w := walker{ctx: ctx, r: r, leaf: refuseNewer}
	if later {
		w.depth = beforeOpening
	}
	fault = badf("neither of its two roots is valid")
	for i, m := range metas {
		err := w.walk(size, m)
		if err == nil || !isDamage(err) {
			return i, fault, err
		}
		if i == 0 {
			fault = err
		}
	}
	return 0, nil, fault
}

// replace moves a damaged file aside and begins another with what is small and
// whole in it; Regain adds the rest.
func (w *writer) replace(ctx context.Context, rep *Report, damage error) error {
	rep.Damage, rep.Fresh = damage, true
	name, fresh, err := quarantine(w.path, w.now())
	if err != nil {
		return errors.Join(damage, err)
	}
	rep.Quarantined = name
	if fresh {
		w.opt.Logger.Error("the record was damaged and has been moved aside", "to", name, "err", damage)
	}
	if err = saveSmall(ctx, name, w.path); err != nil {
		w.opt.Logger.Error("nothing could be saved from the damaged record", "file", name, "err", err)
		err = create(w.path, emptyRecord) // or it is all tried again
	}
	return err
}

// openFile opens the checked file and loads it.
func (w *writer) openFile(ctx context.Context, rep *Report) error {
	var h *handle
	err := bounded(ctx, func() (err error) {
		h, err = w.openHandle()
		if err == nil && ctx.Err() != nil { // nobody waits any more
			return errors.Join(ctx.Err(), guard(h.Close))
		}
		return err
	})
	if errors.Is(err, bolterrors.ErrTimeout) {
		return ErrLocked
	}
	if err != nil {
		return err
	}
	err = guard(func() error {
		var err error
		if rep.Migrated, err = bringForward(h.DB, w.opt.ReadOnly); err != nil {
			return err
		}
		return h.View(func(tx *bolt.Tx) error {
			defer w.touched(tx, mostMapped)
			return w.load(tx, rep)
		})
	})
	if err != nil {
		return errors.Join(err, guard(h.Close))
	}
	w.become(h)
	w.measure()
	return nil
}

// bringForward makes an older file one of this layout in one transaction. Layouts 1 and 2
// had no archives of the journal.
func bringForward(db *bolt.DB, readOnly bool) (bool, error) {
	var have int
	err := db.View(func(tx *bolt.Tx) (err error) {
		have, err = schemaOf(tx)
		return err
	})
	switch {
	case err != nil || have == schema:
		return false, err
	case readOnly:
		return false, fmt.Errorf("the record has the older layout %d; start the daemon once to bring it to %d", have, schema)
	}
	err = db.Update(emptyRecord)
	wrap(&err, "bring the record from layout %d to %d", have, schema)
	return err == nil, err
}

// schemaOf reads the layout's number from either of its two places.
func schemaOf(tx *bolt.Tx) (int, error) {
	for _, key := range strings.Fields(schemaKeys) {
		v, err := getDoc(tx, bucketSelf, []byte(key))
		if err != nil {
			continue
		}
		if n, err := strconv.Atoi(string(v)); err == nil {
			return n, nil
		}
	}
	return 0, badf("the number of its layout cannot be read")
}

// reattach opens the file again after it had to be let go of, or could not be
// opened at start. The caller holds the flushing token.
func (w *writer) reattach(ctx context.Context) error {
	switch {
	case w.current() != nil:
		return nil
	case w.closed.Load() || w.opt.ReadOnly:
		return fmt.Errorf("%w: it is closed or open for reading only", ErrUnavailable)
	}
	rep, err := w.attach(ctx)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrUnavailable, err)
	}
	if rep.Quarantined != "" && w.opt.Replaced != nil {
		w.opt.Replaced(rep)
	}
	w.opt.Logger.Warn("the record is open again", "file", filepath.Base(w.path),
		"fresh", rep.Fresh, "moved_aside", rep.Quarantined)
	return nil
}

// uncheckedMark ends the name of a file that is there from the start until Check is done.
// A start that finds it checks first: the one before may have ended by what it would find.
const uncheckedMark = ".unchecked"

// mayWait reports whether most of the check may wait for Check: not where the start before
// did not get that far, after a panic, or where the free pages that Check finds are needed.
func (w *writer) mayWait(size int64) bool {
	limit := w.kept.Load().MaxBytes
	if !w.opt.CheckLater || w.opt.ReadOnly || w.suspect.Swap(false) || size > limit-reserve(limit) {
		return false
	}
	f, err := os.OpenFile(w.path+uncheckedMark, os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return false
	}
	return f.Close() == nil
}

// beforeOpening says what is looked at before the library has the file: nothing in which it
// could run in a circle as it begins. What grows with the years and shows by its own sums
// that it is damaged waits for Check but for both its ends: the journal and what is beside
// it, and all bundles. What is open is little.
func beforeOpening(path [][]byte) depth {
	beside := len(path) == 2 && len(path[1]) == 1 && Bucket(path[1][0]) == bucketBeside
	switch string(path[0]) {
	case rootJournal, rootArchive, rootRaw, rootTable:
		if len(path) > 1 {
			return notAtAll
		}
		return atEdges
	case rootKeep:
		if beside {
			return atEdges
		}
	}
	return wholly
}
