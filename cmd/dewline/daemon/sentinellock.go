package daemon

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"syscall"
)

// sentinelLock keeps two sentinels off one directory: they would tell
// everything twice and overwrite what the other told.
const sentinelLock = "sentinel.lock"

// errTwoSentinels says that the directory is in use.
var errTwoSentinels = errors.New("another sentinel works there: stop it first, or give this one a directory and a room.id of its own")

// lock takes the directory until release is called. The kernel lets go of it
// when the process ends, however it does. A directory that cannot be locked
// for another reason does not stop the watch.
func (s *Sentry) lock() (release func(), err error) {
	path := filepath.Join(s.o.Dir, sentinelLock)
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err == nil {
		if err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err == nil {
			return func() { _ = f.Close() }, nil
		}
		_ = f.Close()
	}
	if errors.Is(err, syscall.EWOULDBLOCK) {
		return nil, fmt.Errorf("lock the directory %s: %w", s.o.Dir, errTwoSentinels)
	}
	s.log.Warn("the directory cannot be locked against a second sentinel", "dir", s.o.Dir, "err", err)
	return func() {}, nil
}
