package store

import (
	"errors"
	"fmt"
	"os"
	"syscall"

	bolt "go.etcd.io/bbolt"
)

// update runs f in a write transaction and counts how it went. After a panic
// the file is let go of, to be checked and opened afresh by the next write. What
// f leaves to tx.OnCommit still runs under s.writing.
func (r *recordFile) update(f func(tx *bolt.Tx) error) error {
	r.writing.Lock()
	defer r.writing.Unlock()
	h := r.enter()
	if h == nil {
		return ErrUnavailable
	}
	var pages int64
	committing := false
	err := guard(func() error {
		return h.Update(func(tx *bolt.Tx) error {
			h.MaxSize = int(r.kept.Load().MaxBytes) // read by write transactions only
			h.AllocSize = int(max(pageSize, min(growBy, tx.Size()/128/pageSize*pageSize)))
			tx.OnCommit(func() { stats := tx.Stats(); pages = stats.GetPageAlloc() })
			err := f(tx)
			committing = err == nil
			return err
		})
	})
	h.gate.RUnlock()
	if err == nil {
		r.wrote(1, uint64(pages)+pageSize) // and the meta page
		return nil
	}
	r.failed(err)
	if committing {
		// When the last sync of a commit fails, the commit is in the file all
		// the same. What is there has to be looked up before the next one.
		r.stale.Store(true)
	}
	if errors.Is(err, errPanic) {
		r.letGo(h)
	}
	return err
}

// wrote counts what is on the disk now.
func (r *recordFile) wrote(commits, bytes uint64) {
	r.measure()
	r.figuring.Lock()
	defer r.figuring.Unlock()
	r.fig.Commits += commits
	r.fig.BytesWritten += bytes
	r.fig.LastCommit = r.now()
}

// writeAt writes to pages that the library leaves alone, and waits until that is on the disk.
func (r *recordFile) writeAt(b []byte, off int64) error {
	r.writing.Lock()
	defer r.writing.Unlock()
	err := r.using(func(h *handle) error {
		_, err := h.file.WriteAt(b, off)
		if err == nil && !h.NoSync {
			err = syscall.Fdatasync(int(h.file.Fd()))
		}
		return err
	})
	if errors.Is(err, ErrUnavailable) {
		return err
	}
	if err != nil {
		r.failed(err)
		return fmt.Errorf("write readings: %w", err)
	}
	r.wrote(1, uint64(len(b)))
	return nil
}

// measure notes the length of the file, the bytes of it in use and its index, for those
// who must not wait for a disk.
func (r *recordFile) measure() {
	var used int64
	err := r.view(func(tx *bolt.Tx) error {
		st := tx.DB().Stats()
		used = tx.Size() - int64(st.FreePageN+st.PendingPageN)*pageSize
		_, err := r.index(tx)
		return err
	})
	info, serr := os.Stat(r.path)
	r.notePlace(info, serr)
	if errors.Join(err, serr) != nil {
		return
	}
	r.figuring.Lock()
	defer r.figuring.Unlock()
	r.fig.FileBytes, r.fig.FreeBytes = info.Size(), info.Size()-used
}

// notePlace remembers whether the open file still has its name: what is written to
// one without a name is gone at the next start.
func (r *recordFile) notePlace(info os.FileInfo, err error) {
	place := inPlace
	if h := r.current(); h != nil && h.file != nil {
		switch mine, ferr := h.file.Stat(); {
		case errors.Is(err, os.ErrNotExist):
			place = nameGone
		case err == nil && ferr == nil && !os.SameFile(mine, info):
			place = nameTaken
		}
	}
	r.place.Store(place)
}

// Where the open file is.
const (
	inPlace int32 = iota
	nameGone
	nameTaken
)

// ErrDisplaced says that another file took the record's place while it was open.
var ErrDisplaced = errors.New("another file has taken the record's place; stop dewline, and keep the one that you want")

// displaced looks whether another file has taken the record's place: nothing may be
// put over that.
func (r *recordFile) displaced() error {
	info, err := os.Stat(r.path)
	r.notePlace(info, err)
	if r.place.Load() == nameTaken {
		return ErrDisplaced
	}
	return nil
}

// figures are those of the file as measured last.
func (r *recordFile) figures() Stats {
	r.figuring.Lock()
	defer r.figuring.Unlock()
	return r.fig
}

func (s *Stats) used() int64 { return s.FileBytes - s.FreeBytes }

func (r *recordFile) failed(err error) {
	r.figuring.Lock()
	defer r.figuring.Unlock()
	r.fig.Errors++
	r.fig.LastError = err.Error()
}

// damagedRecord counts a record that was refused, and tells of the first.
func (r *recordFile) damagedRecord(err error) {
	r.figuring.Lock()
	r.fig.Damaged++
	first := r.fig.Damaged == 1
	r.figuring.Unlock()
	if first {
		r.opt.Logger.Error("part of the record is damaged; run dewline repair", "err", err)
	}
}

// damagedIf counts err if it tells of a damaged record.
func (r *recordFile) damagedIf(err error) {
	if errors.Is(err, ErrDamaged) {
		r.damagedRecord(err)
	}
}
