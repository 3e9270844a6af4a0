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
	// programPiece is a few pages.
	programPiece = 16 << 10
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

// ownPages are where the file that runs lies in memory, its code and constants.
type ownPages [][2]uintptr

// mappedProgram finds the program. It makes the kernel map no more than programPiece of it
// around a page that is touched: 64 kB are usual, so that two thirds of the file counted
// as resident though most of it is never used. A mapping ends there, and neighbours whose
// flags differ stay apart; this flag says only what goes into a core dump, where no
// program is needed.
func mappedProgram() (ownPages, error) {
	self, err := os.Readlink("/proc/self/exe")
	if err != nil {
		return nil, fmt.Errorf("find the program: %w", err)
	}
	f, err := os.Open("/proc/self/smaps")
	if err != nil {
		return nil, fmt.Errorf("find the program in memory: %w", err)
	}
	defer f.Close()
	var found ownPages
	var from, to uintptr // of the mapping that is described; 0 for one of others
	lines := bufio.NewScanner(f)
	for lines.Scan() {
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
		if from != to && key == "Anonymous" && strings.TrimSpace(value) == "0 kB" {
			found = append(found, [2]uintptr{from, to})
		}
	}
	for _, m := range found {
		for at := m[0]; at < m[1]; at += 2 * programPiece {
			if err := advise(at, min(at+programPiece, m[1]), unix.MADV_DONTDUMP); err != nil {
				return nil, fmt.Errorf("part the program's pages: %w", err)
			}
		}
	}
	return found, lines.Err()
}

// drop takes the program out of what is resident. The kernel unmaps what is not needed any
// more by itself only when memory is short. What is still needed comes back at its next use
// from the page cache, which keeps it, within microseconds.
func (p ownPages) drop() error {
	for _, m := range p {
		if err := advise(m[0], m[1], unix.MADV_DONTNEED); err != nil {
			return fmt.Errorf("drop the program's pages: %w", err)
		}
	}
	return nil
}

func advise(from, to uintptr, advice uintptr) error {
	if _, _, errno := unix.Syscall(unix.SYS_MADVISE, from, to-from, advice); errno != 0 {
		return errno
	}
	return nil
}
