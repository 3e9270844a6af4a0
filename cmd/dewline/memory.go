package main

import (
	"bufio"
	"fmt"
	"os"
	"runtime/debug"
	"strings"
	"time"

	"github.com/mochi-mqtt/server/v2/packets"
	"golang.org/x/sys/unix"
)

const (
	// startingTakes is when the first rounds are over.
	startingTakes = 12 * time.Second
	// handBackEvery is how often what was touched since is handed back.
	handBackEvery = time.Minute
)

// tightenMemory collects garbage earlier than usual: the daemon makes little of
// it, and a small board has better uses for memory. $GOGC decides where set.
// The packets of mochi's own tests, which its package makes at each start and
// holds for life, go: 360 kB.
func tightenMemory() {
	packets.TPacketData = nil
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(10)
	}
}

// dropProgram takes the program's own code and constants out of what is
// resident. The kernel maps 64 kB around every page that is touched, so that
// starting alone makes nearly all of the file count, as an hour of pages does again,
// and unmaps it by itself only when memory is short. What is still needed comes back
// at its next use from the page cache, which keeps it, within microseconds.
func dropProgram() error {
	self, err := os.Readlink("/proc/self/exe")
	if err != nil {
		return fmt.Errorf("find the program: %w", err)
	}
	f, err := os.Open("/proc/self/smaps")
	if err != nil {
		return fmt.Errorf("find the program in memory: %w", err)
	}
	defer f.Close()
	var from, to uintptr // of the mapping that is described; 0 for one of others
	for lines := bufio.NewScanner(f); lines.Scan(); {
		line := lines.Text()
		var a, b uintptr
		var perms string
		if n, _ := fmt.Sscanf(line, "%x-%x %s", &a, &b, &perms); n == 3 {
			from, to = 0, 0
			if strings.HasSuffix(line, " "+self) && strings.HasPrefix(perms, "r-") {
				from, to = a, b
			}
			continue
		}
		// A page that was written, as by the loader of a program that can lie
		// anywhere, is not in the file.
		key, value, _ := strings.Cut(line, ":")
		if from == to || key != "Anonymous" || strings.TrimSpace(value) != "0 kB" {
			continue
		}
		if _, _, errno := unix.Syscall(unix.SYS_MADVISE, from, to-from, unix.MADV_DONTNEED); errno != 0 {
			return fmt.Errorf("drop the program's pages: %w", errno)
		}
	}
	return nil
}
