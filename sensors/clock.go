package sensors

import (
	"os"
	"sync"
	"time"

	"golang.org/x/sys/unix"
)

// A Clock is the board's time as Instants. It is safe for concurrent use.
type Clock struct {
	start  time.Time // holds Go's monotonic reading
	resume time.Duration
	synced func() bool
	asleep func() time.Duration // of the board in suspend, since boot
	slept  time.Duration        // that at start

	mu   sync.Mutex
	last time.Duration
}

// NewClock starts a clock whose running time goes on from resume, which is
// what the store remembered of the run before (zero for a first start). Its
// Instants are Synced when synced says so; nil means never.
func NewClock(resume time.Duration, synced func() bool) *Clock {
	resume = max(resume, 0)
	return &Clock{start: time.Now(), resume: resume, synced: synced, last: resume, asleep: asleep, slept: asleep()}
}

// leastSleep is longer than what two clocks read one after the other differ by.
const leastSleep = time.Second

// Now returns the present moment. Mono never goes back between two calls.
func (c *Clock) Now() Instant {
	now := time.Now()
	c.mu.Lock()
	run := now.Sub(c.start)
	if d := c.asleep() - c.slept; d >= leastSleep { // Go's clock stands still in suspend
		run += d
	}
	c.last = max(c.last, c.resume+run)
	mono := c.last
	c.mu.Unlock()
	return Instant{
		Mono:   mono,
		Wall:   now.Round(0), // without Go's own monotonic reading
		Synced: c.synced != nil && c.synced(),
	}
}

// timesyncStamp is there once systemd-timesyncd has set the clock since boot
// (systemd-timesyncd.service(8)).
const timesyncStamp = "/run/systemd/timesync/synchronized"

// KernelSynced reports whether the clock has been set from outside since boot.
// The kernel shows STA_UNSYNC in adjtimex(2) until a time daemon has; chrony
// needs its rtcsync directive for that. Where a sandbox forbids the call, the
// stamp of systemd's own time daemon decides.
func KernelSynced() bool {
	var t unix.Timex
	state, err := unix.Adjtimex(&t)
	return synced(state, t.Status, err, timesyncStamp)
}

// asleep is how long the board was in suspend since boot: CLOCK_BOOTTIME counts
// it and CLOCK_MONOTONIC does not (clock_gettime(2)). 0 where the kernel does not
// say.
func asleep() time.Duration {
	var boot, awake unix.Timespec
	if unix.ClockGettime(unix.CLOCK_BOOTTIME, &boot) != nil || unix.ClockGettime(unix.CLOCK_MONOTONIC, &awake) != nil {
		return 0
	}
	return time.Duration(boot.Nano() - awake.Nano())
}

// synced judges what adjtimex(2) answers, and where it does not the stamp.
func synced(state int, status int32, err error, stamp string) bool {
	if err != nil {
		_, err = os.Stat(stamp)
		return err == nil
	}
	return state != unix.TIME_ERROR && status&unix.STA_UNSYNC == 0
}
