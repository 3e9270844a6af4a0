package daemon

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"syscall"
	"time"
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

// A sentinelLife tells the service manager that the sentinel is ready, and then
// that the loop that watches lives: a hung one ends in a restart.
type sentinelLife struct {
	n    notifier
	feed *time.Ticker // nil where nobody asked
}

func newSentinelLife() *sentinelLife {
	l := &sentinelLife{n: newNotifier()}
	if every := watchdogInterval(); every > 0 && l.n.addr != "" {
		l.feed = time.NewTicker(every)
	}
	return l
}

// C asks for a sign of life; nil where nobody wants one.
func (l *sentinelLife) C() <-chan time.Time {
	if l.feed == nil {
		return nil
	}
	return l.feed.C
}

func (s *Sentry) tell(state string) {
	if err := s.life.n.send(state); err != nil {
		s.log.Warn("the service manager cannot be told", "err", err)
	}
}
