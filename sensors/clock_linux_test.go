package sensors

import (
	"os"
	"path/filepath"
	"testing"

	"golang.org/x/sys/unix"
)

// States and flags are those of adjtimex(2); a refusal is what a sandbox says.
func TestSynced(t *testing.T) {
	stamp := filepath.Join(t.TempDir(), "synchronized")
	if err := os.WriteFile(stamp, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	const leapAhead, lost = 1, 5 // TIME_INS, TIME_ERROR
	for _, c := range []struct {
		name   string
		state  int
		status int32
		err    error
		stamp  string
		want   bool
	}{
		{"set", 0, 1, nil, "", true},
		{"set, with a leap second ahead", leapAhead, 1, nil, "", true},
		{"never set", lost, 0x40, nil, stamp, false},
		{"out of step", 0, 0x40, nil, stamp, false}, // STA_UNSYNC
		{"lost", lost, 1, nil, stamp, false},
		{"refused, stamped", -1, 0, unix.EPERM, stamp, true},
		{"refused, no stamp", -1, 0, unix.EPERM, stamp + "-not", false},
	} {
		if got := synced(c.state, c.status, c.err, c.stamp); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}

// It is asked with each reading of a node:
// go test ./sensors -run '^$' -bench KernelSynced
func BenchmarkKernelSynced(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		KernelSynced()
	}
}
