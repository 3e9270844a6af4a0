package sensors

import (
	"os"
	"time"

	"golang.org/x/sys/unix"
)

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
