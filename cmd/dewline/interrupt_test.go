package main

import (
	"os"
	"path/filepath"
	"syscall"
	"testing"
)

// What waits for a file that never ends heeds no first interrupt; the second
// one ends it.
func TestSecondInterruptEndsAtOnce(t *testing.T) {
	pipe := filepath.Join(t.TempDir(), "pipe")
	if err := syscall.Mkfifo(pipe, 0o600); err != nil {
		t.Fatal(err)
	}
	p := start(t, nil, "check", "--config", pipe)
	var w *os.File
	eventually(t, "the configuration is being read", func() (ok bool) {
		f, err := os.OpenFile(pipe, os.O_WRONLY|syscall.O_NONBLOCK, 0)
		if err == nil {
			w = f
		}
		return err == nil
	})
	defer w.Close()
	eventually(t, "the program ends", func() bool {
		select {
		case <-p.ended:
			return true
		default:
			_ = p.cmd.Process.Signal(syscall.SIGTERM) // it may have ended since
			return false
		}
	})
}
