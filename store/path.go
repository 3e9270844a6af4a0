package store

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"syscall"
	"time"

	bolt "go.etcd.io/bbolt"
)

// ErrLocked says that another process has the record open.
var ErrLocked = errors.New("the record is in use by another process")

// wrap says of an error, if there is one, what could not be done.
func wrap(err *error, format string, args ...any) {
	if *err != nil {
		*err = fmt.Errorf("%s: %w", fmt.Sprintf(format, args...), *err)
	}
}

// create makes an empty record at path: whole and on disk under another name
// first, since a power cut during the library's first write can leave a file
// that nothing opens.
func create(path string, fill func(tx *bolt.Tx) error) (err error) {
	defer wrap(&err, "begin a new record")
	tmp := path + ".new"
	if err := os.Remove(tmp); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	db, err := openBolt(tmp, &bolt.Options{Timeout: time.Second, PageSize: pageSize, NoFreelistSync: true})
	if err != nil {
		return err
	}
	err = guard(func() error { return db.Update(fill) })
	if err = errors.Join(err, db.Close()); err == nil {
		err = syncPath(tmp)
	}
	return takeName(tmp, path, err)
}

// takeName gives the file tmp, which is on the disk, the name path, or lets go of it for
// an error that came before.
func takeName(tmp, path string, err error) error {
	if err == nil {
		err = os.Rename(tmp, path)
	}
	if err != nil {
		_ = os.Remove(tmp)
		return err
	}
	return syncPath(filepath.Dir(path))
}

func syncPath(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	err = f.Sync()
	return errors.Join(err, f.Close())
}

// quarantine keeps a damaged file under a dated name. Where the file system knows
// second names it has its own as well, until another takes that: a power cut in
// between leaves it to be found again. fresh is false where that had happened.
func quarantine(path string, now time.Time) (name string, fresh bool, err error) {
	if name = keptAs(path); name != "" {
		return name, false, nil
	}
	base := fmt.Sprintf("%s.damaged-%s", path, now.UTC().Format("20060102T150405Z"))
	name = base
	for i := 2; ; i++ {
		if _, err := os.Lstat(name); errors.Is(err, os.ErrNotExist) {
			break
		}
		name = fmt.Sprintf("%s-%d", base, i)
	}
	if os.Link(path, name) != nil {
		if err := os.Rename(path, name); err != nil {
			return "", false, fmt.Errorf("move the damaged record aside: %w", err)
		}
	}
	return name, true, syncPath(filepath.Dir(path))
}

// keptAs is the dated name that the file at path has beside its own, if any.
func keptAs(path string) string {
	info, err := os.Stat(path)
	if err != nil {
		return ""
	}
	names, _ := filepath.Glob(path + ".damaged-*") // the pattern is a good one
	for _, name := range names {
		if other, err := os.Stat(name); err == nil && os.SameFile(info, other) {
			return name
		}
	}
	return ""
}

// lockFree reports ErrLocked while another process has the file open for
// writing. The library takes the lock itself afterwards; this only keeps the
// check from reading a file that is being written.
func lockFree(f *os.File, shared bool) error {
	how := syscall.LOCK_EX | syscall.LOCK_NB
	if shared {
		how = syscall.LOCK_SH | syscall.LOCK_NB
	}
	err := syscall.Flock(int(f.Fd()), how)
	if errors.Is(err, syscall.EWOULDBLOCK) {
		return ErrLocked
	}
	return err
}

// openToRead opens a file and tells its length. It refuses a folder, which opens as well.
func openToRead(path string) (*os.File, int64, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, 0, err
	}
	info, err := f.Stat()
	if err == nil && info.IsDir() {
		err = fmt.Errorf("%s is a folder: name a file", path)
	}
	if err != nil {
		return nil, 0, errors.Join(err, f.Close())
	}
	return f, info.Size(), nil
}

// notInUse reports ErrLocked while a process writes to the record at path, which
// may be missing.
func notInUse(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return nil
	}
	return errors.Join(lockFree(f, true), f.Close())
}
