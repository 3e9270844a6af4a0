package sensors

import "golang.org/x/sys/unix"

// KernelSynced reports whether the kernel holds its clock to be disciplined by
// a time source: adjtimex(2) shows STA_UNSYNC from boot until a time daemon has
// set the clock.
func KernelSynced() bool {
	var t unix.Timex
	state, err := unix.Adjtimex(&t)
	return err == nil && state != unix.TIME_ERROR && t.Status&unix.STA_UNSYNC == 0
}
